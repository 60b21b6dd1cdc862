"""The full-horizon bound against every rolled policy, and against the independent program over whole days."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import cache
from pathlib import Path

import pytest

from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.request import ForecastKind
from scheduler.rolling.flows import RolledFlows, rolled_bill
from scheduler.rolling.full_horizon import FullHorizon, FullHorizonRun, full_horizon, period_of
from scheduler.rolling.run import RolledRun, roll
from scheduler.rolling.simulate import Policy
from scheduler.textio.errors import InputFaults
from tests.builders.places import SCENARIOS
from tests.oracles.independent_matrix import independent_optimum

CASES = {
    "bookbindery": ("evening-feed-in", date(2026, 1, 12), 4),
    "bookbindery market": ("market-hour", date(2026, 2, 2), 3),
    "bookbindery demand": ("low-draw", date(2026, 2, 27), 4),
    "boatyard": ("noon-and-evening", date(2026, 1, 30), 3),
    "boatyard tiers": ("slack-water", date(2026, 2, 2), 2),
    "veterinary": ("three-prices", date(2026, 1, 5), 3),
    "veterinary tiers": ("stair", date(2026, 1, 30), 3),
}
"""Offer, first day and number of days; a month ends in some, and a trip is under way at the end of one."""
POLICIES: tuple[tuple[ForecastKind, Policy], ...] = (
    ("recorded", "plan"),
    ("typical", "plan"),
    ("recorded", "charge-only"),
    ("typical", "charge-only"),
    ("recorded", "charge-on-return"),
)
MONEY = 1e-4


@cache
def _case(name: str) -> tuple[Inputs, date, date]:
    """The inputs of a case, with its first and last day."""
    offer, first, days = CASES[name]
    folder = SCENARIOS / name.split()[0]
    return read_inputs(folder, folder / "offers" / f"{offer}.toml"), first, first + timedelta(days=days - 1)


@cache
def _rolled(name: str, forecast: ForecastKind, policy: Policy) -> RolledFlows:
    inputs, first, last = _case(name)
    return roll(RolledRun(name, inputs, first, last, inputs.site.car.ceiling_percent, forecast, policy))


@cache
def _whole(name: str) -> FullHorizon:
    """The full horizon of a case."""
    inputs, first, last = _case(name)
    return full_horizon(inputs, first, last, inputs.site.car.ceiling_percent)


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize(("forecast", "policy"), POLICIES)
def test_no_rolled_policy_undercuts_the_bound(name: str, forecast: ForecastKind, policy: Policy) -> None:
    """Whatever is known each evening, and however the car is used; where it stops early, by the bound for that."""
    inputs, first, last = _case(name)
    whole, flows = _whole(name), _rolled(name, forecast, policy)
    total = whole.total(flows, inputs, first, last)
    stops_early = forecast == "typical" or policy == "charge-on-return"
    bound = whole.part_bound if stops_early and whole.part_bound is not None else whole.bound
    assert total >= bound - MONEY


@pytest.mark.parametrize("name", CASES)
def test_the_plan_is_a_real_one(name: str) -> None:
    """It misses no departure, and its total, from its meter, lies above the bound by the gap told."""
    inputs, first, last = _case(name)
    whole = _whole(name)
    total = whole.total(whole.flows, inputs, first, last)
    assert total - whole.bound == pytest.approx(whole.gap, abs=1e-9)
    assert whole.flows.missed_departures == 0
    assert whole.part_bound is None or whole.part_bound <= whole.bound
    assert (whole.part_bound is None) == whole.relaxed
    if not whole.relaxed:
        only = whole.total(_rolled(name, "recorded", "charge-only"), inputs, first, last)
        assert whole.gap <= 0.05 * (only - whole.bound)


@pytest.mark.parametrize("name", ["bookbindery", "bookbindery market"])
def test_two_days_against_the_independent_program(name: str) -> None:
    """Bound <= optimum of the independent statement of the same days <= plan."""
    inputs, first, _ = _case(name)
    soc, last = inputs.site.car.ceiling_percent, first + timedelta(days=1)
    night = period_of(inputs, first, last, soc).night
    whole = full_horizon(inputs, first, last, soc)
    fees = rolled_bill(_without_energy(whole.flows), inputs, first, last).total
    best = independent_optimum(night)
    assert whole.bound <= best.money + fees + MONEY
    total = whole.total(whole.flows, inputs, first, last)
    assert total >= best.money_bound + fees - MONEY
    only = independent_optimum(night, may_discharge=False)
    assert best.money - (whole.bound - fees) <= 0.03 * (only.money - best.money)


def _without_energy(flows: RolledFlows) -> RolledFlows:
    """The same time with nothing at the meter: what is billed then are the fees."""
    return replace(flows, energy={name: 0.0 * column for name, column in flows.energy.items()})


def test_a_trip_under_way_at_the_end_takes_nothing() -> None:
    """The Sunday trip of the boatyard comes home after midnight: its energy belongs to the next day."""
    inputs = read_inputs(SCENARIOS / "boatyard")
    day = date(2026, 1, 11)
    night = period_of(inputs, day, day, 80.0).night
    local = night.boundaries[-1].tz_convert(night.timezone)
    assert (local.hour, local.minute, local.date()) == (0, 0, day + timedelta(days=1))
    assert night.trips[-1].comeback == night.intervals
    assert night.trips[-1].energy_kwh == 0.0
    assert not night.at_home[-1]


def test_only_charging_keeps_no_share() -> None:
    """The bound without discharging is that of only charging: nothing of the value is in it."""
    inputs, first, last = _case("bookbindery")
    soc = inputs.site.car.ceiling_percent
    only = full_horizon(inputs, first, last, soc, may_discharge=False)
    assert only.flows.energy["discharge_kwh"].sum() == 0.0
    assert only.bound >= _whole("bookbindery").bound - MONEY
    rolled = only.total(_rolled("bookbindery", "recorded", "charge-only"), inputs, first, last)
    assert rolled >= only.bound - MONEY


def test_a_result_is_kept_and_found_again(tmp_path: Path) -> None:
    """Saved under its key, and not under another."""
    inputs, first, last = _case("bookbindery")
    run = FullHorizonRun("a day", inputs, first, first, 80.0)
    nights: list[None] = []
    found = run.do(lambda: nights.append(None))
    assert len(nights) == run.nights
    file = tmp_path / "a.npz"
    run.save(found, run.key(), file)
    again = run.load(run.key(), file)
    assert again is not None
    assert (again.bound, again.gap, again.part_bound, again.relaxed) == (
        found.bound,
        found.gap,
        found.part_bound,
        found.relaxed,
    )
    assert replace(run, last=last).key() != run.key()
    assert run.load(replace(run, soc_percent=50.0).key(), file) is None


def test_a_period_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """With its number of intervals and what is expected."""
    inputs, first, last = _case("bookbindery")
    monkeypatch.setattr("scheduler.rolling.full_horizon.MOST_PERIOD_INTERVALS", 50)
    with pytest.raises(InputFaults, match="expected up to 50 for its full-horizon bound"):
        period_of(inputs, first, last, 80.0)
