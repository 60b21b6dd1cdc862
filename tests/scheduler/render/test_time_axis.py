"""Marks of a time axis: round hours of the local clock, at their instants."""

from __future__ import annotations

import pandas as pd
import pytest

from scheduler.render.time_axis import clock_changes, clock_ticks


def marks(begin: str, end: str, timezone: str, most: int = 8) -> list[tuple[str, float]]:
    """Words of each mark, and how many hours after the beginning it lies."""
    first, last = (pd.Timestamp(each, tz="UTC") for each in (begin, end))
    hours = (last - first) / pd.Timedelta(hours=1)
    return [(tick.label, round(tick.share * hours, 6)) for tick in clock_ticks(first, last, timezone, most)]


def test_a_day_is_marked_every_three_hours_and_midnight_by_its_day() -> None:
    """18:20 to 18:20 in Helsinki (UTC+2): 21:00 lies 2 h 40 min after the beginning, midnight 5 h 40 min."""
    found = marks("2026-03-02T16:20", "2026-03-03T16:20", "Europe/Helsinki")
    assert [words for words, _ in found] == ["21:00", "Tue", "03:00", "06:00", "09:00", "12:00", "15:00", "18:00"]
    assert [hours for _, hours in found[:2]] == [pytest.approx(2 + 40 / 60), pytest.approx(5 + 40 / 60)]


def test_an_hour_that_the_clock_shows_twice_is_marked_once() -> None:
    """Helsinki, 26 October 2025 (tz database): 03:00 comes at 00:00 and again at 01:00 UTC, 06:00 at 04:00 UTC."""
    found = dict(marks("2025-10-25T15:00", "2025-10-26T15:00", "Europe/Helsinki"))
    assert found["03:00"] == 9
    assert found["06:00"] == 13
    words = [words for words, _ in marks("2025-10-25T15:00", "2025-10-26T15:00", "Europe/Helsinki")]
    assert words.count("03:00") == 1


def test_an_hour_that_the_clock_leaves_out_is_not_marked() -> None:
    """Helsinki, 29 March 2026: the clock goes from 03:00 to 04:00 at 01:00 UTC, so midnight and 06:00 lie 5 h apart."""
    found = dict(marks("2026-03-28T16:00", "2026-03-29T15:00", "Europe/Helsinki"))
    assert "03:00" not in found
    assert found["06:00"] - found["Sun"] == 5


@pytest.mark.parametrize(("timezone", "first"), [("Asia/Kathmandu", 0.25), ("Asia/Kolkata", 0.5), ("Asia/Tokyo", 0.0)])
def test_zones_off_the_hour_are_marked_at_their_own_hours(timezone: str, first: float) -> None:
    """12:00 UTC is 17:45 in Kathmandu, 17:30 in Kolkata, 21:00 in Tokyo: the first mark is 15, 30 and 0 min later."""
    assert marks("2026-03-02T12:00", "2026-03-03T12:00", timezone)[0][1] == first


def test_a_week_is_marked_by_its_days() -> None:
    """Seven days have seven midnights."""
    found = marks("2026-03-02T18:00", "2026-03-09T18:00", "Europe/Dublin")
    assert [words for words, _ in found] == ["Tue", "Wed", "Thu", "Fri", "Sat", "Sun", "Mon"]


def test_no_more_marks_than_have_room() -> None:
    """Twenty days with room for eight: every third midnight."""
    found = marks("2026-03-02T18:00", "2026-03-22T18:00", "Europe/Dublin")
    assert [hours for _, hours in found] == [6 + 72 * mark for mark in range(7)]


def test_a_change_of_the_clock_is_found_at_its_instant() -> None:
    """Helsinki goes back an hour at 01:00 UTC on 26 October 2025, Lord Howe Island half an hour at 15:00 UTC on
    4 April 2026 (tz database)."""
    for begin, end, timezone, words, hours in (
        ("2025-10-25T15:00", "2025-10-26T15:00", "Europe/Helsinki", "clock −1 h", 10),
        ("2026-04-04T06:00", "2026-04-05T06:00", "Australia/Lord_Howe", "clock −0.5 h", 9),
    ):
        (change,) = clock_changes(pd.Timestamp(begin, tz="UTC"), pd.Timestamp(end, tz="UTC"), timezone)
        assert (change.label, change.share * 24) == (words, pytest.approx(hours))


def test_an_ordinary_night_has_no_change_of_the_clock() -> None:
    """Nothing changes on 2 March."""
    begin = pd.Timestamp("2026-03-02T16:20", tz="UTC")
    assert clock_changes(begin, begin + pd.Timedelta(days=1), "Europe/Helsinki") == ()
