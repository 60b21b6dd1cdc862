"""What a drive is assumed to take: weather and pace together, and what past drives took."""

from __future__ import annotations

import numpy as np
import pytest

from models.drive.consumption import FEWEST_DRIVES, drive_factor, extra_text, learned_from
from models.drive.factor import Factor
from models.drive.pace import pace_factor
from models.drive.weather import Weather, weather_factor


def test_weather_alone_and_pace_alone() -> None:
    """With one of the two known, the factor is its own."""
    weather = Weather(-10)
    found, wanted = drive_factor(weather, "usual"), weather_factor(weather)
    assert (found.middle, found.low, found.high) == pytest.approx((wanted.middle, wanted.low, wanted.high))
    assert drive_factor(None, "fast").middle == pytest.approx(pace_factor("fast").middle)


def test_heating_weighs_less_on_a_fast_drive() -> None:
    """At -9 °C and 112 km/h consumption was 1.33 of that in mild weather at the same speed (Consumer Reports 2023).

    Heating is kW: what it adds for each km is less where the drive is over sooner. So the middle is nearer to that
    figure than on a usual drive, and above it.
    """
    cold = Weather(-9)
    fast = drive_factor(cold, "fast").middle / pace_factor("fast").middle
    usual = drive_factor(cold, "usual").middle
    assert 1 / 0.75 - 0.02 < fast < usual


def test_heating_for_each_km_is_the_same_on_slow_drives() -> None:
    """A slow drive saves in driving, not in heating."""
    cold, bare = Weather(-10), Weather(-10, heats_cabin=False)
    slow, usual = (drive_factor(cold, pace).middle - drive_factor(bare, pace).middle for pace in ("slow", "usual"))
    assert slow == pytest.approx(usual)


def test_learned() -> None:
    """The median of drives, and a spread that holds about 90 % of those of a log-normal car."""
    random = np.random.default_rng(3)
    rates = 17 * np.exp(random.normal(0, 0.12, size=400))
    found = learned_from([50.0] * 400, list(rates / 2))
    assert found is not None
    assert found.kwh_per_100km == pytest.approx(17, rel=0.02)
    inside = (rates > found.kwh_per_100km * found.spread.low) & (rates < found.kwh_per_100km * found.spread.high)
    assert 0.86 < inside.mean() < 0.94


def test_too_few_drives() -> None:
    """Seven drives say nothing, nor do short ones or such as took nothing."""
    few = FEWEST_DRIVES - 1
    assert learned_from([50.0] * few, [9.0] * few) is None
    assert learned_from([50.0] * few + [3.0], [9.0] * few + [0.6]) is None
    assert learned_from([50.0] * few + [50.0], [9.0] * few + [0.0]) is None
    assert learned_from([50.0] * (few + 1), [9.0] * (few + 1)) is not None


def test_words() -> None:
    """More and less are told apart, on both sides of the usual."""
    assert extra_text(Factor(1.26, 0.99, 1.46)) == "26 % more than usual (1 % less to 46 % more)"
