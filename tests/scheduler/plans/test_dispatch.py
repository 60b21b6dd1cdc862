"""Following a plan: set powers stay, covering follows the real draw, and every limit holds whatever happens."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from scheduler.nights.night import Night
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plans.dispatch import follow_plan
from scheduler.plans.replay import replay, verify, verify_constraints
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger, powers
from tests.builders.random_nights import random_night


@cache
def solved(seed: int) -> tuple[Night, Answer]:
    """A random night and its plan, solved once in a process."""
    night = random_night(seed)
    return night, solve(night)


def followed(planned: Night, setpoints: Setpoints, **really: object) -> Setpoints:
    """The plan's setpoints in a night that differs as said; every constraint of that night must hold."""
    real = replace(planned, **really)  # type: ignore[arg-type]
    done = follow_plan(real, planned, setpoints, find_blocks(planned, setpoints))
    verify_constraints(real, done)
    return done


@pytest.mark.seeds(range(0, 60, 2), range(60))
def test_what_was_forecast_goes_as_planned(seed: int) -> None:
    """If load and solar are as forecast, the charger does what the plan says, and the night costs what was planned."""
    night, answer = solved(seed)
    planned = verify(night, answer)
    done = follow_plan(night, night, answer.setpoints, find_blocks(night, answer.setpoints))
    verify_constraints(night, done)
    found = replay(night, done)
    # powers within the 0.05 kW that make one setting, and energy within what that gives over a night
    assert np.abs(done.charge_kw - answer.setpoints.charge_kw).max() <= 0.5
    assert found.stored_kwh[-1] == pytest.approx(planned.stored_kwh[-1], abs=0.6)


@pytest.mark.seeds(range(0, 60, 2), range(60))
def test_every_constraint_holds_whatever_happened(seed: int) -> None:
    """With another load and sun than forecast no limit is broken, and the energy balance closes."""
    night, answer = solved(seed)
    random = np.random.default_rng(seed)
    load = night.load_kw * random.uniform(0.2, 2.5, night.intervals)
    solar = night.solar_kw * random.uniform(0.0, 1.5, night.intervals)
    done = followed(night, answer.setpoints, load_kw=load, solar_kw=solar)
    found = replay(replace(night, load_kw=load, solar_kw=solar), done)
    net = load - solar + done.charge_kw - done.discharge_kw + done.curtailed_kw
    assert found.import_kw - found.export_kw == pytest.approx(net, abs=1e-9)


def test_covering_follows_the_real_draw() -> None:
    """The plan covers 2 kW; really the building draws 1, 3 and 0.5 kW: 1 kW, the 2 kW set, and nothing under 1 kW."""
    night = flat_night(3, load_kw=[2.0, 2.0, 2.0], charger=plain_charger(discharge_to="building"))
    done = followed(night, powers(night, -2.0, -2.0, -2.0), load_kw=np.array([1.0, 3.0, 0.5]))
    assert done.discharge_kw.tolist() == [1.0, 2.0, 0.0]


def test_set_powers_stay() -> None:
    """5 kW set to discharge stay 5 kW when the building draws less: the rest goes to the grid."""
    night = flat_night(3, load_kw=4.0)
    done = followed(night, powers(night, -5.0, -5.0), load_kw=np.full(3, 1.0))
    assert done.discharge_kw.tolist() == [5.0, 5.0, 0.0]


def test_it_stops_at_the_floor_inside_an_interval() -> None:
    """11 kWh lie over the floor of 10: 7 kW for an hour, then 4 of 7 kWh: four sevenths of the next, then nothing."""
    night = flat_night(3, load_kw=7.0, soc_percent=42.0, wear_price_per_kwh=0.0)
    done = followed(night, powers(night, -7.0, -7.0, -7.0))
    assert done.discharge_kw == pytest.approx([7.0, 4.0, 0.0])
    assert done.discharge_share == pytest.approx([1.0, 4 / 7, 0.0])


def test_it_stops_at_the_ceiling_and_bends_to_the_import_limit() -> None:
    """Room for 10 kWh; a load of 9 kW under a limit of 14 leaves 5 kW instead of 7: two hours, then nothing."""
    night = flat_night(3, soc_percent=60.0)
    done = followed(night, powers(night, 7.0, 7.0, 7.0), load_kw=np.full(3, 9.0))
    assert done.charge_kw == pytest.approx([5.0, 5.0, 0.0])


def test_the_warranty_limit_counts_what_is_really_given() -> None:
    """5 kWh allowed: 4 kW for an hour and a quarter."""
    night = flat_night(3, load_kw=5.0, car=plain_car(discharge_limit_kwh=5.0))
    done = followed(night, powers(night, -4.0, -4.0))
    assert done.discharge_kw == pytest.approx([4.0, 1.0, 0.0])


def test_a_trip_takes_its_energy_between_the_blocks() -> None:
    """After a drive of 100 km, 20 kWh, the battery has less to give: 25 - 20 = 5 kWh is under the floor, so nothing."""
    night = flat_night(5, load_kw=3.0, trips=[Drive(1, 3, 100.0)])
    done = followed(night, powers(night, 0.0, 0.0, 0.0, -3.0, -3.0))
    assert done.discharge_kw.tolist() == [0.0] * 5
