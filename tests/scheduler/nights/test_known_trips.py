"""Which trips are known when, and which differences call for a new plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.known_trips import (
    MOST_REPLANS,
    known_trips,
    replan_times,
    trip_groups,
    trips_as_usual,
    trips_kind,
)
from tests.builders.sites import write_site


def at(text: str) -> datetime:
    """A moment of February 2026, when the site's clock shows UTC: "02 08:10" is a Monday's."""
    return datetime.fromisoformat(f"2026-02-{text}").replace(tzinfo=UTC)


def drive(depart: str, comeback: str, km: float = 31.0) -> Trip:
    return Trip(at(depart), at(comeback), km)


# the usual trip departs at 08:10 from Monday to Friday, is back at 17:30, and has 31 km
USUAL = drive("03 08:10", "03 17:30")
EVENING, NEXT = at("02 18:00"), at("03 18:00")


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def driven(site: Inputs, *trips: Trip, notice: float = 12) -> Inputs:
    """The site with these recorded trips, and a notice [h]."""
    plan = replace(site.site.plan, trip_notice_hours=notice)
    return replace(site, recorded_trips=trips, site=replace(site.site, plan=plan))


def seen(inputs: Inputs, now: datetime) -> tuple[Trip, ...]:
    return known_trips(trip_groups(inputs, EVENING, NEXT), now, NEXT)


def replans(inputs: Inputs) -> list[datetime]:
    return replan_times(trip_groups(inputs, EVENING, NEXT), EVENING, NEXT, NEXT, inputs.site.car)


def test_a_trip_as_usual_is_no_news(site: Inputs) -> None:
    """The usual trip, driven: expected before and after the notice, and no new plan."""
    inputs = driven(site, USUAL)
    assert seen(inputs, EVENING) == seen(inputs, at("02 21:00")) == (USUAL,)
    assert replans(inputs) == []


def test_a_usual_trip_is_one_until_what_is_driven_is_known(site: Inputs) -> None:
    """When the car is back from it is not certain until 20:10; from then on the recorded drive is known."""
    inputs = driven(site, drive("03 08:10", "03 17:55"))
    groups = trip_groups(inputs, EVENING, NEXT)
    assert trips_as_usual(groups, at("02 20:09"))[:1] == (USUAL,)
    assert USUAL not in trips_as_usual(groups, at("02 20:10"))


def test_another_trip_is_driven_in_place_of_the_usual_one(site: Inputs) -> None:
    """Leaving at 07:00 for 90 km: from 19:00 on it stands for the usual trip, which would have left later."""
    longer = drive("03 07:00", "03 18:00", 90)
    inputs = driven(site, longer)
    assert seen(inputs, at("02 18:59")) == (USUAL,)
    assert seen(inputs, at("02 19:00")) == (longer,)
    assert replans(inputs) == [at("02 19:00")]
    assert seen(driven(site, longer, notice=24), EVENING) == (longer,)
    assert replans(driven(site, longer, notice=24)) == []


def test_a_trip_that_is_not_driven_is_known_as_late(site: Inputs) -> None:
    """The car stays at home: the usual trip is expected until 20:10, or without notice until it should have left."""
    assert seen(driven(site), at("02 20:09")) == (USUAL,)
    assert seen(driven(site), at("02 20:10")) == ()
    assert replans(driven(site)) == [at("02 20:10")]
    assert replans(driven(site, notice=0)) == [at("03 08:10")]


def test_a_trip_that_is_not_usual_is_a_trip_more(site: Inputs) -> None:
    """Out at night, back before the usual trip: each is known by itself; without notice the new plan waits for it."""
    night = drive("02 22:00", "03 01:00", 60)
    inputs = driven(site, night, USUAL, notice=3)
    assert seen(inputs, EVENING) == (USUAL,)
    assert seen(inputs, at("02 19:00")) == (night, USUAL)
    assert replans(inputs) == [at("02 19:00")]
    assert replans(driven(site, night, USUAL, notice=0)) == [at("03 01:00")]


@pytest.mark.parametrize(
    ("trip", "called"),
    [
        (drive("03 08:40", "03 17:10", 34), False),  # 30 and 20 minutes, and 3 of the 3.1 km of the margin
        (drive("03 08:45", "03 17:30", 31), True),
        (drive("03 08:10", "03 18:01", 31), True),
        (drive("03 08:10", "03 17:30", 35), True),
    ],
)
def test_ready_time_and_margin_cover_small_differences(site: Inputs, trip: Trip, called: bool) -> None:
    """30 minutes and 10 % by this car's keys: less calls for no new plan."""
    assert bool(replans(driven(site, trip))) == called


def test_new_plans_are_bounded(site: Inputs) -> None:
    """Many short drives in an evening, each unforeseen: so many new plans and no more."""
    drives = [
        drive(f"02 {hour}:{minute:02}", f"02 {hour}:{minute + 5:02}", 3) for hour in (19, 20) for minute in (0, 20, 40)
    ]
    assert len(replans(driven(site, *drives, USUAL, notice=0))) == MOST_REPLANS


def test_a_long_absence_stands_for_all_usual_trips_in_it(site: Inputs) -> None:
    """Away from Monday night to Thursday: known at once, and no usual trip is expected on the way."""
    away = drive("02 23:00", "05 12:00", 400)
    inputs = driven(site, away, notice=5)
    groups = trip_groups(inputs, EVENING, at("06 00:00"))
    assert known_trips(groups, EVENING, at("06 00:00")) == (away,)
    assert len([group for group in groups if away in group.recorded]) == 1


def test_the_default(site: Inputs, tmp_path: Path) -> None:
    """Usual where the site has usual trips; perfect foresight knows all trips."""
    without = replace(site.site, usual_trips=())
    assert trips_kind(site.site, None, "typical") == "usual"
    assert trips_kind(without, None, "typical") == "recorded"
    assert trips_kind(site.site, "recorded", "typical") == "recorded"
    assert trips_kind(site.site, "usual", "recorded") == "recorded"
