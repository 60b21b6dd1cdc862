"""Local clocks on the days that change them; dates from the IANA time-zone database."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pandas as pd
import pytest

from models.base.clock import end_of_skipped_hour, instants_of, local_clock

DAYS = [
    ("Europe/Dublin", datetime(2026, 3, 29), 23.0),
    ("Europe/Dublin", datetime(2026, 10, 25), 25.0),
    ("Australia/Lord_Howe", datetime(2026, 4, 5), 24.5),
    ("Australia/Lord_Howe", datetime(2026, 10, 4), 23.5),
    ("Australia/Adelaide", datetime(2026, 4, 5), 25.0),
    ("Australia/Adelaide", datetime(2026, 10, 4), 23.0),
    ("Asia/Kolkata", datetime(2026, 3, 29), 24.0),
]
"""Zone, local date and its length [h]: EU rule last Sundays at 01:00 UTC; Lord Howe moves by half an hour."""


@pytest.mark.parametrize(("zone", "day", "hours"), DAYS)
def test_length_of_the_day(zone: str, day: datetime, hours: float) -> None:
    """From one local midnight to the next there are as many hours as the zone's rules say."""
    (begins,), (ends,) = instants_of(day, zone), instants_of(day + timedelta(days=1), zone)
    assert (ends.astimezone(UTC) - begins.astimezone(UTC)) / timedelta(hours=1) == hours


@pytest.mark.parametrize(("zone", "day", "hours"), DAYS)
def test_minutes_lost_and_doubled(zone: str, day: datetime, hours: float) -> None:
    """Wall-clock minutes with no instant are those lost, and those with two are those doubled."""
    found = [len(instants_of(day + timedelta(minutes=minute), zone)) for minute in range(1440)]
    assert found.count(0) == max(0, 60 * (24 - hours))
    assert found.count(2) == max(0, 60 * (hours - 24))
    assert sum(found) == 60 * hours


def test_two_instants_in_order() -> None:
    """A time in Dublin's repeated hour occurs first at the summer offset and an hour later at the winter offset."""
    first, second = instants_of(datetime(2026, 10, 25, 1, 30), "Europe/Dublin")
    assert first.astimezone(UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert second.astimezone(UTC) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("zone", "lost", "after"),
    [
        ("Europe/Dublin", datetime(2026, 3, 29, 1, 30), datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        ("Europe/Dublin", datetime(2026, 3, 29, 1, 0), datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        ("Australia/Adelaide", datetime(2026, 10, 4, 2, 59), datetime(2026, 10, 3, 16, 30, tzinfo=UTC)),
        ("Australia/Lord_Howe", datetime(2026, 10, 4, 2, 15), datetime(2026, 10, 3, 15, 30, tzinfo=UTC)),
    ],
)
def test_end_of_lost_hour(zone: str, lost: datetime, after: datetime) -> None:
    """A wall-clock time that a clock change leaves out is answered by the first instant after the gap."""
    assert instants_of(lost, zone) == []
    assert end_of_skipped_hour(lost, zone) == after


def test_half_hour_offset() -> None:
    """Kolkata's clock is five and a half hours ahead, so half past six in the evening UTC is midnight."""
    clock = local_clock(pd.DatetimeIndex(["2026-02-28 18:29Z", "2026-02-28 18:30Z"]), "Asia/Kolkata")
    assert clock.minute.tolist() == [1439, 0]
    assert clock.month.tolist() == [2, 3]
    assert clock.month_before.tolist() == [2, 2]
    assert clock.day_of_week.tolist() == [5, 6]
    assert clock.day_of_week_before.tolist() == [4, 5]


def test_holidays_are_local_dates() -> None:
    """A holiday begins and ends at local midnight, and the day after knows of it."""
    instants = pd.DatetimeIndex(["2026-03-16 23:59Z", "2026-03-17 00:00Z", "2026-03-17 23:59Z", "2026-03-18 00:00Z"])
    clock = local_clock(instants, "Europe/Dublin", [date(2026, 3, 17)])
    assert clock.holiday.tolist() == [False, True, True, False]
    assert clock.holiday_before.tolist() == [False, False, False, True]


def test_day_before_a_short_day() -> None:
    """The day before is the calendar's, not 24 hours earlier, also just after a clock change."""
    clock = local_clock(pd.DatetimeIndex(["2026-03-29 23:10Z"]), "Europe/Dublin")
    assert clock.minute.tolist() == [10]
    assert (clock.day_of_week[0], clock.day_of_week_before[0]) == (0, 6)
