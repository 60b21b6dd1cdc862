"""The night's intervals: where they are cut, clock changes and odd time zones included."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.tariff.offer import Band, Offer
from scheduler.nights.intervals import Intervals, cut

DUBLIN, ADELAIDE, KOLKATA, LORD_HOWE = "Europe/Dublin", "Australia/Adelaide", "Asia/Kolkata", "Australia/Lord_Howe"
ZONES = (DUBLIN, ADELAIDE, KOLKATA, LORD_HOWE, "America/St_Johns")


def offer(*imports: Band, exports: tuple[Band, ...] = ()) -> Offer:
    return Offer("invented", "EUR", 0.0, (Band(0.30), *imports), exports)


def minute(clock: str) -> int:
    return int(clock[:2]) * 60 + int(clock[3:])


def band(price: float, begins: str, ends: str, **days: frozenset[int]) -> Band:
    return Band(price, minute(begins), minute(ends), **days)


def local(text: str, zone: str = DUBLIN, fold: int = 0) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold)


def night(
    now: str,
    hours: float,
    zone: str = DUBLIN,
    step: int = 60,
    priced: Offer | None = None,
    instants: tuple[datetime, ...] = (),
    holidays: tuple[date, ...] = (),
) -> Intervals:
    begins = local(now, zone).astimezone(UTC)
    return cut(begins, begins + timedelta(hours=hours), zone, step, priced or offer(), holidays, instants)


def clocks(intervals: Intervals, zone: str = DUBLIN) -> list[str]:
    return [f"{instant:%H:%M}" for instant in intervals.boundaries.tz_convert(zone)]


def lengths(intervals: Intervals) -> list[float]:
    """Hours of each interval."""
    return [between.total_seconds() / 3600 for between in np.diff(intervals.boundaries.to_pydatetime())]


def test_boundaries_lie_at_now_on_the_step_and_at_the_end() -> None:
    """A night from 18:20 for three hours is cut at the full hours of the clock and at both its ends."""
    found = night("2026-03-02T18:20", 3)
    assert clocks(found) == ["18:20", "19:00", "20:00", "21:00", "21:20"]
    assert lengths(found) == pytest.approx([2 / 3, 1, 1, 1 / 3])
    assert str(found.boundaries.tz) == "UTC"


@pytest.mark.parametrize(
    ("step", "expected"),
    [
        (5, ["18:52", "18:55", "19:00", "19:04"]),
        (10, ["18:52", "19:00", "19:04"]),
        (15, ["18:52", "19:00", "19:04"]),
        (30, ["18:52", "19:00", "19:04"]),
    ],
)
def test_the_step_is_counted_from_midnight_and_not_from_now(step: int, expected: list[str]) -> None:
    """Whatever minute the night begins, its steps are those of the clock on the wall."""
    assert clocks(night("2026-03-02T18:52", 0.2, step=step)) == expected


def test_a_night_inside_one_step_is_one_interval() -> None:
    """Nothing is added where no multiple of the step lies between now and the end."""
    found = night("2026-03-02T18:20", 0.5)
    assert clocks(found) == ["18:20", "18:50"]
    assert len(found.import_price) == 1


def test_a_price_off_the_step_grid_begins_at_its_own_minute() -> None:
    """A band from 22:47 to 05:13 cuts the night at those minutes, and every interval has one price."""
    found = night("2026-03-02T22:00", 8, priced=offer(band(0.12, "22:47", "05:13")))
    assert clocks(found) == [
        *["22:00", "22:47", "23:00", "00:00", "01:00", "02:00", "03:00", "04:00", "05:00", "05:13", "06:00"]
    ]
    assert found.import_price.tolist() == [0.30, *[0.12] * 8, 0.30]


def test_export_prices_cut_too_and_are_nothing_without_a_band() -> None:
    """An export band from 18:10 to 18:50 makes two boundaries; outside it exporting earns nothing."""
    found = night("2026-03-02T18:00", 1, priced=offer(exports=(band(0.45, "18:10", "18:50"),)))
    assert clocks(found) == ["18:00", "18:10", "18:50", "19:00"]
    assert found.export_price.tolist() == [0.0, 0.45, 0.0]


def test_a_band_edge_that_changes_no_price_makes_no_boundary() -> None:
    """Two bands of the same price that meet at 18:40 leave the hour whole."""
    found = night("2026-03-02T18:00", 1, priced=offer(band(0.2, "17:00", "18:40"), band(0.2, "18:40", "20:00")))
    assert clocks(found) == ["18:00", "19:00"]


def test_asked_instants_are_boundaries_and_are_found_again() -> None:
    """A departure at 18:07 and a return at 19:00 are boundaries, once each, and `boundary_at` names them."""
    asked = (local("2026-03-02T18:07"), local("2026-03-02T19:00").astimezone(UTC), local("2026-03-02T18:07"))
    found = night("2026-03-02T18:00", 2, instants=asked)
    assert clocks(found) == ["18:00", "18:07", "19:00", "20:00"]
    assert [found.boundary_at(instant) for instant in asked] == [1, 2, 1]


def test_asked_instants_outside_the_night_are_not_boundaries() -> None:
    """A ready time before now and a moment after the end change nothing; those at now and the end are there already."""
    asked = tuple(local(f"2026-03-02T{clock}") for clock in ("17:45", "18:00", "20:00", "20:05"))
    found = night("2026-03-02T18:00", 2, instants=asked)
    assert clocks(found) == ["18:00", "19:00", "20:00"]
    assert [found.boundary_at(instant) for instant in asked[1:3]] == [0, 2]


def test_a_band_of_some_days_begins_at_their_midnight() -> None:
    """A Tuesday-only price over the whole day begins at local midnight, here inside no step of 60 minutes of UTC."""
    tuesday = offer(band(0.12, "00:00", "24:00", days=frozenset({1})))
    found = night("2026-03-02T23:10", 1.5, KOLKATA, priced=tuesday)
    assert clocks(found, KOLKATA) == ["23:10", "00:00", "00:40"]
    assert found.import_price.tolist() == [0.30, 0.12]


def test_a_public_holiday_has_the_prices_of_the_day_it_counts_as() -> None:
    """Tuesday 17 March, counted as a Sunday, has the Sunday price from its midnight."""
    sundays = Offer("invented", "EUR", 0.0, (Band(0.30), Band(0.20, days=frozenset({6}))), (), 6)
    found = night("2026-03-16T23:00", 2, priced=sundays, holidays=(date(2026, 3, 17),))
    assert found.import_price.tolist() == [0.30, 0.20]


def test_a_spring_night_has_an_hour_less() -> None:
    """From 18:00 before the clocks go forward (29 March 2026) to 18:00 after are 23 hours, and no interval is longer.

    Source of the date: common practice in the European Union, the last Sunday of March at 01:00 UTC.
    """
    begins, ends = local("2026-03-28T18:00"), local("2026-03-29T18:00")
    found = cut(begins, ends, DUBLIN, 60, offer(), ())
    assert lengths(found) == [1.0] * 23
    assert "01:00" not in clocks(found)
    assert clocks(found)[6:9] == ["00:00", "02:00", "03:00"]


def test_an_autumn_night_has_an_hour_more() -> None:
    """From 18:00 before the clocks go back (25 October 2026) to 18:00 after are 25 hours, 01:00 shown twice.

    Source of the date: common practice in the European Union, the last Sunday of October at 01:00 UTC.
    """
    begins, ends = local("2026-10-24T18:00"), local("2026-10-25T18:00")
    found = cut(begins, ends, DUBLIN, 60, offer(), ())
    assert lengths(found) == [1.0] * 25
    assert clocks(found)[6:10] == ["00:00", "01:00", "01:00", "02:00"]


def test_a_band_edge_inside_the_lost_hour_takes_effect_right_after_it() -> None:
    """A price from 01:30 holds from 02:00 summer time on the night without 01:30."""
    found = night("2026-03-29T00:00", 3, priced=offer(band(0.12, "01:30", "02:30")))
    assert clocks(found) == ["00:00", "02:00", "02:30", "03:00", "04:00"]
    assert found.import_price.tolist() == [0.30, 0.12, 0.30, 0.30]
    assert lengths(found) == [1.0, 0.5, 0.5, 1.0]


def test_a_band_inside_the_lost_hour_never_holds() -> None:
    """A price from 01:10 to 01:50 is not seen on the night whose clock jumps from 01:00 to 02:00."""
    found = night("2026-03-29T00:00", 3, priced=offer(band(0.12, "01:10", "01:50")))
    assert found.import_price.tolist() == [0.30, 0.30, 0.30]


def test_a_band_inside_the_doubled_hour_holds_twice() -> None:
    """A price from 01:15 to 01:45 holds in both of the hours that show those times."""
    found = night("2026-10-25T00:30", 3, priced=offer(band(0.12, "01:15", "01:45")))
    expected = ["00:30", "01:00", "01:15", "01:45", "01:00", "01:15", "01:45", "02:00", "02:30"]
    assert clocks(found) == expected
    assert found.import_price.tolist() == [0.30, 0.30, 0.12, 0.30, 0.30, 0.12, 0.30, 0.30]


def test_a_band_to_the_middle_of_the_doubled_hour_comes_back() -> None:
    """A price until 01:30 ends, holds again as the clock goes back to 01:00, and ends once more.

    The clock shows 01:00 again 30 minutes after the first 01:30.
    """
    found = night("2026-10-25T00:00", 3, priced=offer(band(0.12, "23:00", "01:30")))
    assert clocks(found) == ["00:00", "01:00", "01:30", "01:00", "01:30", "02:00"]
    assert found.import_price.tolist() == [0.12, 0.12, 0.30, 0.12, 0.30]
    assert lengths(found) == [1.0, 0.5, 0.5, 0.5, 0.5]


def test_both_instants_of_a_doubled_time_can_be_asked_for() -> None:
    """A departure at the first 01:20 and a return at the second are an hour apart and two boundaries."""
    asked = (local("2026-10-25T01:20"), local("2026-10-25T01:20", fold=1))
    found = night("2026-10-25T00:30", 3, instants=asked)
    first, second = (found.boundary_at(instant) for instant in asked)
    assert sum(lengths(found)[first:second]) == 1.0
    assert clocks(found)[first] == clocks(found)[second] == "01:20"


@pytest.mark.parametrize("zone", [KOLKATA, ADELAIDE])
def test_half_hour_zones_are_cut_at_their_own_full_hours(zone: str) -> None:
    """In zones half an hour off UTC the full hours of the wall clock are cut, which are half past in UTC."""
    found = night("2026-07-01T18:10", 3, zone)
    assert clocks(found, zone) == ["18:10", "19:00", "20:00", "21:00", "21:10"]
    assert {instant.minute for instant in found.boundaries[1:4]} == {30}


@pytest.mark.parametrize(("day", "hours"), [("2026-04-04", 25), ("2026-10-03", 23)])
def test_adelaide_changes_its_clocks_the_other_way_round(day: str, hours: int) -> None:
    """From 18:00 to 18:00 are 25 hours in April and 23 in October in the south.

    Source of the dates: common practice in South Australia, first Sundays of April and October.
    """
    begins = local(f"{day}T18:00", ADELAIDE)
    found = cut(begins, begins + timedelta(days=1), ADELAIDE, 60, offer(), ())
    assert lengths(found) == [1.0] * hours


def test_a_half_hour_change_back_leaves_one_long_step() -> None:
    """Lord Howe goes from 02:00 back to 01:30 (5 April 2026): from 01:00 to the next full hour is an hour and a half.

    Source: the IANA time zone database, which has this zone change by half an hour (common practice, from memory).
    """
    found = night("2026-04-05T00:00", 4, LORD_HOWE)
    assert clocks(found, LORD_HOWE) == ["00:00", "01:00", "02:00", "03:00", "03:30"]
    assert lengths(found) == [1.0, 1.5, 1.0, 0.5]


def test_a_half_hour_change_forward_skips_only_half_a_step() -> None:
    """Lord Howe goes from 02:00 to 02:30 (4 October 2026): a price from 02:15 begins at 02:30, after an hour."""
    found = night("2026-10-04T01:00", 2, LORD_HOWE, priced=offer(band(0.12, "02:15", "04:00")))
    assert clocks(found, LORD_HOWE) == ["01:00", "02:30", "03:00", "03:30"]
    assert found.import_price.tolist() == [0.30, 0.12, 0.12]
    assert lengths(found) == [1.0, 0.5, 0.5]


def test_an_instant_without_a_price_is_an_error() -> None:
    """An offer that says nothing of the evening cannot price a night."""
    silent = Offer("invented", "EUR", 0.0, (band(0.12, "00:00", "12:00"),))
    with pytest.raises(ValueError, match="no import price at 2026-03-02T18:00"):
        night("2026-03-02T18:00", 2, priced=silent)


@settings(max_examples=40, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    begins=st.integers(0, 365 * 1440),
    minutes=st.integers(1, 30 * 60),
    step=st.sampled_from([5, 10, 15, 30, 60]),
    edges=st.tuples(st.integers(0, 1439), st.integers(1, 1440)).filter(lambda pair: pair[0] != pair[1]),
    asked=st.lists(st.integers(-60, 31 * 60), max_size=4),
)
def test_the_intervals_fill_the_night_exactly(
    zone: str, begins: int, minutes: int, step: int, edges: tuple[int, int], asked: list[int]
) -> None:
    """In any zone on any day: hours sum to the elapsed time, none is empty, the asked instants inside are there."""
    now = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=begins)
    end = now + timedelta(minutes=minutes)
    instants = [now + timedelta(minutes=offset) for offset in asked]
    found = cut(now, end, zone, step, offer(Band(0.12, *edges)), (), instants)
    assert found.boundaries[0] == now
    assert found.boundaries[-1] == end
    assert sum(lengths(found)) == pytest.approx(minutes / 60)
    assert min(lengths(found)) > 0
    assert {instant for instant in instants if now <= instant <= end} <= set(found.boundaries.to_pydatetime())
    assert len(found.import_price) == len(found.export_price) == len(found.boundaries) - 1


@settings(max_examples=25, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    begins=st.integers(0, 365 * 1440),
    edges=st.tuples(st.integers(0, 1439), st.integers(1, 1440)).filter(lambda pair: pair[0] != pair[1]),
)
def test_inside_an_interval_the_price_and_the_step_never_change(zone: str, begins: int, edges: tuple[int, int]) -> None:
    """Minute by minute, read off the wall clock: the price is the interval's, and full hours only begin one."""
    now = datetime(2026, 1, 1, tzinfo=UTC) + timedelta(minutes=begins)
    found = cut(now, now + timedelta(hours=5), zone, 60, offer(Band(0.12, *edges)), ())
    opens = set(found.boundaries.to_pydatetime())
    at = -1
    for offset in range(300):
        instant = now + timedelta(minutes=offset)
        at += instant in opens
        wall = instant.astimezone(ZoneInfo(zone))
        shows = wall.hour * 60 + wall.minute
        cheap = edges[0] <= shows < edges[1] if edges[0] < edges[1] else not edges[1] <= shows < edges[0]
        assert found.import_price[at] == (0.12 if cheap else 0.30)
        assert instant in opens or wall.minute != 0
