"""What rolled nights leave at the meter, billed again from the table by a few plain lines."""

from __future__ import annotations

import csv
import io
from datetime import date, datetime, timedelta
from pathlib import Path

import pandas as pd
import pytest

from models.tariff.bill import GridFlows, bill
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.rolling.flows import RolledFlows, metered_text, rolled_bill, rolled_flows
from scheduler.rolling.simulate import Policy, rolled_nights
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
FIRST, LAST = date(2026, 3, 27), date(2026, 3, 31)
HELSINKI = "Europe/Helsinki"


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    return read_inputs(DEMO, Path("offers/day-and-night.toml"))


def rolled(inputs: Inputs, policy: Policy) -> RolledFlows:
    nights = rolled_nights(inputs, FIRST, LAST, 60.0, policy=policy)
    return rolled_flows(nights, FIRST, LAST, HELSINKI)


@pytest.fixture(scope="module")
def flows(inputs: Inputs) -> RolledFlows:
    return rolled(inputs, "plan")


def test_the_bill_again_from_the_table(inputs: Inputs, flows: RolledFlows) -> None:
    """day-and-night.toml: 0.22 from 07:00 to 22:00, 0.15 by night, 0.06 for what is sent, 0.21 a day; five days."""
    total = 5 * 0.21
    for row in csv.DictReader(io.StringIO(metered_text(flows, HELSINKI))):
        hour = datetime.fromisoformat(row["start"]).hour
        price = 0.22 if 7 <= hour < 22 else 0.15
        total += price * float(row["import_kwh"]) - 0.06 * float(row["export_kwh"])
    assert rolled_bill(flows, inputs, FIRST, LAST).total == pytest.approx(total, abs=1e-6)


def test_rows_cover_the_days_and_balance(flows: RolledFlows) -> None:
    """Five days, one of 23 hours; in each interval import − export = load + charge − discharge − solar + curtailed."""
    assert flows.minutes.sum() == (5 * 24 - 1) * 60
    energy = flows.energy
    net = energy["load_kwh"] + energy["charge_kwh"] - energy["discharge_kwh"] - energy["solar_kwh"]
    assert energy["import_kwh"] - energy["export_kwh"] == pytest.approx(net + energy["curtailed_kwh"], abs=1e-9)


def test_regular_flows_hold_the_same_energy(flows: RolledFlows) -> None:
    """Cut to equal intervals nothing is lost, and the bill does not depend on the cutting."""
    regular = flows.grid_flows()
    assert regular.import_kwh.sum() == pytest.approx(flows.energy["import_kwh"].sum())
    assert (regular.start[1:] - regular.start[:-1]).unique().tolist() == [timedelta(minutes=regular.step_minutes)]


@pytest.mark.parametrize("policy", ["charge-only", "charge-on-return"])
def test_a_car_that_is_only_charged(inputs: Inputs, policy: Policy) -> None:
    """Neither alternative gives energy, and what left the battery is what was driven."""
    other = rolled(inputs, policy)
    driven = [trip for trip in inputs.recorded_trips or () if FIRST <= trip.return_at.date() <= LAST]
    per_km = inputs.site.car.consumption_kwh_per_100km / 100
    assert other.energy["discharge_kwh"].sum() == 0
    assert other.nights_discharged == 0
    assert other.out_of_battery_kwh.sum() == pytest.approx(sum(trip.distance_km for trip in driven) * per_km)


def test_days_that_are_not_covered(inputs: Inputs) -> None:
    """Nights that begin a day later are refused."""
    nights = rolled_nights(inputs, FIRST + timedelta(days=1), LAST, 60.0, policy="charge-on-return")
    with pytest.raises(ValueError, match="do not cover"):
        rolled_flows(nights, FIRST, LAST, HELSINKI)


def test_the_engine_bills_any_step_alike(inputs: Inputs, flows: RolledFlows) -> None:
    """The same energy minute by minute gives the same bill."""
    coarse = flows.grid_flows()
    parts = coarse.step_minutes
    minutes = pd.date_range(coarse.start[0], coarse.end, freq="min", inclusive="left").as_unit("s")
    fine = GridFlows(minutes, 1, coarse.import_kwh.repeat(parts) / parts, coarse.export_kwh.repeat(parts) / parts)
    again = bill(inputs.offer, fine, HELSINKI, FIRST, LAST + timedelta(days=1))
    assert again.total == pytest.approx(rolled_bill(flows, inputs, FIRST, LAST).total)


def test_the_nights_add_up_to_the_days(flows: RolledFlows) -> None:
    """Night by night the same energy and wear as interval by interval; each begins where the last one ended."""
    for name in ("import_kwh", "export_kwh", "charge_kwh", "discharge_kwh"):
        assert flows.night[name].sum() == pytest.approx(flows.energy[name].sum(), abs=1e-9)
    assert flows.night["wear_cost"].sum() == pytest.approx(flows.wear_cost.sum(), abs=1e-9)
    assert flows.night["soc_start_percent"][1:] == pytest.approx(flows.night["soc_end_percent"][:-1], abs=1e-9)
    assert (flows.night_start[1:] == flows.night_end[:-1]).all()
    assert flows.nights_discharged > 0


def test_solar_used_at_once(flows: RolledFlows) -> None:
    """What is neither curtailed nor sent is used, as far as the car does not send energy of its own meanwhile."""
    energy = flows.energy
    lone = energy["discharge_kwh"] == 0
    used = (energy["solar_kwh"] - energy["curtailed_kwh"] - energy["export_kwh"])[lone].sum()
    made = energy["solar_kwh"][~lone].sum()
    assert used - 1e-9 <= flows.self_consumed_solar_kwh <= used + made + 1e-9
