"""What a plan begins with: steps until the next usual evening, by pencil and paper, and on the demo evening."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from models.base.arrays import FloatArray
from scheduler.optimizer.block import Block
from scheduler.plans.dispatch import follow_plan
from scheduler.plans.plan import Plan
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import replay
from scheduler.plans.tonight import first_sentences, later_text, step_when, steps, tonight_until
from tests.builders.nights import Drive, flat_night, powers
from tests.builders.plans import demo_plan, hand_made_plan


def plan_of(intervals: int = 8, trips: tuple[Drive, ...] = (), **kw: list[float]) -> Plan:
    """A plan from Monday 18:00 with these powers by hour [kW]."""
    night = flat_night(intervals, trips=trips)

    def by_hour(name: str) -> FloatArray:
        given = kw.get(name, [])
        return np.array([*given, *[0.0] * (intervals - len(given))])

    return hand_made_plan(night, by_hour("charge"), by_hour("discharge"))


def told(plan: Plan) -> list[tuple[str, str]]:
    """The steps' times and kinds."""
    return [(step_when(plan, step), step.kind) for step in steps(plan)]


def test_a_block_is_set_and_ended() -> None:
    plan = plan_of(discharge=[0, 2, 2])
    assert told(plan) == [("19:00", "set"), ("21:00", "idle")]
    now, saves = first_sentences(plan)
    assert now == "Now: leave the charger idle. Next: 19:00, discharge at 2.0 kW until 42 % is left."
    assert saves.startswith("No drive is planned.")


def test_a_block_that_another_follows_has_no_end_of_its_own() -> None:
    plan = plan_of(discharge=[2, 2, 3])
    assert told(plan) == [("18:00", "set"), ("20:00", "set"), ("21:00", "idle")]


def test_a_block_that_a_departure_ends_needs_no_hand() -> None:
    """Charging until 20:00, when the car leaves."""
    plan = plan_of(trips=(Drive(depart=2, comeback=4, distance_km=10),), charge=[2, 2])
    assert told(plan) == [("18:00", "set")]
    assert first_sentences(plan)[0] == "Now: charge at 2.0 kW until 58 %. Nothing else to set tonight."


def test_a_short_departure_comes_before_all_else() -> None:
    """100 km need 20 kWh and the reserve of 10, 60 %; the car has 50 % and is not charged: 5 kWh short."""
    plan = plan_of(trips=(Drive(depart=6, comeback=8, distance_km=100),))
    assert first_sentences(plan)[0] == (
        "NOT READY: the trip Tue 00:00 leaves with 50 %, 5.0 kWh short of the 60 % it needs."
    )
    assert first_sentences(plan)[2].startswith("The car is not ready for its drive.")


def test_what_begins_after_the_next_usual_evening_is_no_step() -> None:
    """Planned at 18:00 for 26 hours; the usual evening is 17:30, so what begins at 18:00 tomorrow is planned then."""
    plan = plan_of(26, discharge=[2, *[0] * 23, 2, 2])
    assert tonight_until(plan) == datetime.fromisoformat("2026-03-03T17:30+00:00")
    assert told(plan) == [("18:00", "set"), ("19:00", "idle")]
    assert later_text(plan) == "From Tue 17:30 on, the plan that you make then says what to set."


def test_in_the_afternoon_the_evening_that_comes_is_tonight() -> None:
    """Planned at 15:00, tonight ends with tomorrow's usual evening, not with today's."""
    plan = hand_made_plan(flat_night(30, start=datetime.fromisoformat("2026-03-02T15:00+00:00")))
    assert tonight_until(plan) == datetime.fromisoformat("2026-03-03T17:30+00:00")


def test_in_the_morning_the_evening_of_the_day_is_planned_then() -> None:
    plan = hand_made_plan(flat_night(30, start=datetime.fromisoformat("2026-03-02T07:00+00:00")))
    assert tonight_until(plan) == datetime.fromisoformat("2026-03-02T17:30+00:00")


def test_the_demo_evening() -> None:
    """The first sentences of the README's plan name what its blocks and its table of departures say."""
    plan = demo_plan()
    now, ready = first_sentences(plan)
    assert now.startswith(f"Now: discharge at {plan.blocks[0].kw:.1f} kW")
    assert "Next: 21:00, cover the building" in now
    assert "for the drive Tue 07:30" in ready
    assert f"Saves {plan.saving:.2f} EUR" in ready


@pytest.mark.parametrize(("second_price", "joint"), [(0.30, True), (0.25, True), (0.35, False)])
def test_blocks_that_cover_in_turn_are_one_where_later_is_no_dearer(second_price: float, joint: bool) -> None:
    """What is taken in the first hours is not missed later, unless a kWh saves more then."""
    prices = [0.30, 0.30, second_price, second_price, *[0.10] * 4]
    night = flat_night(load_kw=[1, 1, 2, 2, 1, 1, 1, 1], import_price=prices)
    setpoints = powers(night, -1, -1, -2, -2)
    found = (Block(0, 2, "cover", 1.0, 4.3), Block(2, 4, "cover", 2.0, 8.7))
    blocks = with_recourse(night, setpoints, replay(night, setpoints), found)
    assert [(block.first, block.last) for block in blocks] == ([(0, 4)] if joint else [(0, 2), (2, 4)])


def test_joint_blocks_end_where_every_departure_is_safe() -> None:
    """25 kWh, and 18 wanted at midnight: the joint block ends at 36 %, and a draw of 7 kW all along leaves that."""
    night = flat_night(load_kw=[1, 1, 2, 2, 1, 1, 1, 1], trips=[Drive(depart=6, comeback=8, distance_km=40)])
    setpoints = powers(night, -1, -1, -2, -2)
    found = (Block(0, 2, "cover", 1.0, 4.3), Block(2, 4, "cover", 2.0, 8.7))
    (block,) = with_recourse(night, setpoints, replay(night, setpoints), found)
    assert (block.first, block.last, block.stop_percent) == (0, 4, 36.0)
    real = replace(night, load_kw=np.full(8, 7.0))
    assert replay(real, follow_plan(real, night, setpoints, (block,))).missing_kwh.tolist() == [0.0]
