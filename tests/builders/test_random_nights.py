"""The random nights really are varied: each feature of the site file occurs often."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest

from scheduler.nights.night import Night
from tests.builders.random_nights import SOME_SEEDS, random_night, small_night

FEATURES: dict[str, Callable[[Night], bool]] = {
    "interval of an odd length": lambda night: bool((night.hours * 4 % 1 != 0).any()),
    "hourly": lambda night: night.hours.max() == 1.0,
    "quarter-hourly": lambda night: night.hours.max() == 0.25,
    "import price below zero": lambda night: night.import_price.min() < 0,
    "export price below zero": lambda night: night.export_price.min() < 0,
    "export above import": lambda night: bool((night.export_price > night.import_price).any()),
    "no export": lambda night: night.connection.export_limit_kw == 0,
    "building over its limit": lambda night: bool(
        (night.load_kw - night.solar_kw > night.connection.import_limit_kw).any()
    ),
    "more solar than can be exported": lambda night: bool(_spare_kw(night).max() > 0),
    "unlimited solar, spare at a price below zero": lambda night: bool(
        not night.solar_can_be_limited
        and ((_spare_kw(night) > 0) & (np.minimum(night.import_price, night.export_price) < 0)).any()
    ),
    "solar can be limited": lambda night: night.solar_can_be_limited,
    "building only": lambda night: night.charger.discharge_to == "building",
    "no least charging power": lambda night: night.charger.charge_min_kw == 0,
    "least discharging power": lambda night: night.charger.discharge_min_kw > 0,
    "fixed loss": lambda night: night.charger.fixed_loss_kw > 0,
    "no fixed loss": lambda night: night.charger.fixed_loss_kw == 0,
    "below the floor": lambda night: night.stored_now_kwh < night.car.floor_kwh,
    "above the ceiling": lambda night: night.stored_now_kwh > night.car.ceiling_kwh,
    "no trip": lambda night: not night.trips,
    "several trips": lambda night: len(night.trips) > 1,
    "0 km": lambda night: any(trip.trip.distance_km == 0 for trip in night.trips),
    "beyond the battery": lambda night: any(trip.energy_kwh > night.car.battery_kwh for trip in night.trips),
    "target over the ceiling": lambda night: any(trip.target_kwh > night.car.ceiling_kwh for trip in night.trips),
    "too early for the target": lambda night: any(
        trip.target_kwh - night.stored_now_kwh > night.charger.charge_max_kw * night.hours[: trip.depart].sum()
        for trip in night.trips[:1]
    ),
    "home later": lambda night: bool(not night.at_home[0] and all(trip.depart > 0 for trip in night.trips)),
    "discharge limit": lambda night: (night.car.discharge_limit_kwh or 0) > 0,
    "no discharge allowed": lambda night: night.car.discharge_limit_kwh == 0,
    "emptied segments": lambda night: bool(
        night.initial_fill_kwh[0] < min(night.wear.size_kwh[0], night.stored_now_kwh) - 1e-9
    ),
    "wear not counted": lambda night: night.wear_weight == 0,
    "wear counted five times": lambda night: night.wear_weight == 5,
    "one wear price": lambda night: len(night.wear.size_kwh) == 1,
    "ageing by time": lambda night: night.calendar is not None and night.wear_weight > 0,
    "starts for nothing": lambda night: night.charger.start_worth_kwh == 0,
    "outside the window for nothing": lambda night: night.car.outside_window_factor == 0,
    "23 or 25 hour day": lambda night: len(set(night.boundaries.tz_convert(night.timezone).map(_offset))) > 1,
}


def _offset(instant: pd.Timestamp) -> object:
    return instant.utcoffset()


def _spare_kw(night: Night) -> np.ndarray:
    return night.solar_kw - night.load_kw - night.connection.export_limit_kw


@pytest.fixture(scope="module")
def nights() -> list[Night]:
    return [random_night(seed) for seed in SOME_SEEDS]


@pytest.mark.parametrize("feature", FEATURES)
def test_every_feature_occurs(nights: list[Night], feature: str) -> None:
    """Each feature that a law of the program answers to occurs in at least 8 of the nights that are solved."""
    count = sum(bool(FEATURES[feature](night)) for night in nights)
    assert count >= 8
    assert count < len(nights)


def test_nights_are_whole(nights: list[Night]) -> None:
    """Arrays, boundaries and trips of every random night fit together, in time order."""
    for night in nights:
        n = night.intervals
        powers_and_prices = (night.load_kw, night.solar_kw, night.import_price, night.export_price)
        assert {len(part) for part in powers_and_prices} == {n}
        assert night.hours.min() > 0
        assert np.isclose(night.initial_fill_kwh.sum(), night.stored_now_kwh)
        earlier = 0
        for trip in night.trips:
            assert earlier <= trip.ready <= trip.depart < trip.comeback <= n
            assert not night.at_home[trip.depart : trip.comeback].any()
            assert night.boundaries[trip.depart] == trip.trip.depart_at
            assert night.boundaries[trip.comeback] == trip.trip.return_at
            earlier = trip.comeback


def test_a_seed_gives_one_night() -> None:
    """The same seed gives the same night again, and small nights have 4 to 6 intervals."""
    for seed in range(5):
        assert np.array_equal(random_night(seed).load_kw, random_night(seed).load_kw)
        assert random_night(seed).boundaries.equals(random_night(seed).boundaries)
        assert 4 <= small_night(seed).intervals <= 6
