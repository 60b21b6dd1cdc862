"""Chances and ranges on past days, by pencil and paper, and the choice of a forecast against trying all of them.

In the plain night a battery of 50 kWh has its floor at 10 kWh, and nothing is lost.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from models.base.arrays import FloatArray
from models.drive.factor import Factor
from models.tariff.tiers import PriceTier
from scheduler.inputs.control_mode import WAKING_HOURS, Setting
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.sampled_days import SampledDays, sampled_days
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.optimizer.manual_blocks import settings_made
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.solve import solve
from scheduler.plan_output.plan_json import plan_document
from scheduler.plans import sampled_choice
from scheduler.plans.dispatch import follow_plan
from scheduler.plans.outlook import outlook, trip_chances
from scheduler.plans.outlook_text import range_text
from scheduler.plans.plan import why_not_discharged
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import replay, verify
from scheduler.plans.sampled_choice import ONLY_CHARGING, TYPICAL, choose_forecast
from tests.builders.nights import Drive, flat_night, plain_charger, powers
from tests.builders.places import SCENARIOS

TRIP = Drive(depart=6, comeback=8, distance_km=40)
"""18 kWh wanted at departure, 36 % of the battery."""


def days_of(load_kw: FloatArray, solar_kw: FloatArray | None = None, most_load_kw: float = 9.0) -> SampledDays:
    """Samples from their loads."""
    days = tuple(date(2026, 2, 27) - timedelta(days=at) for at in range(len(load_kw)))
    return SampledDays(days, load_kw, np.zeros_like(load_kw) if solar_kw is None else solar_kw, most_load_kw)


def covering_without_a_stop() -> tuple[Night, tuple[Block, ...]]:
    """A car at 50 % that covers up to 5 kW from 18:00 to 22:00 without a stop, before a trip at midnight."""
    night = flat_night(load_kw=1.0, trips=[TRIP])
    return night, (Block(0, 4, "cover", 5.0, 5000 / 230),)


def test_a_chance_is_the_share_of_days_on_which_a_departure_is_short() -> None:
    """7 kWh may go: 4 hours of 1.5 kW are 6 kWh, of 2 kW 8 kWh. On 5 of 20 days it is 2 kW.

    19 days of 20 leave at least what the 5 leave: 25 − 8 = 17 kWh, 34 %. (5 + ½) / 21 are told.
    """
    night, blocks = covering_without_a_stop()
    load = np.repeat([[2.0], [1.5]], [5, 15], axis=0) * np.ones(8)
    (found,) = trip_chances(night, powers(night, -1, -1, -1, -1), blocks, days_of(load))
    assert (found.short, found.of, found.whatever_is_drawn) == (5, 20, False)
    assert found.chance == pytest.approx(5.5 / 21)
    assert found.nearly_least_percent == pytest.approx(34.0)
    assert found.drawn_when_short_kwh == pytest.approx(12.0)
    assert found.drawn_kwh == pytest.approx((5 * 12 + 15 * 9) / 20)


def test_with_its_stop_no_draw_makes_it_short() -> None:
    """At 36 % the block ends: 5 kW all along leave 18 kWh, which is enough; so the chance told is 0."""
    night, (block,) = covering_without_a_stop()
    blocks = (replace(block, stop_percent=36.0),)
    load = np.repeat([[2.0], [1.5]], [5, 15], axis=0) * np.ones(8)
    (found,) = trip_chances(night, powers(night, -1, -1, -1, -1), blocks, days_of(load))
    assert (found.short, found.whatever_is_drawn, found.chance) == (0, True, 0.0)


def test_what_would_be_if_nobody_looked() -> None:
    night, (block,) = covering_without_a_stop()
    load = np.repeat([[2.0], [1.5]], [5, 15], axis=0) * np.ones(8)
    seen = outlook(night, powers(night, -1, -1, -1, -1), (replace(block, stop_percent=36.0),), days_of(load))
    assert seen is not None
    (found,) = seen.trips
    assert (found.short, found.short_unwatched) == (0, 5)
    assert found.chance_unwatched == pytest.approx(5.5 / 21)
    stops = replace(night, charger=plain_charger(can_stop_at_percent=True))
    again = outlook(stops, powers(night, -1, -1, -1, -1), (replace(block, stop_percent=36.0),), days_of(load))
    assert again is not None
    assert again.trips[0].short_unwatched is None


def test_a_drive_that_may_take_more_than_is_there() -> None:
    """25 kWh at departure leave 15 above the reserve of 10; the drive's 8 kWh may become 15 in 1 case of 20.

    Its factor is 1 in the middle and 15 / 8 at the 95th percentile.
    """
    night = flat_night(load_kw=0.0, trips=[TRIP])
    (trip,) = night.trips
    night = replace(night, trips=(replace(trip, consumption=Factor(1.0, 0.9, 15 / 8)),))
    (found,) = trip_chances(night, powers(night), (), days_of(np.zeros((20, 8))))
    assert found.chance_on_the_way == pytest.approx(0.05)
    (exact,) = trip_chances(replace(night, trips=(trip,)), powers(night), (), days_of(np.zeros((20, 8))))
    assert exact.chance_on_the_way is None


def test_no_chance_is_told_from_thirteen_days() -> None:
    night, blocks = covering_without_a_stop()
    load = np.full((14, 8), 2.0)
    setpoints = powers(night, -1, -1, -1, -1)
    assert trip_chances(night, setpoints, blocks, days_of(load[:13])) == ()
    assert outlook(night, setpoints, blocks, days_of(load[:13])) is None
    assert len(trip_chances(night, setpoints, blocks, days_of(load))) == 1


def test_totals_are_those_of_each_day_replayed() -> None:
    """The plan's blocks are followed on each day by themselves, and charging on return is each day's own."""
    night, blocks = covering_without_a_stop()
    load = np.linspace(0.5, 3.0, 16)[:, None] * np.ones(8)
    days = days_of(load)
    setpoints = powers(night, -1, -1, -1, -1)
    seen = outlook(night, setpoints, blocks, days)
    assert seen is not None
    expected = []
    for number in range(len(days)):
        real = replace(night, load_kw=load[number])
        expected.append(replay(real, follow_plan(real, night, setpoints, blocks)).costs.total)
    assert seen.total.tolist() == pytest.approx(expected)
    assert len(seen.saving) == 16


def sunny_night() -> tuple[Night, SampledDays]:
    """A night with a cheap hour at 0.20 and sun at its end that comes on half of the days; nothing is paid for it.

    A kWh left is worth 0.24, so the mean of 2 kW of sun makes the plan wait for it and charge at its power; on the days
    without sun that power is bought at 0.60.
    """
    prices = [0.20, 0.60, 0.60, 0.60]
    night = flat_night(
        4,
        load_kw=0.0,
        solar_kw=[0, 0, 2, 2],
        import_price=prices,
        export_price=0.0,
        stored_energy_price=0.24,
        soc_percent=75.0,
        wear_price_per_kwh=0.0,
    )
    sun = np.zeros((20, 4))
    sun[::2, 2:] = 4.0
    return night, days_of(np.zeros((20, 4)), sun)


def test_the_chosen_forecast_costs_least_of_all_that_were_tried() -> None:
    """On paper: 2.5 kWh may be stored. The typical plan takes them from the mean sun, which fails on half of the days.

    Then it buys 2.5 kWh at 0.60, and pays 0.75 on average. To buy them in the cheap hour costs 0.50 every day.
    """
    night, days = sunny_night()
    chosen, choice = choose_forecast(night, days)
    assert choice is not None
    assert choice.gained == pytest.approx(0.25, abs=1e-3)
    assert chosen.answer.setpoints.charge_kw.tolist() == pytest.approx([2.5, 0, 0, 0], abs=1e-3)
    typical = solve(night)
    blocks = find_blocks(night, typical.setpoints)
    by_hand = []
    for number in range(len(days)):
        real = days.night(night, number)
        by_hand.append(replay(real, follow_plan(real, night, typical.setpoints, blocks)).costs.total)
    assert choice.gained == pytest.approx(float(np.mean(by_hand)) - float(chosen.total.mean()), abs=1e-9)
    again = []
    for number in range(len(days)):
        real = days.night(night, number)
        again.append(replay(real, follow_plan(real, chosen.night, chosen.answer.setpoints, chosen.blocks)).costs.total)
    assert chosen.total.tolist() == pytest.approx(again)
    assert float(chosen.total.mean()) <= float(np.mean(by_hand))


def test_with_days_that_are_all_the_typical_one_the_plan_is_todays() -> None:
    night = flat_night(load_kw=2.0, trips=[TRIP])
    days = days_of(np.full((20, 8), 2.0))
    chosen, choice = choose_forecast(night, days)
    assert choice is not None
    assert (choice.name, choice.gained) == (TYPICAL, 0.0)
    assert np.array_equal(chosen.answer.setpoints.discharge_kw, solve(night).setpoints.discharge_kw)


def test_with_few_days_nothing_is_tried() -> None:
    night = flat_night(load_kw=2.0, trips=[TRIP])
    days = days_of(np.full((20, 8), 2.0))
    assert choose_forecast(night, days.first(13))[1] is None
    by_hand = replace(night, setting=Setting("blocks", 2, 60))
    assert choose_forecast(by_hand, days.first(13))[1] is None


def test_a_plan_set_by_hand_is_chosen_among_a_few() -> None:
    """As above, by hand: the median of 10 days with sun and 10 without has none, and so buys in the cheap hour.

    A median day, half of the sun, and, as the plan gives nothing, no more are tried.
    """
    night, days = sunny_night()
    chosen, choice = choose_forecast(replace(night, setting=Setting("blocks", 2, 60)), days)
    assert choice is not None
    assert choice.tried == 3
    assert choice.gained == pytest.approx(0.25, abs=1e-3)
    assert [(block.action, block.first, block.last) for block in chosen.blocks] == [("charge", 0, 1)]
    assert chosen.answer.blocks is not None


def test_by_hand_with_tiers_only_charging_is_tried() -> None:
    """Where prices depend on amounts no draft is found quickly: besides the typical day, only charging is tried."""
    night = flat_night(load_kw=2.0, import_price=[0.40] * 6 + [0.10] * 2)
    tier = PriceTier("import", 0, np.ones(8, dtype=bool), 3.0, np.full(8, -0.02))
    tiered = replace(night, tiers=(tier,), setting=Setting("blocks", 2, 60))
    assert solve(tiered).setpoints.gives_energy
    _, choice = choose_forecast(tiered, days_of(np.full((20, 8), 2.0)))
    assert choice is not None
    assert choice.tried == 2


def test_what_is_chosen_by_hand_costs_least_on_the_days_of_a_demo_site() -> None:
    """The bookbindery on a sunny Wednesday, in four blocks: each day replayed by itself, and settings counted."""
    inputs = read_inputs(SCENARIOS / "bookbindery")
    evening = parse_request(RequestOptions(78, now="2026-05-27T18:00"), inputs)
    night, _ = build_night(inputs, evening)
    night = replace(
        with_look_ahead(inputs, evening, night), setting=Setting("blocks", 4, 60, worth=None, between=WAKING_HOURS)
    )
    days = sampled_days(inputs, evening, night)
    chosen, choice = choose_forecast(night, days)
    assert choice is not None
    assert choice.name != TYPICAL

    def mean_of(planned: Night, answer: Answer) -> float:
        expected = verify(planned, answer)
        blocks = with_recourse(planned, answer.setpoints, expected, answer.blocks or ())
        settings = planned.setting_worth * len(settings_made(planned, answer.blocks or (), expected.stored_kwh))
        totals = []
        for number in range(choice.days):
            real = replace(night, load_kw=days.load_kw[number], solar_kw=days.solar_kw[number])
            totals.append(replay(real, follow_plan(real, planned, answer.setpoints, blocks)).costs.total + settings)
        return float(np.mean(totals))

    typical, best = mean_of(night, solve(night)), mean_of(chosen.night, chosen.answer)
    assert best < typical
    assert float(chosen.total.mean()) == pytest.approx(best)
    assert choice.gained == pytest.approx(typical - best)


def test_only_charging_is_tried_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """3 kWh are given, 2 of them for what is bought at 0.40: the forecast sun, lost on a full car, puts them back.

    The sun never came: each day 0.80 were spared, 3 kWh more bought at 0.60, and one start, worth 0.06, was made.
    """
    monkeypatch.setattr(sampled_choice, "_forecasts", lambda night, days: iter(()))
    night = flat_night(
        4,
        load_kw=[2.0, 0, 0, 0],
        solar_kw=[0, 0, 2, 2],
        import_price=[0.40, 0.60, 0.60, 0.60],
        export_price=0.0,
        stored_energy_price=0.50,
        soc_percent=78.0,
        wear_price_per_kwh=0.0,
    )
    days = days_of(np.tile([2.0, 0, 0, 0], (20, 1)), np.zeros((20, 4)))
    assert solve(night).setpoints.gives_energy
    chosen, choice = choose_forecast(night, days)
    assert choice is not None
    assert (choice.name, choice.tried) == (ONLY_CHARGING, 2)
    assert choice.gained - choice.changed == pytest.approx(1.06, abs=1e-5)
    assert not chosen.answer.setpoints.gives_energy
    assert chosen.answer.bound <= chosen.answer.money
    assert why_not_discharged(night, chosen.expected, choice, "EUR") == (
        "on past evenings like this one a discharge cost more than it earned"
    )


def test_the_range_of_the_money_says_what_else_is_drawn() -> None:
    """Wednesday at 11:00 under the market offer, the car home between 15:00 and 17:00: prices end at midnight."""
    site = SCENARIOS / "bookbindery"
    options = RequestOptions(60, now="2026-03-04T11:00", home_at="15:00..17:00", stay_home=True)
    plan = plan_tonight(site, options, site / "offers" / "market-hour.toml")
    text = range_text(plan)
    assert text is not None
    assert text.startswith(
        "On 40 past evenings like this one, with prices that are not published yet as they were then and the car home "
        "between Wed 15:00 and 17:00, the total would have been "
    )
    sampled = plan_document(plan)["sampled"]
    assert (sampled["draws_prices"], sampled["draws_returns"]) == (True, True)
    assert plan.blocks[0].first >= plan.night.boundaries.get_loc(pd.Timestamp("2026-03-04T15:00Z"))
    assert np.ptp(sampled["saving"]) > 0
