"""What the owner types as a trip or a moment, clock changes included."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.site.trips import Trip
from scheduler.nights.parse_trip import check_trips, parse_trip, trip_text
from scheduler.textio.errors import InputFaults
from scheduler.textio.parse_time import parse_moment
from tests.builders.sites import TIMEZONE, faults_of

NOW = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)
BEFORE_LOST_HOUR = datetime(2026, 3, 28, 18, 20, tzinfo=UTC)
"""The evening before the clocks skip 01:00 to 02:00."""
BEFORE_DOUBLED_HOUR = datetime(2026, 10, 24, 17, 20, tzinfo=UTC)
"""The evening before the clocks show 01:00 to 02:00 twice, first at +01:00."""


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def trip(depart: str, comeback: str, distance_km: float = 0.0) -> Trip:
    return Trip(utc(depart), utc(comeback), distance_km)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("07:30-18:00 96km", trip("2026-03-03T07:30", "2026-03-03T18:00", 96)),
        ("18:20-19:00 5km", trip("2026-03-02T18:20", "2026-03-02T19:00", 5)),
        ("18:19-19:00 5km", trip("2026-03-03T18:19", "2026-03-03T19:00", 5)),
        ("20:00-02:00 5km", trip("2026-03-02T20:00", "2026-03-03T02:00", 5)),
        ("2026-03-03T07:30-2026-03-04T18:00 240km", trip("2026-03-03T07:30", "2026-03-04T18:00", 240)),
        ("2026-03-03T07:30-18:00 40km", trip("2026-03-03T07:30", "2026-03-03T18:00", 40)),
        ("2026-03-03T22:30-06:00 40km", trip("2026-03-03T22:30", "2026-03-04T06:00", 40)),
        ("2026-03-31T07:30-18:00 40km", trip("2026-03-31T06:30", "2026-03-31T17:00", 40)),
        ("07:30-18:00 9.5 km", trip("2026-03-03T07:30", "2026-03-03T18:00", 9.5)),
        ("  07:30-18:00  .5km ", trip("2026-03-03T07:30", "2026-03-03T18:00", 0.5)),
        ("07:30-18:00 0km", trip("2026-03-03T07:30", "2026-03-03T18:00", 0)),
        ("07:30-18:00 60mi", trip("2026-03-03T07:30", "2026-03-03T18:00", 96.56064)),
    ],
)
def test_a_trip_is_read_from_words(words: str, expected: Trip) -> None:
    read, notes = parse_trip(words, NOW, TIMEZONE)
    assert read.depart_at == expected.depart_at
    assert read.return_at == expected.return_at
    assert read.distance_km == pytest.approx(expected.distance_km)
    assert read.depart_at.tzinfo is read.return_at.tzinfo is UTC
    assert notes == ()


@pytest.mark.parametrize(
    "words",
    [
        "",
        "96km",
        "07:30-18:00",
        "07:30-18:00 96",
        "07:30-18:00 96 leagues",
        "07:30-18:0096km",
        "7-18 96km",
        "07:30 18:00 96km",
        "half past seven to six 96km",
        "07:30-2026-03-04T18:00 96km",
        "2026-03-03,07:30-18:00 96km",
        "2026-03-03T07:30+00:00-18:00 96km",
        "07:30-18:00 96km 07:30-18:00 96km",
        "tomorrow 96km",
        "x" * 10_000_000,
    ],
    ids=range(15),
)
def test_anything_else_is_a_fault_that_shows_the_forms(words: str) -> None:
    found = faults_of(lambda: parse_trip(words, NOW, TIMEZONE))
    assert len(found) == 1
    assert found[0].startswith("--trip: found ")
    assert '"07:30-18:00 96km" or "2026-03-03T07:30-2026-03-04T18:00 96km"' in found[0]
    assert len(found[0]) < 160


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("07:30-07:30 9km", "returns when it departs"),
        ("2026-03-03T07:30-07:30 9km", "returns when it departs"),
        ("2026-03-03T07:30-2026-03-03T07:30 9km", "returns before it departs"),
        ("2026-03-03T07:30-2026-03-02T18:00 9km", "returns before it departs"),
        ("2026-03-02T18:19-19:00 9km", "is in the past"),
        ("2025-03-03T07:30-18:00 9km", "is in the past"),
        ("25:00-18:00 9km", '"25:00" is not a valid time'),
        ("24:00-07:00 9km", '"24:00" is not a valid time'),
        ("07:30-18:60 9km", '"18:60" is not a valid time'),
        ("2026-02-30T07:30-18:00 9km", '"2026-02-30" is not a valid date'),
        ("2026-03-03T07:30-9999-12-31T18:00 9km", "found the year 9999"),
        ("07:30-18:00 -9km", "is under 0; expected 0 to 5000 km"),
        ("07:30-18:00 nankm", "is not a number"),
        ("07:30-18:00 inf km", "is not a number"),
        ("07:30-18:00 9,5,1km", "is not a number"),
        (f"07:30-18:00 {'9' * 400}km", "is not finite; expected 0 to 5000 km"),
    ],
)
def test_an_impossible_trip_is_a_fault(words: str, message: str) -> None:
    found = faults_of(lambda: parse_trip(words, NOW, TIMEZONE))
    assert len(found) == 1
    assert message in found[0]


@pytest.mark.parametrize(
    "words",
    ["01:30-08:00 9km", "2026-03-29T01:30-08:00 9km", "23:00-01:30 9km", "22:00-2026-03-29T01:30 9km"],
)
def test_a_time_that_the_clocks_skip_is_a_fault(words: str) -> None:
    words = words.replace("22:00", "2026-03-28T22:00")
    found = faults_of(lambda: parse_trip(words, BEFORE_LOST_HOUR, TIMEZONE))
    assert found == ["--trip: the clocks skip 01:30 on 2026-03-29; expected a time before or after"]


def test_after_the_lost_hour_the_next_such_time_is_tomorrows() -> None:
    read, _ = parse_trip("01:30-08:00 9km", utc("2026-03-29T01:00"), TIMEZONE)
    assert read == trip("2026-03-30T00:30", "2026-03-30T07:00", 9)


def test_in_a_doubled_hour_the_departure_is_the_first_and_a_note_says_so() -> None:
    read, notes = parse_trip("01:30-08:00 9km", BEFORE_DOUBLED_HOUR, TIMEZONE)
    assert read == trip("2026-10-25T00:30", "2026-10-25T08:00", 9)
    assert notes == ("the departure occurs twice as the clocks go back; taken as the first, 2026-10-25T01:30+01:00",)


def test_in_a_doubled_hour_the_return_is_the_second_and_a_note_says_so() -> None:
    read, notes = parse_trip("2026-10-24T20:00-01:30 9km", BEFORE_DOUBLED_HOUR, TIMEZONE)
    assert read == trip("2026-10-24T19:00", "2026-10-25T01:30", 9)
    assert notes == ("the return occurs twice as the clocks go back; taken as the second, 2026-10-25T01:30+00:00",)


def test_between_the_two_occurrences_the_departure_is_the_second() -> None:
    read, notes = parse_trip("01:30-08:00 9km", utc("2026-10-25T00:45"), TIMEZONE)
    assert read.depart_at == utc("2026-10-25T01:30")
    assert notes == ()


def test_now_may_be_given_in_any_zone() -> None:
    local = BEFORE_LOST_HOUR.astimezone(ZoneInfo(TIMEZONE))
    assert parse_trip("07:30-18:00 9km", local, TIMEZONE)[0] == trip("2026-03-29T06:30", "2026-03-29T17:00", 9)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("21:00", "2026-03-02T21:00"),
        ("18:20", "2026-03-02T18:20"),
        ("18:19", "2026-03-03T18:19"),
        ("21:00:00", "2026-03-02T21:00"),
        ("2026-03-02T21:00", "2026-03-02T21:00"),
        (" 2026-07-02T21:00:00 ", "2026-07-02T20:00"),
        ("2026-03-02T21:00+00:00", "2026-03-02T21:00"),
        ("2026-03-02T21:00-05:00", "2026-03-03T02:00"),
        ("2026-03-02T21:00Z", "2026-03-02T21:00"),
    ],
)
def test_a_moment_is_read_from_words(words: str, expected: str) -> None:
    moment = parse_moment(words, NOW, TIMEZONE, "--home-at")
    assert moment == utc(expected)
    assert moment.tzinfo is UTC


def test_without_a_now_a_date_is_needed_and_the_past_is_allowed() -> None:
    assert parse_moment("2020-03-02T18:20", None, TIMEZONE, "--now") == utc("2020-03-02T18:20")
    assert faults_of(lambda: parse_moment("18:20", None, TIMEZONE, "--now")) == [
        '--now: found "18:20"; expected "2026-03-02T18:20" or "2026-03-02T18:20+00:00"'
    ]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("", 'found ""; expected "21:00", "2026-03-02T18:20" or "2026-03-02T18:20+00:00"'),
        ("nine", 'found "nine"'),
        ("9", 'found "9"'),
        ("21:00:30", 'found "21:00:30"'),
        ("2026-03-02T21:00:30", "found "),
        ("2026-03-02", "found "),
        ("21:00+00:00", "found "),
        ("24:00", '"24:00" is not a valid time'),
        ("2026-02-29T21:00", '"2026-02-29" is not a valid date'),
        ("0001-01-01T00:00+14:00", "found the year 1"),
        ("2026-03-02T21:00+25:00", "is not a valid moment"),
        ("2026-03-02T18:19", "is in the past"),
        ("2026-03-02T18:19+00:00", "is in the past"),
    ],
)
def test_an_impossible_moment_is_a_fault(words: str, message: str) -> None:
    found = faults_of(lambda: parse_moment(words, NOW, TIMEZONE, "--home-at"))
    assert len(found) == 1
    assert found[0].startswith("--home-at: ")
    assert message in found[0]


@pytest.mark.parametrize("words", ["01:30", "2026-03-29T01:30"])
def test_a_moment_that_the_clocks_skip_is_a_fault(words: str) -> None:
    found = faults_of(lambda: parse_moment(words, BEFORE_LOST_HOUR, TIMEZONE, "--home-at"))
    assert found == ["--home-at: the clocks skip 01:30 on 2026-03-29; expected a time before or after"]


@pytest.mark.parametrize("words", ["01:30", "2026-10-25T01:30"])
def test_a_moment_that_occurs_twice_is_a_fault_naming_both(words: str) -> None:
    found = faults_of(lambda: parse_moment(words, BEFORE_DOUBLED_HOUR, TIMEZONE, "--home-at"))
    assert len(found) == 1
    assert "2026-10-25T01:30+01:00 or 2026-10-25T01:30+00:00" in found[0]


def test_a_moment_that_occurs_twice_is_read_with_its_offset() -> None:
    moment = parse_moment("2026-10-25T01:30+00:00", BEFORE_DOUBLED_HOUR, TIMEZONE, "--home-at")
    assert moment == utc("2026-10-25T01:30")


def test_trips_come_back_in_time_order_and_may_touch() -> None:
    first, second = trip("2026-03-03T07:00", "2026-03-03T09:00"), trip("2026-03-03T09:00", "2026-03-03T10:00")
    assert check_trips([second, first], NOW) == (first, second)
    assert check_trips([], NOW) == ()


def test_overlapping_trips_are_a_fault_naming_both() -> None:
    trips = [
        trip("2026-07-03T07:00", "2026-07-03T09:00", 5),
        trip("2026-07-03T08:59", "2026-07-03T10:00", 9.5),
    ]
    assert faults_of(lambda: check_trips(trips, NOW, TIMEZONE)) == [
        "--trip: the trips Fri 08:00 to 10:00 and Fri 09:59 to 11:00 overlap; expected trips one after the other"
    ]


def test_a_trip_in_the_past_is_a_fault() -> None:
    found = faults_of(lambda: check_trips([trip("2026-03-02T18:19", "2026-03-02T19:00")], NOW))
    assert len(found) == 1
    assert "departs in the past" in found[0]


CLOCK_PIECES = st.sampled_from(["07:30", "01:30", "24:00", "2026-03-29T01:30", "9999-12-31T23:59", "0000-00-00T00:00"])


@given(
    words=st.one_of(
        st.text(),
        st.tuples(CLOCK_PIECES, CLOCK_PIECES, st.text(max_size=4)).map(lambda p: f"{p[0]}-{p[1]} {p[2]}km"),
        CLOCK_PIECES,
    ),
    now=st.datetimes(datetime(2000, 1, 1), datetime(2100, 1, 1), timezones=st.just(UTC)),
    timezone=st.sampled_from([TIMEZONE, "America/St_Johns", "Australia/Lord_Howe", "Pacific/Apia"]),
)
@settings(deadline=None)
def test_random_words_raise_nothing_but_input_faults(words: str, now: datetime, timezone: str) -> None:
    if not faults_of(lambda: parse_trip(words, now, timezone)):
        read, _ = parse_trip(words, now, timezone)
        assert now <= read.depart_at < read.return_at
    faults_of(lambda: parse_moment(words, now, timezone, "--home-at"))


@pytest.mark.parametrize(
    ("words", "pace"),
    [("07:30-18:00 96km", "usual"), ("07:30-18:00 96km fast", "fast"), ("07:30-18:00 60 mi  slow", "slow")],
)
def test_a_pace_may_follow_the_distance(words: str, pace: str) -> None:
    """Without one, a trip is driven as usual."""
    now = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)
    trip, _ = parse_trip(words, now, "Europe/Dublin")
    assert trip.pace == pace
    assert trip_text(trip, "Europe/Dublin").endswith("km" if pace == "usual" else pace)


def test_another_pace_is_a_fault() -> None:
    """It says which there are."""
    with pytest.raises(InputFaults, match=r'"quick" after the distance; expected slow or fast, or nothing'):
        parse_trip("07:30-18:00 96km quick", datetime(2026, 3, 2, 18, 20, tzinfo=UTC), "Europe/Dublin")
