"""Schedules priced as arrays against the replay, and what moving runs makes of them."""

from __future__ import annotations

import numpy as np
import pytest

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_moves import caps_of
from scheduler.optimizer.certificate.moved_runs import (
    Schedules,
    better_timed,
    change_of_power,
    judge,
    reshaped,
    timing,
)
from scheduler.optimizer.setpoints import setpoints_from_powers
from scheduler.plans.replay import Replayed, replay
from tests.builders.nights import flat_night, plain_charger
from tests.builders.random_nights import random_night


def _schedules(night: Night, seed: int, count: int) -> Schedules:
    """Powers within the charger's limits, in runs of a few intervals."""
    random = np.random.default_rng(seed)
    mode = np.repeat(random.integers(0, 3, (count, night.intervals)), 3, axis=1)[:, : night.intervals]
    charging, discharging = (mode == 1) & night.at_home, (mode == 2) & night.at_home
    charger, share = night.charger, random.random((count, night.intervals))
    charge = charger.charge_min_kw + share * (charger.charge_max_kw - charger.charge_min_kw)
    discharge = charger.discharge_min_kw + share * (charger.discharge_max_kw - charger.discharge_min_kw)
    return Schedules(charge * charging, discharge * discharging, charging, discharging)


def _replayed(night: Night, plans: Schedules, row: int) -> Replayed:
    shares = plans.charging[row].astype(np.float64), plans.discharging[row].astype(np.float64)
    return replay(night, setpoints_from_powers(night, plans.charge_kw[row], plans.discharge_kw[row], *shares))


@pytest.mark.parametrize("seed", range(600, 620))
def test_schedules_cost_what_the_replay_says(seed: int) -> None:
    """Money, shortages of trips and stored energy out of bounds are those of the replay, for any powers."""
    night = random_night(seed)
    plans = _schedules(night, seed, 4)
    judged = judge(night, plans)
    for row in range(4):
        replayed = _replayed(night, plans, row)
        assert judged.money[row] == pytest.approx(replayed.costs.total, abs=1e-7)
        short = np.concatenate([replayed.on_the_way_kwh, replayed.missing_kwh, replayed.missing_when_ready_kwh])
        assert judged.short_kwh[row] == pytest.approx(short, abs=1e-7)
        beyond = replayed.stored_kwh[1:]
        below_floor = (beyond < night.car.floor_kwh - 1e-7) & plans.discharging[row]
        above_ceiling = (beyond > night.ceiling_kwh[1:] + 1e-7) & plans.charging[row]
        out = below_floor.any() or above_ceiling.any() or beyond.min() < -1e-7 or beyond.max() > night.car.battery_kwh
        assert bool(judged.outside_kwh[row] > 1e-7) == bool(out)


def _plan(charge: list[float], discharge: list[float]) -> Schedules:
    powers = [np.array([kw]) for kw in (charge, discharge)]
    return Schedules(powers[0], powers[1], powers[0] > 0, powers[1] > 0)


def _moved(night: Night, plan: Schedules) -> tuple[list[float], list[float]]:
    better = better_timed(night, plan, caps_of(night, True))
    powers: tuple[FloatArray, FloatArray] = better.charge_kw[0].round(9), better.discharge_kw[0].round(9)
    return powers[0].tolist(), powers[1].tolist()


CHEAP_LATE = [0.30, 0.30, 0.30, 0.10, 0.10, 0.10, 0.10, 0.30]


def test_charging_moves_to_the_first_cheap_hours_and_discharging_to_the_first() -> None:
    """A run goes as far as the price stays the same, and no further."""
    night = flat_night(import_price=CHEAP_LATE, load_kw=3.0)
    plan = _plan([0, 0, 0, 0, 0, 4.0, 4.0, 0], [0, 0, 2.0, 0, 0, 0, 0, 0])
    assert _moved(night, plan) == ([0, 0, 0, 4.0, 4.0, 0, 0, 0], [2.0, 0, 0, 0, 0, 0, 0, 0])


def test_the_end_of_a_run_moves_to_an_earlier_run() -> None:
    """Of two runs at one price the earlier takes what the later gives, at its own power."""
    prices = [0.30, 0.10, 0.10, 0.30, 0.30, 0.10, 0.10, 0.30]
    night = flat_night(import_price=prices, load_kw=3.0)
    plan = _plan([0, 4.0, 0, 0, 0, 4.0, 4.0, 0], [0] * 8)
    assert _moved(night, plan)[0] == [0, 4.0, 4.0, 0, 0, 4.0, 0, 0]


@pytest.mark.parametrize("seed", range(620, 640))
def test_no_move_costs_more_or_serves_worse(seed: int) -> None:
    """Whatever the plan: the same energy, no more money, no more change of power, no trip shorter, better timed."""
    night = random_night(seed)
    for row in range(4):
        plan = _schedules(night, seed, 4).some(np.array([row]))
        better = better_timed(night, plan, caps_of(night, True))
        before, after = judge(night, plan), judge(night, better)
        assert after.money[0] <= before.money[0] + 1e-8
        assert (after.short_kwh <= before.short_kwh + 1e-8).all()
        assert after.outside_kwh[0] <= before.outside_kwh[0] + 1e-8
        assert timing(night, better)[0] <= timing(night, plan)[0]
        assert change_of_power(better)[0] <= change_of_power(plan)[0] + 1e-7
        for ours, theirs in ((better.charge_kw, plan.charge_kw), (better.discharge_kw, plan.discharge_kw)):
            assert float((ours @ night.hours)[0]) == pytest.approx(float((theirs @ night.hours)[0]), abs=1e-8)


@pytest.mark.parametrize("seed", range(640, 650))
def test_reshaped_runs_are_where_the_charger_may_run(seed: int) -> None:
    """One move never lets it charge and discharge at once, or run where it may not."""
    night = random_night(seed)
    caps = caps_of(night, True)
    plan = _schedules(night, seed, 1)
    charging, discharging = plan.charging & caps.may_charge, plan.discharging & caps.may_discharge
    plan = Schedules(plan.charge_kw * charging, plan.discharge_kw * discharging, charging, discharging)
    near = reshaped(night, plan, caps)
    assert len(near.charging)
    assert not (near.charging & near.discharging).any()
    assert not (near.charging & ~caps.may_charge).any()
    assert not (near.discharging & ~caps.may_discharge).any()
    differs = (near.charging != plan.charging) | (near.discharging != plan.discharging)
    assert differs.any(axis=1).all()


def test_runs_are_left_out_only_where_starts_are_free() -> None:
    """Where a start is worth something, money decides whether there is a run."""
    plan = _plan([0, 0, 0, 4.0, 4.0, 0, 0, 0], [0, 2.0, 0, 0, 0, 0, 0, 0])
    for worth in (0.0, 0.1):
        night = flat_night(import_price=CHEAP_LATE, charger=plain_charger(start_worth_kwh=worth))
        near = reshaped(night, plan, caps_of(night, True))
        nothing = ~(near.charging | near.discharging).any(axis=1)
        assert bool(nothing.any()) == (worth == 0.0)
