"""A settled night against a second calculation, written from the meter and the plan's files alone in plain loops.

The second calculation knows nothing of the tool's records and models: it reads the blocks of plan.json and the meter's
hours, and the numbers of the site and the offer are written here again.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from models.site.series import Series
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.plan_output.plan_json import plan_text
from scheduler.plans.plan import Plan
from scheduler.record.settle import settle
from scheduler.record.settled import NightFlows, Way
from scheduler.record.store import DrivenTrip
from scheduler.record.update import Happened
from scheduler.textio.errors import InputFaults
from tests.builders.recorded import evening_of, quick_plan, saved, shaken
from tests.builders.sites import write_site

BATTERY, FLOOR, CEILING = 52.0, 10.4, 41.6
LOSS, EFFICIENCY = 0.08, 0.95
LEAST_CHARGE, LEAST_DISCHARGE, MOST = 1.4, 1.2, 7.4
IMPORT_LIMIT, EXPORT_LIMIT = 14.0, 5.0
ALWAYS: dict[str, Any] = {"action": "charge", "kw": MOST, "until_percent": None}
"""What a car that is charged on return does whenever it is home."""


def import_price(at: datetime) -> float:
    """Day 0.34, night from 23:00 to 07:00 0.12; the clock of Dublin is UTC in early March."""
    return 0.12 if at.hour >= 23 or at.hour < 7 else 0.34


def export_price(at: datetime) -> float:
    return 0.45 if 18 <= at.hour < 21 else 0.05


def segment_prices() -> list[tuple[float, float]]:
    """Size [kWh] and price of each wear segment, by the site's depth law."""
    found, before = [], 0.0
    for edge in (5, 10, 20, 30, 45, 60, 80, 100):
        depth = edge / 100
        size = (depth - before) * BATTERY
        life = 5.24e-4 * (depth**2.03 - before**2.03)
        found.append((size, 6800 * life / size))
        before = depth
    return found


class Ledger:
    """Energy and money of a night, added up hour by hour."""

    def __init__(self, stored: float) -> None:
        self.stored = self.at_begin = stored
        self.grid = self.wear = self.imported = self.exported = self.charged = self.discharged = 0.0
        self.fill, left = [], stored
        for size, _ in segment_prices():
            self.fill.append(min(size, left))
            left -= self.fill[-1]

    def take(self, kwh: float) -> None:
        """Take energy out of the battery, from the shallowest segment that holds any on."""
        self.stored -= kwh
        for number, (_, price) in enumerate(segment_prices()):
            part = min(kwh, self.fill[number])
            self.fill[number] -= part
            self.wear += part * price
            kwh -= part

    def put(self, kwh: float) -> None:
        self.stored += kwh
        for number, (size, _) in enumerate(segment_prices()):
            part = min(kwh, size - self.fill[number])
            self.fill[number] += part
            kwh -= part

    def bill(self, at: datetime, hours: float, net_kw: float) -> None:
        """Bill a part of an hour; what can neither be used nor sent back is curtailed."""
        net_kw = max(net_kw, -EXPORT_LIMIT)
        if net_kw > 0:
            self.grid += hours * net_kw * import_price(at)
            self.imported += hours * net_kw
        else:
            self.grid += hours * net_kw * export_price(at)
            self.exported -= hours * net_kw

    def worth(self, document: dict[str, Any]) -> float:
        """Return what the energy that the battery gained is worth."""
        value = document["stored_energy_value"]
        begin, end = (
            np.interp(100 * kwh / BATTERY, value["soc_percent"], value["worth"]) for kwh in (self.at_begin, self.stored)
        )
        return float(end - begin)

    def cost(self, document: dict[str, Any]) -> float:
        return self.grid + self.wear - self.worth(document)


def hours_of(happened: Happened, begin: datetime, end: datetime) -> list[tuple[datetime, float, float]]:
    """Each hour of a night with its load and solar, which the meter read."""
    assert happened.solar is not None
    first = int(happened.load.start.searchsorted(pd.Timestamp(begin)))
    return [
        (begin + timedelta(hours=n), float(happened.load.kw[first + n]), float(happened.solar.kw[first + n]))
        for n in range(int((end - begin).total_seconds()) // 3600)
    ]


def pieces(begin: datetime, hours: int, depart: datetime, comeback: datetime) -> list[tuple[datetime, float]]:
    """The night cut at hours and where the car departs and comes back: begin and length of each piece."""
    ready = depart - timedelta(minutes=30)
    edges = sorted({begin + timedelta(hours=n) for n in range(hours + 1)} | {ready, depart, comeback})
    return [(a, (b - a).total_seconds() / 3600) for a, b in pairwise(edges)]


def by_the_plan(document: dict[str, Any], at: datetime) -> dict[str, Any] | None:
    for block in document["blocks"]:
        if datetime.fromisoformat(block["start"]) <= at < datetime.fromisoformat(block["end"]):
            return dict(block)
    return None


def second_calculation(
    document: dict[str, Any], happened: Happened, begin: datetime, end: datetime, *, on_return: bool
) -> Ledger:
    """Carry out the blocks of plan.json, or charge at full power whenever the car is home."""
    ledger = Ledger(document["soc_start_percent"] / 100 * BATTERY)
    (trip,) = document["trips"]
    depart, comeback = (datetime.fromisoformat(trip[name]).astimezone(UTC) for name in ("depart", "return"))
    read = {at: (load, solar) for at, load, solar in hours_of(happened, begin, end)}
    for at, length in pieces(begin, len(read), depart, comeback):
        load, solar = read[at.replace(minute=0)]
        charge = discharge = 0.0
        net = load - solar
        block = ALWAYS if on_return else by_the_plan(document, at)
        if depart <= at < comeback:
            block = None
            if at + timedelta(hours=length) == comeback:
                ledger.take(trip["distance_km"] * 0.165)
        if block is not None and block["action"] == "charge":
            until = CEILING if block["until_percent"] is None else min(CEILING, block["until_percent"] / 100 * BATTERY)
            kw = min(block["kw"], IMPORT_LIMIT - net)
            room = (until - ledger.stored) / length
            if on_return and room + LOSS < EFFICIENCY * kw:
                kw = max(LEAST_CHARGE, (max(0.0, room) + LOSS) / EFFICIENCY)
            share = min(1.0, max(0.0, room) / (EFFICIENCY * kw - LOSS)) if room > 1e-9 else 0.0
            charge = kw * share
            ledger.put(share * length * (EFFICIENCY * kw - LOSS))
        elif block is not None:
            assert block["action"] in ("cover", "discharge")
            draw = max(0.0, net)
            kw = min(block["kw"], draw) if block["action"] == "cover" else block["kw"]
            if block["action"] == "cover" and block["from_kw"] is not None and draw >= block["from_kw"]:
                kw = max(kw, LEAST_DISCHARGE)
            kw = min(kw, MOST, max(0.0, net + EXPORT_LIMIT))
            stop = FLOOR if block["stop_percent"] is None else max(FLOOR, block["stop_percent"] / 100 * BATTERY)
            if kw >= LEAST_DISCHARGE - 0.05:
                kw = max(kw, LEAST_DISCHARGE)
                out = kw / EFFICIENCY + LOSS
                share = min(1.0, max(0.0, ledger.stored - stop) / (length * out))
                share = share if ledger.stored - stop > 1e-9 else 0.0
                discharge = kw * share
                ledger.take(share * length * out)
        ledger.charged += length * charge
        ledger.discharged += length * discharge
        ledger.bill(at, length, net + charge - discharge)
    return ledger


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_site(tmp_path_factory.mktemp("site"))


@pytest.fixture(scope="module")
def inputs(site: Path) -> Inputs:
    return read_inputs(site)


@pytest.fixture(scope="module")
def plan(site: Path) -> Plan:
    return quick_plan(site, "2026-03-03T18:00")


def total(flows: NightFlows, *names: str) -> float:
    return float(sum(flows.columns[name].sum() for name in names))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize(("way", "on_return"), [("plan", False), ("charge-on-return", True)])
def test_a_night_comes_to_what_plain_loops_over_the_meter_say(
    plan: Plan, inputs: Inputs, seed: int, way: Way, on_return: bool
) -> None:
    """The powers that are set hold in the night as it was: energy, money and wear, to the last cent and beyond."""
    happened, evening = shaken(inputs, seed), evening_of(plan)
    made = settle(evening, inputs, replace(inputs, load=happened.load, solar=happened.solar))
    document = json.loads(plan_text(plan))
    expected = second_calculation(document, happened, evening.begin, evening.end, on_return=on_return)
    flows = made.flows[way]
    grid = total(flows, "import_cost") - total(flows, "export_credit")
    assert grid == pytest.approx(expected.grid, abs=1e-5)
    assert total(flows, "wear_cost") == pytest.approx(expected.wear, abs=1e-5)
    assert total(flows, "import_kwh") == pytest.approx(expected.imported, abs=1e-5)
    assert total(flows, "export_kwh") == pytest.approx(expected.exported, abs=1e-5)
    assert total(flows, "charge_kwh") == pytest.approx(expected.charged, abs=1e-5)
    assert total(flows, "discharge_kwh") == pytest.approx(expected.discharged, abs=1e-5)
    assert flows.columns["stored_kwh"][-1] == pytest.approx(expected.stored, abs=1e-5)
    cost = made.night.cost_on_return if on_return else made.night.cost
    assert cost == round(expected.cost(document), 2)
    if not on_return:
        assert made.night.discharged_kwh == pytest.approx(expected.discharged, abs=1e-5)
        assert made.night.wear == pytest.approx(expected.wear, abs=0.0101)


def test_charge_only_never_discharges_and_costs_what_the_meter_says(plan: Plan, inputs: Inputs) -> None:
    """Its powers are the tool's own; energy and money that follow from them are added up again."""
    happened, evening = shaken(inputs), evening_of(plan)
    made = settle(evening, inputs, replace(inputs, load=happened.load, solar=happened.solar))
    flows, document = made.flows["charge-only"], json.loads(plan_text(plan))
    assert total(flows, "discharge_kwh") == 0
    ledger = Ledger(0.71 * BATTERY)
    back = datetime(2026, 3, 4, 17, 30, tzinfo=UTC)
    for number, (start, minutes) in enumerate(zip(flows.start, flows.minutes, strict=True)):
        at, hours = start.to_pydatetime(), minutes / 60
        kwh = {name: float(column[number]) for name, column in flows.columns.items()}
        if kwh["charge_kwh"] > 0:
            ledger.put(kwh["stored_kwh"] - ledger.stored)
        if at + timedelta(hours=hours) == back:
            ledger.take(31 * 0.165)
        ledger.bill(at, hours, (kwh["load_kwh"] - kwh["solar_kwh"] + kwh["charge_kwh"]) / hours)
    assert total(flows, "import_cost") - total(flows, "export_credit") == pytest.approx(ledger.grid, abs=1e-5)
    assert made.night.cost_charge_only == round(ledger.cost(document), 2)


def test_a_night_as_forecast_comes_to_what_the_plan_said(site: Path, plan: Plan, inputs: Inputs) -> None:
    """Where load and solar are those of the forecast, the settled night costs what the plan costs.

    But for 6 cents: in its last half-hour the plan sells what the charger's least power is over the draw, and a block
    that covers the building pauses there.
    """
    night = plan.night
    parts = np.rint(night.hours * 12).astype(int)
    fives = pd.date_range(night.boundaries[0], periods=int(parts.sum()), freq="5min").as_unit("s")
    load, solar = (Series(fives, np.repeat(kw, parts), 5) for kw in (night.load_kw, night.solar_kw))
    happened = replace(inputs, load=load, solar=solar)
    made = settle(evening_of(plan), inputs, happened)
    costs = plan.replayed.costs
    assert made.night.cost == pytest.approx(costs.cash + costs.wear - costs.stored_energy, abs=0.06)
    assert made.night.earned_on_return == pytest.approx(plan.saving, abs=0.1)
    assert made.night.load_kwh == pytest.approx(made.night.load_forecast_kwh)
    assert made.night.why.startswith("Load and solar came about as forecast; the night earned ")


def happened_as(inputs: Inputs, seed: int = 1) -> Inputs:
    """The site with what really came for series."""
    came = shaken(inputs, seed)
    return replace(inputs, load=came.load, solar=came.solar)


def test_a_replan_takes_over_when_it_begins(site: Path, plan: Plan, inputs: Inputs) -> None:
    """Until 21:00 the first plan is followed, then the other one, which leaves the car idle."""
    later = quick_plan(site, "2026-03-03T21:00", 55.0)
    idle = saved(later)
    nothing = [row.model_copy(update={"state": "idle", "charge_kw": 0.0, "discharge_kw": 0.0}) for row in idle.rows]
    idle = idle.model_copy(update={"rows": nothing, "blocks": []})
    first = evening_of(plan)
    evening = replace(first, plans=(*first.plans, idle))
    happened = happened_as(inputs)
    both, alone = settle(evening, inputs, happened), settle(first, inputs, happened)
    until = np.asarray(both.flows["plan"].start < pd.Timestamp("2026-03-03T21:00Z"))
    for name in ("charge_kwh", "discharge_kwh", "import_cost"):
        ours, theirs = both.flows["plan"].columns[name], alone.flows["plan"].columns[name]
        assert ours[until].sum() == pytest.approx(theirs[: until.sum()].sum())
    assert both.flows["plan"].columns["discharge_kwh"][until].sum() > 0
    assert both.flows["plan"].columns["charge_kwh"][~until].sum() == 0
    assert both.flows["plan"].columns["discharge_kwh"][~until].sum() == 0


def test_a_night_that_the_next_evening_cuts_ends_there_with_its_trip(plan: Plan, inputs: Inputs) -> None:
    """The next evening begins at 17:00, before the return: the drive's energy still is this night's."""
    whole, cut = evening_of(plan), evening_of(plan, end=datetime(2026, 3, 4, 17, tzinfo=UTC))
    made = settle(cut, inputs, happened_as(inputs)).flows["plan"]
    assert made.start[-1] + pd.Timedelta(minutes=int(made.minutes[-1])) == pd.Timestamp(cut.end)
    at_departure = made.columns["stored_kwh"][made.start < pd.Timestamp("2026-03-04T08:10Z")][-1]
    assert at_departure - made.columns["stored_kwh"][-1] == pytest.approx(31 * 0.165)
    assert settle(whole, inputs, happened_as(inputs)).night.departures == 1


def driven(km: float, used: float | None = None, degc: float | None = None, *, hour: int = 8) -> DrivenTrip:
    """A trip of the morning of 4 March, as it was driven."""
    depart = datetime(2026, 3, 4, hour, tzinfo=UTC)
    return DrivenTrip(Trip(depart, depart + timedelta(hours=3), km, "usual", used), degc)


def test_trips_are_those_that_were_driven_with_what_they_took(plan: Plan, inputs: Inputs) -> None:
    evening, happened = evening_of(plan), happened_as(inputs)
    further = settle(replace(evening, trips=(driven(90.0),)), inputs, happened)
    assert further.night.departures == 1
    assert "59 km more than planned" in further.night.why
    took = settle(replace(evening, trips=(driven(90.0, 40.0),)), inputs, happened).flows["charge-on-return"]
    before = took.columns["stored_kwh"][took.start < pd.Timestamp("2026-03-04T08:00Z")][-1]
    after = took.columns["stored_kwh"][took.start < pd.Timestamp("2026-03-04T11:00Z")][-1]
    assert before - after == pytest.approx(0.40 * BATTERY)


def test_a_departure_is_short_where_the_building_drew_so_much_that_the_target_was_not_reached(
    plan: Plan, inputs: Inputs
) -> None:
    """A building at its import limit all night leaves nothing to charge with."""
    happened = happened_as(inputs)
    heavy = replace(happened, load=replace(happened.load, kw=np.full(len(happened.load.kw), 13.9)))
    assert settle(replace(evening_of(plan), trips=(driven(180.0),)), inputs, happened).night.short == 0
    evening = replace(evening_of(plan), trips=(driven(180.0),))
    made = settle(evening, inputs, heavy).night
    assert (made.departures, made.short) == (1, 1)
    assert made.why.startswith("The car left ")
    assert "below its target at " in made.why
    assert made.on_the_way_cost > 0


def test_the_chance_is_that_which_the_last_plan_before_a_departure_told(plan: Plan, inputs: Inputs) -> None:
    evening, happened = evening_of(plan), happened_as(inputs)
    assert settle(evening, inputs, happened).night.chance_short is None
    (first,) = evening.plans
    told = first.model_copy(update={"trips": [first.trips[0].model_copy(update={"chance_short": 0.08})]})
    evening = replace(evening, plans=(told,))
    assert settle(evening, inputs, happened).night.chance_short == pytest.approx(0.08)
    nearly = replace(evening, trips=(driven(31.0, hour=9),))
    assert settle(nearly, inputs, happened).night.chance_short == pytest.approx(0.08)
    another = replace(evening, trips=(driven(31.0, hour=13),))
    assert settle(another, inputs, happened).night.chance_short is None


def test_wear_and_earnings_lie_in_their_ranges_over_the_wear_laws(plan: Plan, inputs: Inputs) -> None:
    for seed in range(3):
        night = settle(evening_of(plan), inputs, happened_as(inputs, seed)).night
        assert night.wear_low <= night.wear <= night.wear_high
        assert night.wear_low < night.wear_high
        assert night.earned_low <= round(night.earned_on_return, 2) + 0.011
        assert night.earned_high >= round(night.earned_on_return, 2) - 0.011
        parts = night.grid_cost + night.on_the_way_cost + night.wear - night.stored_energy
        assert night.cost == pytest.approx(parts, abs=1e-9)


def test_a_plan_that_does_not_say_what_energy_is_worth_is_refused(plan: Plan, inputs: Inputs) -> None:
    evening = evening_of(plan)
    silent = evening.plans[0].model_copy(update={"stored_energy_value": None, "stored_energy_price_per_kwh": None})
    with pytest.raises(InputFaults, match="does not say"):
        settle(replace(evening, plans=(silent,)), inputs, happened_as(inputs))
