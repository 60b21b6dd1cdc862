"""What a period keeps by looking past each night: nearly all that the whole of it at once could keep, and no hoard."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from functools import cache

import numpy as np
import pytest

from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.optimizer import look_ahead
from scheduler.rolling.full_horizon import FullHorizon, full_horizon
from scheduler.rolling.run import RolledRun, roll
from scheduler.rolling.simulate import Policy, rolled_nights
from tests.builders.places import SCENARIOS

FIRST = date(2026, 1, 12)
LAST, FORTNIGHT = FIRST + timedelta(days=9), FIRST + timedelta(days=13)
SOC_PERCENT = 60.0
GAP_KWH = 0.01
"""What a night's gap and its choice among equally cheap plans may cost, at the highest price [kWh]."""


@cache
def by_law(law: str) -> Inputs:
    """The bookbindery with a wear law, calendar ageing by the same law where it has one."""
    inputs = read_inputs(SCENARIOS / "bookbindery")
    calendar = law if law in ("stress", "nmc") else None
    return replace(inputs, site=replace(inputs.site, wear=replace(inputs.site.wear, law=law, calendar_law=calendar)))


@cache
def whole_of(law: str) -> FullHorizon:
    """The ten days at once."""
    return full_horizon(by_law(law), FIRST, LAST, SOC_PERCENT)


def total(law: str, policy: Policy) -> float:
    """What the ten days cost, a night at a time [money]."""
    inputs = by_law(law)
    flows = roll(RolledRun(policy, inputs, FIRST, LAST, SOC_PERCENT, "recorded", policy))
    return whole_of(law).total(flows, inputs, FIRST, LAST)


@cache
def only_charged(law: str) -> float:
    """What the ten days cost without discharging [money]."""
    return total(law, "charge-only")


@pytest.mark.parametrize("law", ["flat", "depth", "stress", "nmc"])
def test_ten_days_keep_nearly_all_that_the_whole_of_them_could(law: str) -> None:
    """With perfect forecasts, at least 97 % of the full-horizon value, less what its bound's gap hides."""
    whole, only, plan = whole_of(law), only_charged(law), total(law, "plan")
    assert plan >= whole.bound - 1e-6
    assert only - plan >= 0.97 * (only - whole.bound) - whole.gap


def test_a_night_that_looks_no_further_keeps_far_less(monkeypatch: pytest.MonkeyPatch) -> None:
    """The price that a refill costs, which each night counted before, leaves more than a third on the table."""
    whole, only = whole_of("stress"), only_charged("stress")
    monkeypatch.setattr("scheduler.rolling.simulate.with_look_ahead", lambda inputs, asked, night, *rest: night)
    assert only - total("stress", "plan") < 0.66 * (only - whole.bound)


def test_a_day_more_of_looking_ahead_never_costs_more_than_the_gaps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Over a fortnight, by one, two and three days."""
    inputs = by_law("stress")
    found = []
    for days in (1, 2, 3):
        monkeypatch.setattr(look_ahead, "LOOK_AHEAD", timedelta(days=days))
        nights = list(rolled_nights(inputs, FIRST, FORTNIGHT, SOC_PERCENT, "recorded"))
        paid = sum(night.replayed.costs.total + night.replayed.costs.stored_energy for night in nights)
        left = nights[-1].planned.stored_energy.worth(float(nights[-1].replayed.stored_kwh[-1]))
        found.append(paid - left)
    within = len(nights) * GAP_KWH * nights[0].real.highest_price
    assert found[1] <= found[0] + within
    assert found[2] <= found[1] + within


@pytest.mark.parametrize("site", ["bookbindery", "boatyard", "veterinary"])
def test_a_week_neither_drains_nor_hoards(site: str) -> None:
    """With typical forecasts, after three days, the car is put back on most nights, and has room on most."""
    inputs = read_inputs(SCENARIOS / site)
    car = inputs.site.car
    nights = list(rolled_nights(inputs, FIRST, LAST, SOC_PERCENT, "typical"))[-7:]
    highest, lowest = (
        [car.percent(float(of(night.replayed.stored_kwh))) for night in nights] for of in (np.max, np.min)
    )
    middle = (car.floor_percent + car.ceiling_percent) / 2
    assert sum(most > middle for most in highest) >= 4
    assert sum(least < car.ceiling_percent - 5 for least in lowest) >= 4
