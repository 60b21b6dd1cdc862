"""Load and solar: energy-true means, and what a typical day is read from."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.arrays import FloatArray
from models.site.series import Series, TypicalDay, recorded_means, typical_day, typical_means

DUBLIN = "Europe/Dublin"
Wall = pd.DatetimeIndex


def series(begins: str, ends: str, zone: str, power_kw: Callable[[Wall], FloatArray], step_minutes: int = 60) -> Series:
    """A series whose power depends on the wall clock, between two local times."""
    local = pd.date_range(begins, ends, freq=f"{step_minutes}min", inclusive="left", tz=zone)
    start = local.tz_convert("UTC")
    wall = start.tz_convert(zone).tz_localize(None)
    return Series(start, np.asarray(power_kw(wall), dtype=np.float64), step_minutes)


def by_clock(wall: Wall) -> FloatArray:
    return np.asarray(wall.hour + wall.minute / 60 + 100 * (wall.day_of_week >= 5), dtype=np.float64)


def at(local: str, zone: str = DUBLIN) -> pd.Timestamp:
    return pd.Timestamp(local, tz=zone)


def night_boundaries(local: str, zone: str, hours: int = 24) -> pd.DatetimeIndex:
    return pd.date_range(at(local, zone).tz_convert("UTC"), periods=hours + 1, freq="h")


@settings(max_examples=60, deadline=None)
@given(st.sampled_from([5, 15, 30, 60]), st.lists(st.integers(1, 2879), min_size=2, unique=True), st.data())
def test_means_are_energy_true(step: int, cuts: list[int], data: st.DataObject) -> None:
    """Mean times length, over intervals cut anywhere, is the energy of the meter intervals that they overlap."""
    start = pd.date_range("2026-03-28", periods=2880 // step, freq=f"{step}min", tz="UTC")
    seed = data.draw(st.integers(0, 1000))
    kw = np.random.default_rng(seed).uniform(0, 5, len(start))
    minutes = np.array(sorted(cuts))
    means = recorded_means(Series(start, kw, step), start[0] + pd.to_timedelta(minutes, unit="min"))
    at_each_step = np.concatenate(([0], np.cumsum(kw * step)))
    energy_until = np.interp(minutes, step * np.arange(len(kw) + 1), at_each_step)
    assert means * np.diff(minutes) == pytest.approx(np.diff(energy_until))


@pytest.mark.parametrize("shift", [pd.Timedelta(minutes=-1), pd.Timedelta(minutes=1)])
def test_a_series_that_does_not_cover_is_an_error(shift: pd.Timedelta) -> None:
    """A minute beyond either end of the series is refused, the whole series is not."""
    day = series("2026-01-10", "2026-01-11", "UTC", by_clock)
    whole = pd.DatetimeIndex([day.start[0], day.end])
    assert recorded_means(day, whole) == pytest.approx([111.5])
    with pytest.raises(ValueError, match="it covers"):
        recorded_means(day, whole + shift)


@pytest.mark.parametrize(
    ("zone", "now"),
    [
        (DUBLIN, "2026-03-28 18:00"),
        (DUBLIN, "2026-10-24 18:00"),
        (DUBLIN, "2026-04-10 18:00"),
        ("Asia/Kolkata", "2026-03-27 18:30"),
        ("Australia/Adelaide", "2026-04-03 18:00"),
        ("Australia/Lord_Howe", "2026-10-03 18:00"),
    ],
)
def test_a_typical_day_repeats_itself(zone: str, now: str) -> None:
    """A building that lives by the wall clock and the weekend is forecast exactly, clock changes included."""
    recorded = series("2026-01-02", "2026-12-01", zone, by_clock, step_minutes=30)
    boundaries = night_boundaries(now, zone, 36)
    day = typical_day(recorded, at(now, zone), zone, by_weekend=True)
    assert (day.weekday_basis, day.weekend_basis) == ("recent", "recent")
    assert typical_means(day, boundaries, zone) == pytest.approx(recorded_means(recorded, boundaries))


def test_hours_that_begin_at_half_past() -> None:
    """An hourly series on UTC hours in Kolkata fills the local hours from half past to half past."""
    start = pd.date_range("2026-01-01", periods=24 * 40, freq="h", tz="UTC")
    recorded = Series(start, np.asarray(start.hour, dtype=np.float64), 60)
    now = at("2026-02-05 12:00", "Asia/Kolkata")
    day = typical_day(recorded, now, "Asia/Kolkata", by_weekend=False)
    assert day.weekday_kw[[0, 29, 30, 89, 90, 1439]].tolist() == [18.0, 18.0, 19.0, 19.0, 20.0, 18.0]
    assert np.array_equal(day.weekday_kw, day.weekend_kw)


def test_only_the_last_28_days_and_nothing_of_the_future() -> None:
    """Of a series that changed 28 days ago and will change again now, only the time between counts."""
    now = at("2026-02-20 18:00")
    before = np.datetime64("2026-01-23T18:00")

    def changing(wall: Wall) -> FloatArray:
        past = np.where(wall.to_numpy() < before, 1.0, 3.0)
        return np.where(wall.to_numpy() < np.datetime64("2026-02-20T18:00"), past, 100.0)

    day = typical_day(series("2025-12-01", "2026-03-10", DUBLIN, changing), now, DUBLIN, by_weekend=True)
    assert set(day.weekday_kw) == {3.0}
    assert set(day.weekend_kw) == {3.0}


@pytest.mark.parametrize(
    ("now", "basis", "kw"),
    [
        ("2026-03-08 12:00", "recent", 7.5),
        ("2026-07-15 12:00", "same month", 7.0),
        ("2026-10-15 12:00", "whole series", None),
        ("2026-09-15 12:00", "same month", 9.0),
    ],
)
def test_what_stands_in_for_the_last_28_days(now: str, basis: str, kw: float | None) -> None:
    """With too few recent days the same month of other years is read, then the whole series."""
    summer = series("2025-07-01", "2025-10-01", DUBLIN, lambda wall: np.asarray(wall.month, dtype=float))
    winter = series("2026-02-16", "2026-03-08 12:00", DUBLIN, lambda wall: np.full(len(wall), 7.5))
    both = Series(summer.start.append(winter.start), np.concatenate([summer.kw, winter.kw]), 60)
    day = typical_day(both, at(now), DUBLIN, by_weekend=False)
    assert day.weekday_basis == basis
    expected = both.kw[both.start.tz_convert(DUBLIN).hour == 6].mean() if kw is None else kw
    assert day.weekday_kw[6 * 60] == pytest.approx(expected)


def test_six_recent_days_are_too_few() -> None:
    """Seven recent days are enough for a typical day of their own, six are not."""
    for first, basis in (("2026-02-14", "recent"), ("2026-02-15", "whole series")):
        week = series(first, "2026-02-21", DUBLIN, by_clock)
        assert typical_day(week, at("2026-02-21"), DUBLIN, by_weekend=False).weekday_basis == basis


def test_percentiles() -> None:
    """The 20th and 80th percentile at a clock time are those of the days, and enclose the mean."""
    recorded = series("2026-01-01", "2026-02-01", DUBLIN, lambda wall: np.asarray(wall.day**2, dtype=float))
    now = at("2026-02-01")
    days = np.arange(4, 32) ** 2
    found = {}
    for percentile in (20.0, None, 80.0):
        day = typical_day(recorded, now, DUBLIN, by_weekend=False, percentile=percentile)
        found[percentile] = day.weekday_kw
    assert found[20.0] == pytest.approx(np.full(1440, np.percentile(days, 20)))
    assert found[80.0] == pytest.approx(np.full(1440, np.percentile(days, 80)))
    assert found[None] == pytest.approx(np.full(1440, days.mean()))


def test_less_than_a_day_is_an_error() -> None:
    """A series that leaves a minute of the day unknown gives no typical day."""
    morning = series("2026-01-10", "2026-01-10 23:00", DUBLIN, by_clock)
    with pytest.raises(ValueError, match="less than one whole day"):
        typical_day(morning, at("2026-01-11"), DUBLIN, by_weekend=False)


def test_typical_means_by_hand() -> None:
    """An interval over Friday's midnight is the mean of its weekday and weekend minutes."""
    flat = TypicalDay(np.full(1440, 1.0), np.full(1440, 4.0), "recent", "recent")
    boundaries = pd.DatetimeIndex([at("2026-01-16 23:40"), at("2026-01-17 00:20"), at("2026-01-17 01:00")])
    assert typical_means(flat, boundaries.tz_convert("UTC"), DUBLIN) == pytest.approx([2.5, 4.0])


def test_hours_that_begin_at_two_sets_of_clock_times_are_averaged_by_the_minute() -> None:
    """Lord Howe's clocks move by half an hour: 14 days at 1 kW, then 14 at 3 kW in hours that begin at the other half
    hour, are 2 kW at every minute.

    Source: tz database, on 5 April 2026 at 15:00 UTC of the day before, 02:00 becomes 01:30. 14 days of 24 hours on
    each side of it pass every minute of the clock 14 times.
    """
    change = pd.Timestamp("2026-04-04 15:00", tz="UTC")
    start = pd.date_range(change - pd.Timedelta(days=14), change + pd.Timedelta(days=14), freq="h", inclusive="left")
    assert sorted(set(start.tz_convert("Australia/Lord_Howe").minute)) == [0, 30]
    fortnights = Series(start, np.where(start < change, 1.0, 3.0), 60)
    day = typical_day(fortnights, fortnights.end, "Australia/Lord_Howe", by_weekend=False)
    assert day.weekday_basis == "recent"
    np.testing.assert_allclose(day.weekday_kw, np.full(1440, 2.0), rtol=0, atol=1e-9)
