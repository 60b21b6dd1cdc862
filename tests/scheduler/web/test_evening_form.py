"""Tonight's form: read as the command line reads its options, each fault at its field."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from models.site.trips import Trip
from scheduler.nights.parse_request import parse_request
from scheduler.plan_output.plan_json import plan_document
from scheduler.web.evening_form import (
    MOST_TYPED,
    TypedEvening,
    TypedTrip,
    as_in_document,
    count_of,
    read_evening,
    rows_of_trips,
    typed_evening,
    usual_rows,
    with_row,
    without_row,
)
from tests.builders.plans import DEMO_EVENING, demo_inputs, demo_plan
from tests.builders.web import EVENING, NOW

ZONE = "Europe/Helsinki"
TRIP = TypedTrip("07:30", "18:00", "96")


def test_the_demo_evening_is_the_request_of_the_command() -> None:
    """What the README's first command asks, typed into the form."""
    options, faults = read_evening(typed_evening(EVENING.items()), demo_inputs(), NOW)
    assert faults == {}
    assert options is not None
    assert parse_request(options, demo_inputs()) == parse_request(DEMO_EVENING, demo_inputs())


@pytest.mark.parametrize(
    ("typed", "same"),
    [
        ({"soc": "71,0 %"}, {}),
        ({"soc": " 71 percent "}, {}),
        ({"leaves-0": "7.30", "back-0": "6 pm"}, {}),
        ({"leaves-0": "2026-03-03 7:30", "back-0": "2026-03-03T18:00"}, {}),
        ({"distance-0": "96 km"}, {}),
        ({"distance-0": "59.65 mi"}, {"distance-0": "95.997370"}),
        ({"away": "9pm"}, {"away": "21:00"}),
        ({"outside": "−5,5 °C"}, {"outside": "-5.5"}),
    ],
)
def test_ordinary_spellings_are_taken(typed: dict[str, str], same: dict[str, str]) -> None:
    """Each comes to the same request as its plain spelling."""
    requests = []
    for fields in (typed, same):
        options, faults = read_evening(typed_evening({**EVENING, **fields}.items()), demo_inputs(), NOW)
        assert faults == {}
        assert options is not None
        requests.append(parse_request(options, demo_inputs()))
    assert round(requests[0].trips[0].distance_km, 2) == round(requests[1].trips[0].distance_km, 2)
    assert [(trip.depart_at, trip.return_at) for trip in requests[0].trips] == [
        (trip.depart_at, trip.return_at) for trip in requests[1].trips
    ]
    assert requests[0].home_at == requests[1].home_at
    assert requests[0].outside_degc == requests[1].outside_degc


@pytest.mark.parametrize(
    ("typed", "field", "told"),
    [
        ({"soc": ""}, "soc", "none given"),
        ({"soc": "0.71"}, "soc", "did you mean 71"),
        ({"soc": "1,500"}, "soc", "did you mean 1.5 or 1500"),
        ({"soc": "seventy"}, "soc", 'found "seventy"; expected a number of %'),
        ({"soc": "101"}, "soc", "101 is over 100"),
        ({"soc": "nan"}, "soc", "not finite"),
        ({"leaves-0": "half eight"}, "leaves-0", "expected a time such as 07:30"),
        ({"leaves-0": ""}, "leaves-0", "none given"),
        ({"back-0": "25:00"}, "back-0", "expected a time"),
        ({"distance-0": "far"}, "distance-0", "expected"),
        ({"distance-0": "96000"}, "distance-0", "did you mean 96"),
        ({"leaves-0": "2026-03-01 07:30"}, "trip-0", "in the past"),
        ({"back-0": "07:30"}, "trip-0", "returns when it departs"),
        ({"leaves-1": "08:00", "back-1": "09:00", "distance-1": "5"}, "trips", "overlap"),
        ({"away": "late"}, "away", "expected"),
        ({"away": "18:00"}, "away", "is past, and the next is"),
        ({"away": "23:00..22:00"}, "away", "expected up to 12 hours"),
        ({"outside": "cold"}, "outside", "expected a number of °C"),
        ({"outside": "99"}, "outside", "99 is over 55"),
        ({"highest": "60"}, "highest", "60 is under “State of charge” 71"),
    ],
)
def test_a_fault_is_told_at_its_field(typed: dict[str, str], field: str, told: str) -> None:
    """With what was found, what is expected, and what may have been meant; in the page's words."""
    options, faults = read_evening(typed_evening({**EVENING, **typed}.items()), demo_inputs(), NOW)
    assert options is None
    assert list(faults) == [field]
    assert told in faults[field][0]
    assert "--" not in faults[field][0]


def test_all_faults_are_told_at_once() -> None:
    typed = {"soc": "x", "away": "x", "outside": "x", "highest": "x", "leaves-0": "x", "back-0": "x", "distance-0": "x"}
    _, faults = read_evening(typed_evening(typed.items()), demo_inputs(), NOW)
    assert set(faults) == {"soc", "away", "outside", "highest", "leaves-0", "back-0", "distance-0"}
    assert count_of(faults) == 7


def test_a_state_of_charge_that_was_filled_in_must_be_confirmed() -> None:
    """By a tick, or by typing another."""
    filled = {**EVENING, "soc": "64", "carried": "64"}
    for more, is_right in (({}, False), ({"confirmed": "yes"}, True), ({"soc": "63"}, True)):
        options, faults = read_evening(typed_evening({**filled, **more}.items()), demo_inputs(), NOW)
        assert (options is not None) == is_right
        assert list(faults) == ([] if is_right else ["soc"])


def test_a_form_without_a_trip_means_none() -> None:
    """Not the usual ones: they stood in the form and were taken away; empty rows are no trips."""
    for trips in ((), (TypedTrip(),), (TypedTrip(" ", "", "", "fast"),)):
        options, faults = read_evening(TypedEvening("71", trips=trips), demo_inputs(), NOW)
        assert faults == {}
        assert options is not None
        assert options.stay_home
        assert parse_request(options, demo_inputs()).trips == ()


def test_rows_are_added_and_taken_away() -> None:
    typed = TypedEvening("71", trips=(TRIP,))
    assert with_row(typed).trips == (TRIP, TypedTrip())
    assert without_row(with_row(typed), 0).trips == (TypedTrip(),)
    assert without_row(typed, 7) == typed
    many = typed
    for _ in range(60):
        many = with_row(many)
    assert len(many.trips) == 50


def test_the_usual_trips_are_filled_in() -> None:
    """The demo's of a Tuesday, in clock times."""
    assert usual_rows(demo_inputs(), NOW) == (TypedTrip("08:10", "16:40", "74"),)


@pytest.mark.parametrize(
    ("depart", "comeback", "row"),
    [
        ("2026-03-03T07:30", "2026-03-03T18:00", ("07:30", "18:00")),
        ("2026-03-02T22:00", "2026-03-03T06:00", ("22:00", "06:00")),
        ("2026-03-04T07:30", "2026-03-04T18:00", ("2026-03-04 07:30", "2026-03-04 18:00")),
        ("2026-03-03T07:30", "2026-03-05T18:00", ("2026-03-03 07:30", "2026-03-05 18:00")),
    ],
)
def test_a_trip_in_a_row_is_read_as_that_trip(depart: str, comeback: str, row: tuple[str, str]) -> None:
    """With dates only where clock times would mean another."""
    begin, end = (datetime.fromisoformat(f"{each}+02:00").astimezone(UTC) for each in (depart, comeback))
    trip = Trip(begin, end, 12.5, "fast")
    (typed,) = rows_of_trips([trip], NOW, ZONE)
    assert (typed.leaves, typed.back) == row
    options, faults = read_evening(TypedEvening("71", trips=(typed,)), demo_inputs(), NOW)
    assert faults == {}
    assert options is not None
    assert parse_request(options, demo_inputs()).trips == (trip,)


def test_yesterday_s_answer_comes_back() -> None:
    """From a plan's document: trips at their clock times, when the car came home, the weather."""
    document = {
        "trips": [{"depart": "2026-03-03T07:30:00+02:00", "return": "2026-03-03T18:00:00+02:00", "distance_km": 96.0}],
        "home_at": {"earliest": "2026-03-02T21:00:00+02:00", "latest": "2026-03-02T23:00:00+02:00"},
        "outside_degc": -5.5,
    }
    typed = as_in_document(document, NOW, ZONE)
    assert typed == TypedEvening(away="21:00..23:00", outside="-5.5", trips=(TRIP,))
    assert as_in_document({}, NOW, ZONE) == TypedEvening()


def test_what_is_typed_is_bounded() -> None:
    """Long texts are cut, strange names passed over, rows are in the order of their numbers."""
    form = [
        ("soc", "7" * 5000),
        ("leaves-9", "b"),
        ("leaves-2", "a"),
        ("leaves-x", "c"),
        ("__class__", "d"),
        ("pace-2", "warp"),
    ]
    typed = typed_evening(form)
    assert typed.soc == "7" * MOST_TYPED
    assert [trip.leaves for trip in typed.trips] == ["a", "b"]
    assert typed.trips[0].pace == "usual"


def test_the_demo_s_plan_document_is_an_answer() -> None:
    """The real document of a plan, not one made for the test."""
    assert as_in_document(plan_document(demo_plan()), NOW, ZONE).trips == (TRIP,)
