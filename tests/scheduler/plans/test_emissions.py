"""Emissions of the grid: counted in every plan, and in the objective at their price; no bill changes.

The sums are checked by plain loops over the schedule; the series are invented.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from models.site.series import Series
from scheduler.inputs.series_file import read_emissions
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions
from scheduler.nights.request import Request
from scheduler.optimizer.solve import solve
from scheduler.plan_output.plan_json import plan_document
from scheduler.plans.cost_table import emissions_text
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replay import replay, verify
from scheduler.rolling.emissions import rolled_emissions
from scheduler.rolling.flows import rolled_flows
from scheduler.rolling.simulate import rolled_nights
from tests.builders.places import SCENARIOS
from tests.builders.sites import faults_of, write_site

EVENING = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
DIRTY_HOURS = range(18, 24)


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    """A site whose grid emits 900 g per kWh in the evening and 30 at other times."""
    read = read_inputs(write_site(tmp_path_factory.mktemp("site")))
    start = read.load.start
    grams = np.where(np.isin(start.hour, list(DIRTY_HOURS)), 900.0, 30.0)
    site = replace(read.site, emissions_file=Path("emissions.csv"))
    return replace(read, site=site, emissions=Series(start, grams, read.load.step_minutes))


def with_price(inputs: Inputs, per_tonne: float) -> Inputs:
    plan = replace(inputs.site.plan, emissions_price_per_tonne=per_tonne)
    return replace(inputs, site=replace(inputs.site, plan=plan))


def test_what_is_bought_and_sold_is_counted_hour_by_hour(inputs: Inputs) -> None:
    """kg by a plain loop; without a price nothing else changes."""
    night, _ = build_night(inputs, Request(EVENING, 70.0))
    setpoints = solve(night).setpoints
    found = replay(night, setpoints)
    assert night.grid_g_per_kwh is not None
    bought = sold = 0.0
    for interval, hours in enumerate(night.hours):
        bought += hours * found.import_kw[interval] * night.grid_g_per_kwh[interval] / 1000
        sold += hours * found.export_kw[interval] * night.grid_g_per_kwh[interval] / 1000
    assert (found.costs.bought_kg, found.costs.avoided_kg) == pytest.approx((bought, sold))
    assert found.costs.emissions == 0.0
    plain = replay(replace(night, grid_g_per_kwh=None), setpoints).costs
    assert plain.total == found.costs.total
    assert (plain.bought_kg, plain.avoided_kg) == (None, None)


def test_a_price_counts_in_the_objective_and_on_no_bill(inputs: Inputs) -> None:
    """At 400 a tonne an evening kWh counts 0.36 more: total = what it was for the same powers + price x net tonnes."""
    plain, _ = build_night(inputs, Request(EVENING, 70.0))
    priced, _ = build_night(with_price(inputs, 400.0), Request(EVENING, 70.0))
    assert priced.import_price - plain.import_price == pytest.approx(0.0004 * plain.grid_g_per_kwh)
    answer = solve(priced)
    found = verify(priced, answer).costs
    same = replay(replace(plain, stored_energy=priced.stored_energy), answer.setpoints).costs
    assert found.bought_kg is not None
    assert found.avoided_kg is not None
    assert found.emissions == pytest.approx(0.4 * (found.bought_kg - found.avoided_kg))
    assert (found.import_, found.export, found.cash) == pytest.approx((same.import_, same.export, same.cash))
    # a start counts as energy at the night's highest price, which contains the price of emissions
    assert found.total - found.starts == pytest.approx(same.total - same.starts + found.emissions)


def test_a_higher_price_never_emits_more(inputs: Inputs) -> None:
    """With all else equal, net emissions fall, or stay, as their price rises (monotone comparative statics)."""
    plain, _ = build_night(inputs, Request(EVENING, 70.0))
    net = []
    for price in (0.0, 50.0, 200.0, 800.0):
        night, _ = build_night(with_price(inputs, price), Request(EVENING, 70.0))
        night = replace(night, stored_energy=plain.stored_energy)
        costs = verify(night, solve(night)).costs
        assert costs.bought_kg is not None
        assert costs.avoided_kg is not None
        net.append(costs.bought_kg - costs.avoided_kg)
    assert all(later <= earlier + 1e-6 for earlier, later in pairwise(net))
    assert net[-1] < net[0] - 0.1


def test_rolled_nights_are_counted_from_their_flows(inputs: Inputs) -> None:
    first, last = date(2026, 2, 20), date(2026, 2, 22)
    flows = rolled_flows(rolled_nights(inputs, first, last, 60.0), first, last, inputs.site.timezone)
    counted = rolled_emissions(inputs, flows)
    assert counted is not None
    expected = sum(
        kwh * (0.9 if start.hour in DIRTY_HOURS else 0.03)
        for start, kwh in zip(flows.start, flows.energy["import_kwh"], strict=True)
    )
    assert counted.bought_kg == pytest.approx(expected)
    assert rolled_emissions(replace(inputs, emissions=None), flows) is None


def test_the_demo_plan_says_what_the_grid_emits() -> None:
    plan = plan_tonight(SCENARIOS / "veterinary", RequestOptions(79, now="2026-01-13T16:40", forecast="typical"))
    text = emissions_text(plan)
    assert text is not None
    assert text.startswith("The grid emits ")
    costs = json.loads(json.dumps(plan_document(plan)))["costs"]
    assert costs["bought_kg"] > 0
    assert costs["emissions"] == 0


def test_a_price_needs_a_series(tmp_path: Path) -> None:
    site = write_site(tmp_path, {"horizon_hours = 24": "horizon_hours = 24\nemissions_price_per_tonne = 80"})
    (fault,) = faults_of(lambda: read_inputs(site))
    assert (
        "plan.emissions_price_per_tonne: there is no data.emissions; expected the file of the grid's emissions" in fault
    )


def test_a_series_of_emissions_is_read_strictly(tmp_path: Path) -> None:
    path = tmp_path / "emissions.csv"
    path.write_text("start,g_per_kwh\n2026-03-01T00:00+00:00,210\n2026-03-01T01:00+00:00,6000\n", encoding="utf-8")
    (fault,) = faults_of(lambda: read_emissions(path))
    assert 'line 3, g_per_kwh: "6000" is over 5000; expected 0 to 5000 g per kWh' in fault
    path.write_text("start,g_per_kwh\n2026-03-01T00:00+00:00,210\n2026-03-01T01:00+00:00,60\n", encoding="utf-8")
    assert read_emissions(path).kw.tolist() == [210.0, 60.0]
    assert read_emissions(path).start[0] == pd.Timestamp("2026-03-01", tz="UTC")
