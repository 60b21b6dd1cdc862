"""Load and solar of the night: typical or recorded, how sunny, and what is said where the series is short."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal

import numpy as np
import pandas as pd
import pytest

from models.base.arrays import FloatArray
from models.site.series import Series
from scheduler.nights.forecast import forecast_load, forecast_solar
from scheduler.textio.errors import InputFaults

DUBLIN = "Europe/Dublin"
LOAD, SOLAR = Path("load.csv"), Path("solar.csv")
# Monday 30 March 2026, the first evening of summer time: the 28 days before lie in winter time but for one
NOW = pd.Timestamp("2026-03-30T18:00", tz=DUBLIN)
SHORT = "has fewer than 7"


def series(begins: str, ends: str, kw: Callable[[pd.DatetimeIndex], FloatArray], step_minutes: int = 60) -> Series:
    """A series between two local times of a power that depends on the local clock."""
    start = pd.date_range(begins, ends, freq=f"{step_minutes}min", inclusive="left", tz=DUBLIN).tz_convert("UTC")
    return Series(start, np.asarray(kw(start.tz_convert(DUBLIN)), dtype=np.float64), step_minutes)


def hour_of_day(wall: pd.DatetimeIndex) -> FloatArray:
    """The hour on the wall clock, 100 kW more at the weekend."""
    return np.asarray(wall.hour + 100 * (wall.day_of_week >= 5), dtype=np.float64)


def boundaries(begins: str, *hours: float) -> pd.DatetimeIndex:
    return pd.Timestamp(begins, tz=DUBLIN).tz_convert("UTC") + pd.to_timedelta([0.0, *np.cumsum(hours)], unit="h")


def load(of: Series, between: pd.DatetimeIndex, kind: Literal["typical", "recorded"] = "typical") -> list[float]:
    """The forecast load, which must come without a warning."""
    kw, warnings = forecast_load(of, LOAD, kind, between, NOW, DUBLIN)
    assert warnings == []
    return kw.tolist()


def solar(of: Series, between: pd.DatetimeIndex, sun: Literal["low", "typical", "high"]) -> list[float]:
    """The typical solar, which must come without a warning."""
    kw, warnings = forecast_solar(of, SOLAR, "typical", sun, between, NOW, DUBLIN)
    assert warnings == []
    return kw.tolist()


def faults(read: Callable[[], object]) -> str:
    with pytest.raises(InputFaults) as caught:
        read()
    return str(caught.value)


def test_a_typical_load_follows_the_wall_clock() -> None:
    """What the clock showed in winter time is expected at the same clock time in summer time."""
    usual = series("2026-03-02", "2026-03-30T18:00", hour_of_day)
    assert load(usual, boundaries("2026-03-30T18:00", 1, 1, 1)) == [18.0, 19.0, 20.0]


def test_intervals_that_are_no_hours_get_energy_true_means() -> None:
    """From 18:20 to 19:10 are 40 minutes of 18 kW and 10 of 19 kW: 18.2 kW."""
    usual = series("2026-03-02", "2026-03-30T18:00", hour_of_day)
    between = pd.DatetimeIndex([pd.Timestamp(f"2026-03-30T{clock}", tz=DUBLIN) for clock in ("18:20", "19:10")])
    assert load(usual, between) == pytest.approx([18.2])


def test_weekdays_and_weekends_have_loads_of_their_own() -> None:
    """Over midnight from Friday to Saturday the weekend's load sets in."""
    usual = series("2026-03-02", "2026-03-30T18:00", hour_of_day)
    assert load(usual, boundaries("2026-04-03T23:00", 1, 1)) == [23.0, 100.0]


def test_a_typical_load_knows_nothing_of_what_comes_after_now() -> None:
    """A series that goes on after now, with another load, changes no typical forecast."""
    usual = series("2026-03-02", "2026-04-10", lambda wall: np.where(wall >= NOW, 50.0, 2.0))
    assert load(usual, boundaries("2026-03-30T18:00", 1, 1)) == [2.0, 2.0]


def test_a_typical_load_forgets_what_is_older_than_28_days() -> None:
    """Days before 2 March, 18:00 do not count on 30 March, 18:00."""
    # 28 days of 24 hours before NOW are 2 March, 17:00 winter time
    border = pd.Timestamp("2026-03-02T17:00", tz=DUBLIN)
    usual = series("2026-01-01", "2026-03-30T18:00", lambda wall: np.where(wall < border, 50.0, 2.0))
    assert load(usual, boundaries("2026-03-30T18:00", *[1.0] * 24)) == [2.0] * 24


def test_recorded_load_is_the_series_at_those_very_times() -> None:
    """Studies see the future: a recorded forecast is what the meter will have read."""
    usual = series("2026-03-02", "2026-04-10", lambda wall: np.where(wall >= NOW, 50.0, 2.0))
    assert load(usual, boundaries("2026-03-30T17:00", 1, 1), "recorded") == [2.0, 50.0]


def test_recorded_solar_ignores_how_sunny_it_is_said_to_be() -> None:
    """`--solar low` is about typical forecasts; a recorded one stays the record."""
    usual = series("2026-03-02", "2026-04-10", hour_of_day)
    kw, warnings = forecast_solar(usual, SOLAR, "recorded", "low", boundaries("2026-03-30T12:00", 1), NOW, DUBLIN)
    assert (kw.tolist(), warnings) == ([12.0], [])


def test_solar_can_be_low_typical_or_high() -> None:
    """Noons of 0 to 27 kW, rising: 20th percentile 5.4, 80th 21.6, and a mean in which a week ago counts half.

    Of 28 values in order, the 20th percentile is value number 0.2 × 27 = 5.4, counted from 0, and each is its number.
    """
    first = pd.Timestamp("2026-03-02", tz=DUBLIN)
    usual = series(
        "2026-03-02T18:00",
        "2026-03-30T18:00",
        lambda wall: np.where(wall.hour == 12, (wall.normalize() - first).round("D").days - 1, 0.0),
    )
    noon = boundaries("2026-03-31T12:00", 1)
    found = [solar(usual, noon, sun)[0] for sun in ("low", "typical", "high")]
    weights = [0.5 ** ((27 - day) / 7) for day in range(28)]
    mean = sum(weight * day for day, weight in enumerate(weights)) / sum(weights)
    assert 13.5 < mean < 21.6
    assert found == pytest.approx([5.4, mean, 21.6])


def test_solar_is_read_from_all_days_alike() -> None:
    """The sun knows no weekend: 5 weekdays of 7 kW and 2 days of 0 kW are the same mean on any day.

    On a Monday evening the weekend is the last two days, so the mean is a little under 5 kW.
    """
    usual = series("2026-03-02", "2026-03-30", lambda wall: np.where(wall.day_of_week >= 5, 0.0, 7.0))
    # 28 days before now reach back to Monday 2 March, 17:00; the hour from 18:00 has 4 whole weeks
    weights = [0.5 ** (days_ago / 7) for days_ago in range(7)]
    mean = 7.0 * sum(weights[2:]) / sum(weights)
    saturday, tuesday = (solar(usual, boundaries(f"{day}T18:00", 1), "typical") for day in ("2026-04-04", "2026-03-31"))
    assert saturday == tuesday == pytest.approx([mean])


def test_a_day_counts_half_after_a_week() -> None:
    """Four Mondays of 1, 2, 4 and 8 kW, on a Monday after them: weights 1/8, 1/4, 1/2 and 1 over the other days' zero.

    With 16 other weekdays of 0 kW the mean is Σ w·kW / Σ w over all 20 weekdays.
    """
    power = {2: 1.0, 9: 2.0, 16: 4.0, 23: 8.0}
    usual = series("2026-03-02", "2026-03-30", lambda wall: np.array([power.get(day.day, 0.0) for day in wall]))
    days_ago = [(30 - day, power.get(day, 0.0)) for day in range(2, 30) if (day - 2) % 7 < 5]
    weights = [0.5 ** ((ago - 1) / 7) for ago, _ in days_ago]
    mean = sum(weight * kw for weight, (_, kw) in zip(weights, days_ago, strict=True)) / sum(weights)
    assert load(usual, boundaries("2026-03-31T19:00", 1)) == pytest.approx([mean])


def test_too_few_recent_days_fall_back_on_the_same_month_of_other_years() -> None:
    """A series that ends in January is read in March from last March, and a warning each says so."""
    usual = series("2025-03-01", "2026-01-10", lambda wall: np.where(wall.month == 3, 3.0, 9.0))
    kw, warnings = forecast_load(usual, LOAD, "typical", boundaries("2026-03-30T18:00", 1), NOW, DUBLIN)
    assert kw.tolist() == [3.0]
    assert len(warnings) == 2
    assert warnings[0].startswith(f"load.csv {SHORT} weekdays in the 28 days before now; ")
    assert warnings[1].startswith(f"load.csv {SHORT} weekend days in the 28 days before now; ")
    assert all(warning.endswith("the same month of other years.") for warning in warnings)


def test_without_that_month_the_whole_series_is_read() -> None:
    """A series of last summer alone is all there is to go by in March, and the warning says that."""
    usual = series("2025-06-01", "2025-08-01", lambda wall: np.full(len(wall), 4.0))
    kw, warnings = forecast_solar(usual, SOLAR, "typical", "typical", boundaries("2026-03-30T18:00", 1), NOW, DUBLIN)
    assert kw.tolist() == [4.0]
    assert warnings == [
        "solar.csv has fewer than 7 days in the 28 days before now; the typical day comes from the whole series."
    ]


def test_only_the_kind_of_day_that_is_missing_is_warned_about() -> None:
    """Ten days of March hold eight weekdays but only two days of weekend; the weekdays are recent, so one warning."""
    usual = series("2026-03-20", "2026-03-30T18:00", hour_of_day)
    kw, warnings = forecast_load(usual, LOAD, "typical", boundaries("2026-03-30T18:00", 1), NOW, DUBLIN)
    assert kw.tolist() == [18.0]
    assert len(warnings) == 1
    assert "weekend" in warnings[0]


@pytest.mark.parametrize("between", [("2026-03-29T02:00", 1), ("2026-03-31T23:00", 2)])
def test_a_recorded_series_that_does_not_cover_the_night_is_at_fault(between: tuple[str, float]) -> None:
    """An hour before its beginning or after its end: the fault names the file and what is asked of it."""
    short = series("2026-03-29T03:00", "2026-04-01", hour_of_day)
    told = faults(lambda: forecast_load(short, LOAD, "recorded", boundaries(*between), NOW, DUBLIN))
    assert told.startswith("load.csv: it covers ")
    told = faults(lambda: forecast_solar(short, SOLAR, "recorded", "high", boundaries(*between), NOW, DUBLIN))
    assert told.startswith("solar.csv: it covers ")


def test_a_recorded_series_may_end_with_the_night() -> None:
    """The last step of the series may be the last hour of the night."""
    exact = series("2026-03-30T18:00", "2026-03-30T20:00", hour_of_day)
    assert load(exact, boundaries("2026-03-30T18:00", 1, 1), "recorded") == [18.0, 19.0]


def test_less_than_a_day_shows_nothing_typical() -> None:
    """Twenty hours of meter data leave hours of the clock unseen: a fault and no guess."""
    short = series("2026-03-29T21:00", "2026-03-30T17:00", hour_of_day)
    told = faults(lambda: forecast_load(short, LOAD, "typical", boundaries("2026-03-30T18:00", 1), NOW, DUBLIN))
    assert told == "load.csv: a typical day cannot be formed from it: it holds less than one whole day"
