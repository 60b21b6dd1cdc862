"""Past days like tonight, against the demo site's own series read by pandas on the local clock."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from models.site.series import Series
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from scheduler.nights.sampled_days import SampledDays, sampled_days
from tests.builders.places import SCENARIOS

MONDAY = datetime(2026, 3, 2, 16, 20, tzinfo=UTC)
AFTER_THE_CLOCKS_CHANGE = datetime(2026, 3, 30, 16, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """The bookbindery."""
    return read_inputs(SCENARIOS / "bookbindery")


def sampled(inputs: Inputs, now: datetime, most: int = 60) -> tuple[Night, SampledDays]:
    """The night from a moment on, and past days like it."""
    evening = Request(now=now, soc_percent=50.0)
    night, _ = build_night(inputs, evening)
    return night, sampled_days(inputs, evening, night, most)


def local_mean(series: Series, day: date, night: Night) -> list[float]:
    """Mean of a series over the same hours of the local clock as the night's, begun on a day, minute by minute."""
    wall = night.boundaries.tz_convert(night.timezone).tz_localize(None)
    back = wall[0].normalize() - pd.Timestamp(day)
    minutes = pd.Series(np.repeat(series.kw, series.step_minutes))
    minutes.index = pd.date_range(series.start[0], periods=len(minutes), freq="min")
    found = []
    for begin, end in zip(wall[:-1] - back, wall[1:] - back, strict=True):
        first, last = (each.tz_localize(night.timezone) for each in (begin, end - pd.Timedelta(minutes=1)))
        found.append(float(minutes[first:last].mean()))
    return found


@pytest.mark.parametrize("now", [MONDAY, AFTER_THE_CLOCKS_CHANGE])
def test_each_is_the_series_in_the_same_hours_of_the_local_clock(inputs: Inputs, now: datetime) -> None:
    """After the evening of a Monday to Thursday comes a weekday, as tomorrow is one."""
    night, days = sampled(inputs, now)
    like = [number for number, day in enumerate(days.days) if day.weekday() < 4]
    for number in (like[0], like[7], like[-1]):
        expected = local_mean(inputs.load, days.days[number], night)
        assert days.load_kw[number].tolist() == pytest.approx(expected, abs=1e-9)


def test_they_are_weekdays_before_now_the_latest_first(inputs: Inputs) -> None:
    """Monday evening, 2 March: the night from Sunday would have been a weekend day's, Friday's is the first."""
    _, days = sampled(inputs, MONDAY)
    assert days.days[0] == date(2026, 2, 27)
    assert all(day.weekday() < 5 for day in days.days)
    assert list(days.days[:40]) == sorted(days.days[:40], reverse=True)


def test_a_weekend_evening_has_weekend_days(inputs: Inputs) -> None:
    _, days = sampled(inputs, datetime(2026, 3, 7, 16, 0, tzinfo=UTC))
    assert {day.weekday() for day in days.days} == {5, 6}


def test_no_more_than_asked_for(inputs: Inputs) -> None:
    assert len(sampled(inputs, MONDAY, most=9)[1]) == 9


def test_what_comes_after_now_changes_nothing(inputs: Inputs) -> None:
    """Load and sun from now on are trebled; the forecast and its samples stay."""

    def changed(series: Series | None) -> Series:
        assert series is not None
        later = np.asarray(series.start + pd.Timedelta(minutes=series.step_minutes) > pd.Timestamp(MONDAY))
        return replace(series, kw=np.where(later, 3 * series.kw, series.kw))

    other = replace(inputs, load=changed(inputs.load), solar=changed(inputs.solar))
    (night, days), (other_night, other_days) = sampled(inputs, MONDAY), sampled(other, MONDAY)
    assert np.array_equal(night.load_kw, other_night.load_kw)
    assert np.array_equal(days.load_kw, other_days.load_kw)
    assert np.array_equal(days.solar_kw, other_days.solar_kw)
    assert days.most_load_kw == other_days.most_load_kw


def test_the_sun_of_past_days_has_the_mean_energy_of_the_forecast(inputs: Inputs) -> None:
    night, days = sampled(inputs, MONDAY)
    assert float((days.solar_kw @ night.hours).mean()) == pytest.approx(float(night.hours @ night.solar_kw))


def test_a_series_of_five_weeks_has_the_weekdays_of_five_weeks(inputs: Inputs) -> None:
    """Windows of 24 hours that begin and end inside 35 days before Monday evening: 24 evenings of weekdays.

    The series begins at midnight of Monday 26 January, so that day's evening is the first; Friday 27 February's is the
    last that ends by Monday.
    """
    begins = pd.Timestamp(MONDAY).normalize() - timedelta(days=35)
    short = replace(
        inputs,
        load=_since(inputs.load, begins),
        solar=None if inputs.solar is None else _since(inputs.solar, begins),
    )
    _, days = sampled(short, MONDAY)
    assert len(days) == 25
    assert days.days[-1] == date(2026, 1, 26)


def test_a_series_of_a_day_has_none(inputs: Inputs) -> None:
    begins = pd.Timestamp(MONDAY) - timedelta(days=1, hours=6)
    short = replace(
        inputs,
        load=_since(inputs.load, begins),
        solar=None if inputs.solar is None else _since(inputs.solar, begins),
    )
    night, _ = sampled(inputs, MONDAY)
    assert len(sampled_days(short, Request(now=MONDAY, soc_percent=50.0), night)) == 0


def _since(series: Series, begins: pd.Timestamp) -> Series:
    """The series from an instant on."""
    kept = np.asarray(series.start >= begins)
    return Series(series.start[kept], series.kw[kept], series.step_minutes)


@pytest.mark.parametrize(
    ("now", "kinds"),
    [
        (datetime(2026, 3, 5, 16, 0, tzinfo=UTC), (5.0, 5.0)),
        (datetime(2026, 3, 6, 16, 0, tzinfo=UTC), (5.0, 1.0)),
        (datetime(2026, 3, 7, 16, 0, tzinfo=UTC), (1.0, 1.0)),
        (datetime(2026, 3, 8, 16, 0, tzinfo=UTC), (1.0, 5.0)),
    ],
    ids=["Thursday", "Friday", "Saturday", "Sunday"],
)
def test_tonight_and_tomorrow_are_days_of_their_kind(inputs: Inputs, now: datetime, kinds: tuple[float, float]) -> None:
    """A building that draws 5 kW on weekdays and 1 kW on weekend days does so in every sample."""
    local = inputs.load.start.tz_convert(inputs.site.timezone)
    shop = replace(inputs.load, kw=np.where(local.day_of_week < 5, 5.0, 1.0))
    night, days = sampled(replace(inputs, load=shop), now)
    tomorrow = night.boundaries[:-1].tz_convert(night.timezone).day != now.day
    assert len(days) >= 14
    for load_kw in days.load_kw:
        assert load_kw[~tomorrow].tolist() == pytest.approx([kinds[0]] * int((~tomorrow).sum()))
        assert load_kw[tomorrow].tolist() == pytest.approx([kinds[1]] * int(tomorrow.sum()))


def test_hours_from_another_day_are_of_the_nearest_of_the_kind(inputs: Inputs) -> None:
    """Monday's night: after the evening of Friday 27 February come Friday's own hours, not Saturday's."""
    night, days = sampled(inputs, MONDAY)
    assert days.days[0] == date(2026, 2, 27)
    expected = np.array(local_mean(inputs.load, date(2026, 2, 27), night))
    again = np.array(local_mean(inputs.load, date(2026, 2, 26), night))
    tomorrow = np.asarray(night.boundaries[:-1].tz_convert(night.timezone).day != MONDAY.day)
    assert days.load_kw[0][~tomorrow].tolist() == pytest.approx(expected[~tomorrow].tolist())
    assert days.load_kw[0][tomorrow].tolist() == pytest.approx(again[tomorrow].tolist())
