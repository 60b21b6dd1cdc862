"""Many days carried out at once, against follow_settings and replay for each of them, on random nights and settings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from models.tariff.demand import DemandMonth
from models.tariff.tiers import PriceTier, Side
from scheduler.nights.night import Night
from scheduler.nights.stored_energy import SegmentValue
from scheduler.plans.dispatch import Settings, follow_settings
from scheduler.plans.many_days import carry_out
from scheduler.plans.replay import replay
from tests.builders.random_nights import random_night

ROWS = 5


def night_of(seed: int) -> Night:
    """A random night, at times with tiers, a demand charge, charging from the grid forbidden, a worth by segment, or
    priced emissions."""
    random, night = np.random.default_rng([seed, 8]), random_night(seed)
    if seed % 3 == 0:
        night = replace(night, no_grid_charging=random.random(night.intervals) < 0.3)
    if seed % 4 == 1:
        slopes = random.uniform(0, 0.3, (3, len(night.wear.size_kwh)))
        night = replace(night, segment_value=SegmentValue(random.uniform(0, 1, 3), slopes))
    if seed % 5 == 2:
        grams = random.uniform(100, 500, night.intervals)
        night = replace(night, grid_g_per_kwh=grams, emissions_price=1e-4)
    if seed % 5 in (0, 3):
        night = replace(night, tiers=(random_tier(random, night, "import"), random_tier(random, night, "export")))
    if seed % 5 == 4:
        mean_of = np.arange(night.intervals) // 2
        night = replace(night, demand=(DemandMonth(mean_of, 0.3, so_far_kw=2.0),))
    return night


def random_tier(random: np.random.Generator, night: Night, side: Side) -> PriceTier:
    """The first 5 kWh at another price, in some of the intervals."""
    holds = random.random(night.intervals) < 0.7
    return PriceTier(side, 0, holds, 5.0, np.where(holds, random.uniform(-0.1, 0.1), 0.0))


def random_settings(random: np.random.Generator, night: Night) -> Settings:
    """Settings of each row and interval: any direction, power and end, at times two that exclude each other."""
    shape, charger = (ROWS, night.intervals), night.charger

    def some(most: float, share: float) -> np.ndarray:
        return np.where(random.random(shape) < share, random.uniform(0, most, shape), 0.0)

    direction = random.integers(3, size=shape)
    until_kwh = np.where(random.random(shape) < 0.5, random.uniform(0, night.car.battery_kwh, shape), np.inf)
    return Settings(
        charging=direction == 1,
        discharging=direction == 2,
        charge_kw=some(1.2 * charger.charge_max_kw, 0.8),
        discharge_kw=some(1.2 * charger.discharge_max_kw, 0.8),
        cover_kw=some(charger.discharge_max_kw, 0.3),
        cover_from_kw=random.uniform(0, charger.discharge_min_kw + 0.1, shape),
        surplus_kw=some(charger.charge_max_kw, 0.3),
        surplus_from_kw=random.uniform(0, charger.charge_min_kw + 0.1, shape),
        stop_kwh=some(night.car.battery_kwh, 0.5),
        until_kwh=until_kwh,
    )


def row_of(settings: Settings, row: int) -> Settings:
    """The settings of one row."""
    return Settings(*(getattr(settings, name)[row] for name in Settings.__slots__))


@pytest.mark.parametrize("seed", range(40))
def test_each_row_is_what_follow_settings_and_replay_give(seed: int) -> None:
    random, night = np.random.default_rng([seed, 9]), night_of(seed)
    settings, shape = random_settings(random, night), (ROWS, night.intervals)
    load, solar = random.uniform(0, 6, shape), random.uniform(0, 8, shape) * (random.random(shape) < 0.6)
    more = random.uniform(-0.1, 0.1, shape) if seed % 2 else np.zeros(shape)
    prices = (night.import_price + more, night.export_price + more / 2)
    found = carry_out(night, settings, load, solar, prices if seed % 2 else None)
    for row in range(ROWS):
        real = replace(
            night, load_kw=load[row], solar_kw=solar[row], import_price=prices[0][row], export_price=prices[1][row]
        )
        expected = replay(real, follow_settings(real, row_of(settings, row)))
        assert found.total[row] == pytest.approx(expected.costs.total)
        assert found.cash[row] == pytest.approx(expected.costs.cash)
        assert found.departure_kwh[row] == pytest.approx(
            np.array([expected.stored_kwh[trip.depart] for trip in night.trips])
        )
        assert found.missing_kwh[row] == pytest.approx(expected.missing_kwh)
        assert found.missing_when_ready_kwh[row] == pytest.approx(expected.missing_when_ready_kwh)


def test_the_random_nights_hold_what_matters() -> None:
    """Tiers, demand charges, a discharge limit, calendar ageing, solar that can be limited, trips: some have each."""
    nights = [night_of(seed) for seed in range(40)]
    for holds in (
        lambda night: bool(night.tiers),
        lambda night: bool(night.demand),
        lambda night: night.car.discharge_limit_kwh is not None,
        lambda night: night.calendar is not None,
        lambda night: night.solar_can_be_limited and night.prices_depend_on_amounts,
        lambda night: night.no_grid_charging is not None,
        lambda night: len(night.trips) > 1,
        lambda night: night.segment_value is not None,
        lambda night: night.emissions_price > 0,
    ):
        assert sum(map(holds, nights)) >= 2, holds
