"""Whole nights as practice knows them, a fortnight rolled evening by evening, and both clock changes."""

from __future__ import annotations

import csv
import io
import itertools
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from models.site.connection import Connection
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.setpoints import Setpoints
from scheduler.optimizer.solve import solve
from scheduler.plan_output.schedule_csv import schedule_text
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replay import Replayed, verify
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"


def planned(night: Night) -> tuple[Setpoints, Replayed]:
    """The night's plan, replayed."""
    answer = solve(night)
    return answer.setpoints, verify(night, answer)


def test_a_gentle_evening_discharge_stays_in_the_window() -> None:
    """A 40 kWh car that covers an evening's 2 to 3 kW gives about half its battery between 20 and 80 %, and is full
    again by morning (common practice; a charger of 7 kW whose minimum discharge is a little over 1 kW)."""
    night = flat_night(
        14,
        soc_percent=80,
        load_kw=[2.0, 2.5, 3.0, 2.8, 2.4, 2.2] + [0.4] * 8,
        import_price=[0.36] * 6 + [0.12] * 8,
        stored_energy_price=0.14,
        car=plain_car(battery_kwh=40.0),
        charger=plain_charger(discharge_min_kw=1.2, discharge_to="building", fixed_loss_kw=0.08),
        trips=[Drive(depart=13, comeback=14, distance_km=40)],
    )
    setpoints, replayed = planned(night)
    given = setpoints.discharge_kw[setpoints.discharging]
    assert given.min() >= 2.0 - 0.03
    assert given.max() <= 3.0 + 0.03
    assert 0.35 <= float(night.hours @ setpoints.discharge_kw) / 40.0 <= 0.55
    assert replayed.stored_kwh[:14].min() >= night.car.floor_kwh - 1e-6
    assert replayed.stored_kwh.max() <= night.car.ceiling_kwh + 1e-6
    assert replayed.stored_kwh[13] == pytest.approx(night.car.ceiling_kwh, abs=0.1)


def test_a_long_trip_with_no_time_to_refill_leaves_the_car_alone() -> None:
    """However high the evening's price, a car that must charge all night for a long trip does not discharge (common
    practice)."""
    night = flat_night(
        10,
        soc_percent=70,
        load_kw=3.0,
        import_price=[0.60] * 3 + [0.10] * 7,
        charger=plain_charger(charge_max_kw=1.4),
        trips=[Drive(depart=9, comeback=10, distance_km=180)],
    )
    setpoints, replayed = planned(night)
    assert not setpoints.gives_energy
    assert setpoints.charging[:8].all()
    assert replayed.missing_kwh[0] == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("discharge_to", "export_price", "discharges", "exports"),
    [
        ("building-and-grid", 0.03, False, False),
        ("building-and-grid", 0.45, True, True),
        ("building", 0.03, False, False),
        ("building", 0.45, False, False),
    ],
)
def test_a_building_below_the_minimum_discharge(
    discharge_to: str, export_price: float, discharges: bool, exports: bool
) -> None:
    """A draw of 0.5 kW below a minimum discharge of 1.2 kW: with a poor export price it does not pay, for
    (0.5·0.30 + 0.7·0.03)/1.2 = 0.14 is less than the 0.17 a kWh costs; with a good one it does and exports; a charger
    that serves the building only never discharges (common practice)."""
    night = flat_night(
        soc_percent=80,
        load_kw=0.5,
        export_price=export_price,
        charger=plain_charger(discharge_min_kw=1.2, discharge_to=discharge_to),
        connection=Connection(14.0, 5.0),
    )
    setpoints, replayed = planned(night)
    assert setpoints.gives_energy is discharges
    assert bool(np.any(replayed.export_kw > 0)) is exports


def test_a_drive_today_makes_a_discharge_cost_more() -> None:
    """A discharge on top of a drive deepens the same cycle: with today's highest state of charge known, no more is
    given and its wear costs more."""
    inputs = read_inputs(DEMO)
    fresh, driven = (
        build_night(inputs, parse_request(RequestOptions(60, now="2026-03-02T18:20", stay_home=True, **extra), inputs))[
            0
        ]
        for extra in ({}, {"highest_soc_today_percent": 95.0})
    )
    (fresh_set, fresh_cost), (driven_set, driven_cost) = planned(fresh), planned(driven)
    gives_fresh, gives_driven = (float(fresh.hours @ each.discharge_kw) for each in (fresh_set, driven_set))
    assert 0 < gives_driven <= gives_fresh + 0.05
    assert driven_cost.costs.wear / gives_driven > fresh_cost.costs.wear / gives_fresh


def fortnight(inputs: Inputs, margin_removed: bool) -> list[float]:
    """State of charge each evening when every evening's plan is followed until the next."""
    soc, found = 70.0, []
    evening = datetime(2026, 2, 16, 18, 0)
    for _ in range(14):
        options = RequestOptions(soc, now=f"{evening:%Y-%m-%dT%H:%M}", stay_home=True, forecast="typical")
        night, _ = build_night(inputs, parse_request(options, inputs))
        if margin_removed:
            # stored energy is worth a little less than putting it back costs
            night = replace(night, stored_energy=night.stored_energy.scaled(0.95 / 1.05))
        _, replayed = planned(night)
        soc = night.car.percent(float(replayed.stored_kwh[-1]))
        found.append(soc)
        evening += timedelta(days=1)
    return found


def test_a_fortnight_rolled_evening_by_evening_does_not_drain_the_car() -> None:
    """With the usual stored-energy price the car is put back every night; with one 5 % under the refill price instead
    of 5 % over it, the same fortnight leaves it at its floor, so this test can fail."""
    inputs = read_inputs(DEMO)
    refilled, drained = fortnight(inputs, margin_removed=False), fortnight(inputs, margin_removed=True)
    assert min(refilled) > 45
    assert refilled[-1] >= refilled[0] - 5
    assert drained[-1] < inputs.site.car.floor_percent + 1


@pytest.mark.parametrize(
    ("now", "hours_shown"),
    [("2026-03-28T18:00", [2, 4]), ("2025-10-25T18:00", [2, 3, 3, 4])],
)
def test_the_night_of_a_clock_change_is_planned_on_the_wall_clock(now: str, hours_shown: list[int]) -> None:
    """Helsinki's clocks go from 03:00 to 04:00 on 29 March 2026 and from 04:00 back to 03:00 on 26 October 2025 (tz
    database): the schedule skips or doubles that hour, lasts 24 hours, and the cheap band still ends at 06:00."""
    plan = plan_tonight(DEMO, RequestOptions(50, now=now, stay_home=True))
    rows = list(csv.DictReader(io.StringIO(schedule_text(plan))))
    assert sum(float(row["hours"]) for row in rows) == pytest.approx(24.0, abs=1e-6)
    starts = [datetime.fromisoformat(row["start"]) for row in rows]
    second_day = starts[-1].date()
    assert [start.hour for start in starts if start.date() == second_day and 2 <= start.hour <= 4] == hours_shown
    cheap = [start for start, row in zip(starts, rows, strict=True) if float(row["import_price_per_kwh"]) == 0.115]
    assert (cheap[0].hour, cheap[-1].hour) == (23, 5)
    elapsed = [(later - earlier).total_seconds() / 3600 for earlier, later in itertools.pairwise(starts)]
    np.testing.assert_allclose(elapsed, [float(row["hours"]) for row in rows[:-1]], atol=1e-6)
