"""The week's usual trips, as far as they depart tonight, clock changes included."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from models.site.trips import Trip
from scheduler.inputs.site import Site, UsualTrip
from scheduler.inputs.site_file import read_site
from scheduler.inputs.usual_trips import usual_trips_tonight
from tests.builders.sites import TIMEZONE, write_site

EVERY_DAY = frozenset(range(7))


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Site:
    return read_site(write_site(tmp_path_factory.mktemp("site")))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def usual(depart: str, comeback: str, days: Iterable[int] = EVERY_DAY) -> UsualTrip:
    minutes = [int(clock[:2]) * 60 + int(clock[3:]) for clock in (depart, comeback)]
    return UsualTrip(frozenset(days), minutes[0], minutes[1], 9.0)


def tonight(
    site: Site, trips: list[UsualTrip], now: datetime, hours: float = 24
) -> tuple[list[tuple[datetime, datetime]], tuple[str, ...]]:
    found, notes = usual_trips_tonight(
        replace(site, usual_trips=tuple(trips)), now, now + timedelta(hours=hours), TIMEZONE
    )
    return [(trip.depart_at, trip.return_at) for trip in found], notes


def test_the_sites_usual_trip_of_tomorrow_is_planned(site: Site) -> None:
    now = utc("2026-03-02T18:20")
    assert usual_trips_tonight(site, now, now + timedelta(hours=24), TIMEZONE) == (
        (Trip(utc("2026-03-03T08:10"), utc("2026-03-03T17:30"), 31.0),),
        (),
    )


def test_a_trip_happens_only_on_its_days(site: Site) -> None:
    now = utc("2026-03-06T18:20")
    assert usual_trips_tonight(site, now, now + timedelta(hours=24), TIMEZONE) == ((), ())


def test_trips_departing_at_now_count_and_those_departing_at_the_end_do_not(site: Site) -> None:
    trips = [usual("18:20", "19:00")]
    found, _ = tonight(site, trips, utc("2026-03-02T18:20"))
    assert found == [(utc("2026-03-02T18:20"), utc("2026-03-02T19:00"))]


def test_trips_come_in_time_order_over_longer_horizons(site: Site) -> None:
    trips = [usual("20:00", "21:00"), usual("08:00", "09:00"), usual("22:00", "02:00")]
    found, _ = tonight(site, trips, utc("2026-03-02T18:20"), hours=48)
    assert len(found) == 6
    assert found == sorted(found)
    assert found[1] == (utc("2026-03-02T22:00"), utc("2026-03-03T02:00"))


def test_a_trip_under_way_is_left_out_with_a_note(site: Site) -> None:
    found, notes = tonight(site, [usual("08:10", "17:30")], utc("2026-03-03T12:00"), hours=12)
    assert found == []
    assert notes == (
        "the usual trip until 17:30 is under way by the clock; planned as if the car is at home; "
        "if not, give --home-at 17:30",
    )


def test_a_trip_under_way_since_yesterday_is_left_out_with_a_note(site: Site) -> None:
    found, notes = tonight(site, [usual("22:00", "21:30")], utc("2026-03-03T12:00"))
    assert found == [(utc("2026-03-03T22:00"), utc("2026-03-04T21:30"))]
    assert len(notes) == 1


def test_a_trip_that_returns_at_now_is_not_under_way(site: Site) -> None:
    assert tonight(site, [usual("08:10", "17:30")], utc("2026-03-03T17:30"), hours=12) == ([], ())


def test_times_that_the_clocks_skip_move_to_the_first_instant_after_the_gap(site: Site) -> None:
    found, notes = tonight(site, [usual("01:30", "08:00")], utc("2026-03-28T18:20"))
    assert found == [(utc("2026-03-29T01:00"), utc("2026-03-29T07:00"))]
    assert notes == ("the clocks skip the usual departure 01:30; taken as 2026-03-29T02:00+01:00",)


def test_a_trip_wholly_inside_the_lost_hour_takes_no_time_and_is_left_out(site: Site) -> None:
    found, notes = tonight(site, [usual("01:10", "01:50")], utc("2026-03-28T18:20"))
    assert found == []
    assert len(notes) == 2


def test_in_a_doubled_hour_departures_are_the_first_and_returns_the_second(site: Site) -> None:
    found, notes = tonight(site, [usual("01:30", "01:20", [6])], utc("2026-10-24T17:20"))
    assert found == [(utc("2026-10-25T00:30"), utc("2026-10-26T01:20"))]
    assert "taken as 2026-10-25T01:30+01:00" in notes[0]
    found, notes = tonight(site, [usual("20:00", "01:30")], utc("2026-10-24T17:20"))
    assert found == [(utc("2026-10-24T19:00"), utc("2026-10-25T01:30"))]
    assert "taken as 2026-10-25T01:30+00:00" in notes[0]


def test_in_a_doubled_hour_no_trip_departs_before_the_one_before_it_is_back(site: Site) -> None:
    found, _ = tonight(site, [usual("23:00", "01:15"), usual("01:40", "05:00")], utc("2026-10-24T17:20"))
    assert found == [
        (utc("2026-10-24T22:00"), utc("2026-10-25T01:15")),
        (utc("2026-10-25T01:40"), utc("2026-10-25T05:00")),
    ]


def test_a_trip_under_way_until_a_doubled_time_names_the_instant(site: Site) -> None:
    _, notes = tonight(site, [usual("20:00", "01:30")], utc("2026-10-24T20:00"), hours=12)
    assert notes[0].endswith("give --home-at 2026-10-25T01:30+00:00")
