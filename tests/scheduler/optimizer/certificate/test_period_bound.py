"""The bound of a whole period, held against the independent statement of the same program."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.nights.night import Night
from scheduler.optimizer.certificate.period_bound import Period, bound_period, least_wear
from scheduler.plans.replay import replay
from tests.builders.nights import Drive, flat_night
from tests.builders.random_nights import random_night
from tests.oracles.independent_matrix import independent_optimum

NEAR_KWH = 0.003
"""What the plan of the independent program may cost more than its optimum, in kWh at the highest price."""


def _period(night: Night) -> Period:
    """A period of one night."""
    return Period(
        night, np.array([0]), night.wear.price_per_kwh[None, :], (night.calendar,), night.car.discharge_limit_kwh
    )


@pytest.mark.seeds(range(0, 24, 2), range(24))
def test_the_bound_is_under_the_optimum_and_the_plan_over_it(seed: int) -> None:
    """Bound <= independent optimum <= plan, with nothing between but the gap that is told."""
    night = replace(random_night(seed), wear_weight=1.0)
    best = independent_optimum(night)
    found = bound_period(_period(night))
    near = NEAR_KWH * max(night.highest_price, 1e-3)
    assert found.bound <= best.money + near
    done = replay(night, found.setpoints)
    assert done.missing_kwh.sum() <= best.missing_at_departure + 1e-4
    assert done.costs.total >= best.money_bound - near
    if found.part_bound is not None:
        assert found.part_bound <= found.bound + 1e-9


def test_three_days_are_closed() -> None:
    """Three plain days with a drive each: what is left between bound and plan is a small share of the value."""
    day_price = [0.12] * 7 + [0.30] * 10 + [0.42] * 5 + [0.12] * 2
    trips = [Drive(depart=24 * day + 8, comeback=24 * day + 17, distance_km=60) for day in range(3)]
    night = flat_night(
        72,
        import_price=day_price * 3,
        export_price=[0.05] * 72,
        load_kw=[0.5] * 17 + [2.0] * 5 + [0.5] * 50,
        trips=trips,
    )
    best, only = independent_optimum(night), independent_optimum(night, may_discharge=False)
    found = bound_period(_period(night))
    total = replay(night, found.setpoints).costs.total
    value = only.money - best.money
    assert value > 0.5
    assert found.bound <= best.money + 1e-6
    assert best.money - 1e-6 <= total <= best.money + 0.02 * value
    assert best.money - found.bound <= 0.02 * value
    charged = bound_period(_period(night), may_discharge=False)
    assert charged.bound <= only.money + 1e-6
    assert only.money - charged.bound <= 0.02 * value


@pytest.mark.parametrize("seed", [3, 8, 14, 23])
def test_wear_prices_of_each_night_count(seed: int) -> None:
    """With a dearer second night the bound lies between those of both nights at either price."""
    night = replace(random_night(seed), wear_weight=1.0)
    price = night.wear.price_per_kwh
    half = night.intervals // 2

    def bound(first: float, second: float) -> float:
        prices = np.stack([first * price, second * price])
        period = Period(night, np.array([0, half]), prices, (night.calendar,) * 2, night.car.discharge_limit_kwh)
        return bound_period(replace(period, discharge_limit_kwh=None)).bound

    low, mixed, high = bound(1.0, 1.0), bound(1.0, 1.5), bound(1.5, 1.5)
    slack = 0.05 * night.highest_price
    assert low - slack <= mixed <= high + slack


def test_least_wear_of_a_segment_is_that_of_its_levels() -> None:
    """A price that rises once: the segment is full while energy is dear, and empties at its wear price."""
    night = flat_night(3, wear_price_per_kwh=0.10, soc_percent=50)
    period = _period(night)
    price = np.array([0.0, 0.0, 0.30, 0.0])
    # 50 kWh kept at boundary 2 earn 0.30 each; the fall afterwards costs 0.10 each only if the end is to be empty
    assert least_wear(period, price, 1.0) == pytest.approx(-0.30 * 50)
    assert least_wear(period, -price, 1.0) == pytest.approx(min(0.10 * 25, 0.30 * 25))
