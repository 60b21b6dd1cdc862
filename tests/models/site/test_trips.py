"""Trips: what a drive takes, against published consumption figures and its own limits."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.drive.pace import KM_PER_MILE
from models.site.trips import departure_target_kwh, on_the_way_kwh, trip_energy_kwh
from tests.builders.records import CAR

AT_THE_WALL_PER_100_MILES = 30.0
"""A 40 kWh compact hatchback [kWh per 100 miles], EPA label (from memory)."""
RANGE_LEFT_AT_MINUS_7 = 0.61
RANGE_LEFT_AT_35 = 0.83
"""AAA 2019, cabin heated at -7 °C (20 °F) loses 39 %, cooled at 35 °C (95 °F) loses 17 % (from memory)."""

distances = st.floats(0, 1000)
stored = st.floats(0, 52)


def test_mile() -> None:
    """A mile is 1.609344 km exactly (NIST Special Publication 811, appendix B.8)."""
    assert KM_PER_MILE == 1.609344


def test_published_label() -> None:
    """With the label's consumption and a wall-to-battery efficiency of 88 %, 40 kWh drives 240 to 260 km.

    The label range of that car is 149 to 151 miles (EPA label, from memory): 240 to 243 km.
    """
    per_100_km = AT_THE_WALL_PER_100_MILES * 0.88 / KM_PER_MILE
    car = dataclasses.replace(CAR, battery_kwh=40.0, consumption_kwh_per_100km=per_100_km)
    assert trip_energy_kwh(car, 100 * KM_PER_MILE) == pytest.approx(0.88 * AT_THE_WALL_PER_100_MILES)
    range_km = 40.0 / trip_energy_kwh(car, 1.0)
    assert 240 <= range_km <= 260


@pytest.mark.parametrize("left", [RANGE_LEFT_AT_MINUS_7, RANGE_LEFT_AT_35])
def test_published_weather(left: float) -> None:
    """A margin of 1/0.61 - 1 covers AAA's cold drive and 1/0.83 - 1 its hot one, the reserve untouched."""
    car = dataclasses.replace(CAR, trip_margin_percent=100 * (1 / left - 1))
    worst = trip_energy_kwh(car, 60) / left
    assert departure_target_kwh(car, 60) - worst == pytest.approx(car.return_reserve_kwh)


def test_default_margin_is_short_of_a_freezing_drive() -> None:
    """With 10 % of margin a 100 km drive at AAA's -7 °C eats into the return reserve, but not beyond it."""
    left = departure_target_kwh(CAR, 100) - trip_energy_kwh(CAR, 100) / RANGE_LEFT_AT_MINUS_7
    assert 0 < left < CAR.return_reserve_kwh


def test_by_hand() -> None:
    """96 km at 16.5 kWh per 100 km take 15.84 kWh; with 10 % and a reserve of 10.4 they ask for 27.824."""
    assert trip_energy_kwh(CAR, 96) == pytest.approx(15.84)
    assert departure_target_kwh(CAR, 96) == pytest.approx(15.84 * 1.1 + 10.4)
    assert on_the_way_kwh(CAR, 96, 20.0) == pytest.approx(15.84 + 10.4 - 20.0)


@given(distances, stored)
def test_comes_home_with_the_reserve(distance: float, leaving: float) -> None:
    """What is charged on the way brings a drive home with its reserve and no more than needed."""
    extra = on_the_way_kwh(CAR, distance, leaving)
    home_with = leaving + extra - trip_energy_kwh(CAR, distance)
    if distance > 0:
        assert home_with >= CAR.return_reserve_kwh - 1e-9
    if extra > 0:
        assert home_with == pytest.approx(CAR.return_reserve_kwh)


@given(stored)
def test_unplugged_never_charges_on_the_way(leaving: float) -> None:
    """A trip of 0 km charges nothing on the way, however little is on board, and asks for the reserve."""
    assert on_the_way_kwh(CAR, 0, leaving) == 0
    assert departure_target_kwh(CAR, 0) == CAR.return_reserve_kwh


@given(distances)
def test_target_never_exceeds_the_battery(distance: float) -> None:
    """The departure target is at most the whole battery and covers the drive whenever the battery can."""
    target = departure_target_kwh(CAR, distance)
    assert target <= CAR.battery_kwh
    assert target >= min(CAR.battery_kwh, trip_energy_kwh(CAR, distance) + CAR.return_reserve_kwh)
