"""Tonight's question as typed: which trips, when the car is home, and every option at fault at once."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from models.site.trips import Trip
from scheduler.inputs.site import UsualTrip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.request import Request
from scheduler.textio.errors import InputFaults
from tests.builders.sites import write_site

# a Monday in winter time: local time is UTC; the site's usual trip is 08:10 to 17:30, 31 km, on weekdays
NOW = "2026-03-02T18:20"
TOMORROW = Trip(datetime(2026, 3, 3, 8, 10, tzinfo=UTC), datetime(2026, 3, 3, 17, 30, tzinfo=UTC), 31.0)
AS_USUAL = "No trip was given; taken as usual: Tue 08:10 to 17:30, 31 km."


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def asked(inputs: Inputs, *trips: str, soc_percent: float = 71, now: str | None = NOW, **options: object) -> Request:
    return parse_request(RequestOptions(soc_percent, now=now, trips=trips, **options), inputs)  # type: ignore[arg-type]


def faults(inputs: Inputs, *trips: str, **options: object) -> list[str]:
    with pytest.raises(InputFaults) as caught:
        asked(inputs, *trips, **options)  # type: ignore[arg-type]
    return [str(fault) for fault in caught.value.faults]


def departures(evening: Request) -> list[datetime]:
    return [trip.depart_at for trip in evening.trips]


def test_a_plain_evening_takes_the_usual_trip(inputs: Inputs) -> None:
    """With a state of charge alone, tomorrow's usual trip is planned, today's is over, and one line says so."""
    assert replace(asked(inputs), later_trips=()) == Request(
        now=utc("2026-03-02T18:20"),
        soc_percent=71,
        trips=(TOMORROW,),
        as_usual=(TOMORROW,),
        highest_soc_today_percent=80,  # 71 % and the 9.8 % of today's trip, but the ceiling at most
        highest_soc_today_from="usual-trips",
        forecast="samples",
        notes=(AS_USUAL,),
    )


def test_the_trips_of_the_week_after_the_plan_are_known_too(inputs: Inputs) -> None:
    """The usual ones, and between them those that are given for those days."""
    usual = [TOMORROW.depart_at + timedelta(days=days) for days in (1, 2, 3, 6, 7)]  # weekdays
    assert [trip.depart_at for trip in asked(inputs).later_trips] == usual
    given = asked(inputs, "2026-03-04T07:00-2026-03-04T12:00 50km")
    assert given.trips != ()
    assert [trip.depart_at for trip in given.later_trips] == [utc("2026-03-04T07:00"), *usual[1:]]


def test_every_choice_of_tonight_is_kept(inputs: Inputs) -> None:
    """Wear weight, forecast, solar and today's highest charge arrive as they were typed."""
    evening = asked(
        inputs, stay_home=True, highest_soc_today_percent=88, wear_weight=0.0, forecast="recorded", solar="low"
    )
    assert replace(evening, later_trips=()) == Request(
        utc("2026-03-02T18:20"), 71, (), None, 88, "given", wear_weight=0.0, forecast="recorded", solar="low"
    )


def test_without_a_moment_it_is_this_minute(inputs: Inputs) -> None:
    """The plan begins at a whole minute of the present."""
    before = datetime.now(UTC)
    now = asked(inputs, now=None, stay_home=True).now
    assert before - timedelta(minutes=1) < now <= datetime.now(UTC)
    assert (now.second, now.microsecond) == (0, 0)


def test_named_trips_replace_the_usual_one(inputs: Inputs) -> None:
    """Trips that are typed come in time order, whatever order they were typed in, and alone."""
    evening = asked(inputs, "19:00-21:00 12km", "07:30-18:00 60mi")
    assert departures(evening) == [utc("2026-03-02T19:00"), utc("2026-03-03T07:30")]
    # 60 international miles of 1.609344 km (NIST Special Publication 811, appendix B.8)
    assert evening.trips[1].distance_km == pytest.approx(96.56064)


def test_a_trip_beyond_the_plan_is_still_heard(inputs: Inputs) -> None:
    """A trip in three days is no fault; what becomes of it is said where the night is built."""
    assert departures(asked(inputs, "2026-03-05T07:30-18:00 96km")) == [utc("2026-03-05T07:30")]


def test_staying_home_plans_no_trip(inputs: Inputs) -> None:
    """`--stay-home` leaves the usual trip out."""
    assert asked(inputs, stay_home=True).trips == ()


def test_staying_home_and_a_trip_exclude_each_other(inputs: Inputs) -> None:
    """Both at once are a fault that names them."""
    (fault,) = faults(inputs, "07:30-18:00 96km", stay_home=True)
    assert "--stay-home" in fault
    assert "--trip" in fault


@pytest.mark.parametrize("soc_percent", [140, -1, 100.01, math.nan, math.inf])
def test_a_state_of_charge_outside_0_to_100_is_at_fault(inputs: Inputs, soc_percent: float) -> None:
    """140 %, a negative one and one that is no number name the option, what was found and what is allowed."""
    (fault,) = faults(inputs, soc_percent=soc_percent)
    assert fault.startswith(f"--soc: {soc_percent} is ")
    assert fault.endswith("; expected 0, or 1 to 100 %")


@pytest.mark.parametrize("soc_percent", [0, 100])
def test_an_empty_and_a_full_car_are_allowed(inputs: Inputs, soc_percent: float) -> None:
    """The ends of the scale belong to it."""
    assert asked(inputs, soc_percent=soc_percent).soc_percent == soc_percent


@pytest.mark.parametrize("highest", [70.9, 101, math.nan])
def test_todays_highest_is_a_percentage_no_lower_than_now(inputs: Inputs, highest: float) -> None:
    """Below the present 71 %, over 100 % or no number: one fault, of that option."""
    (fault,) = faults(inputs, highest_soc_today_percent=highest)
    assert fault.startswith("--highest-soc-today: ")


def test_todays_highest_is_not_measured_against_an_impossible_state_of_charge(inputs: Inputs) -> None:
    """Next to 140 % now, 88 % is not blamed for being lower."""
    (fault,) = faults(inputs, soc_percent=140, highest_soc_today_percent=88)
    assert fault.startswith("--soc: ")


def test_todays_highest_may_be_the_present(inputs: Inputs) -> None:
    """A car that was never fuller today is as full as now."""
    assert asked(inputs, highest_soc_today_percent=71).highest_soc_today_percent == 71


@pytest.mark.parametrize("weight", [-0.1, math.nan, math.inf])
def test_a_wear_weight_is_a_number_of_0_or_more(inputs: Inputs, weight: float) -> None:
    """A negative, an endless or no number is a fault of that option."""
    (fault,) = faults(inputs, wear_weight=weight)
    assert fault.startswith("--wear-weight: ")


def test_all_faults_come_at_once(inputs: Inputs) -> None:
    """Six things wrong are six faults: the owner mends them in one go."""
    told = faults(
        inputs,
        "07:30 to 18:00",
        "2026-03-01T07:30-18:00 96km",
        soc_percent=140,
        highest_soc_today_percent=math.nan,
        wear_weight=-1.0,
        home_at="25:00",
    )
    assert [fault.split(":")[0] for fault in told] == [
        *["--soc", "--highest-soc-today", "--wear-weight", "--home-at", "--trip", "--trip"]
    ]


def test_a_moment_that_cannot_be_read_comes_with_the_other_faults(inputs: Inputs) -> None:
    """Without a now no time can be judged, but the state of charge still is."""
    told = faults(inputs, now="tomorrow", soc_percent=140)
    assert [fault.split(":")[0] for fault in told] == ["--soc", "--now"]


def test_trips_that_overlap_are_at_fault(inputs: Inputs) -> None:
    """The car cannot be on two trips."""
    (fault,) = faults(inputs, "07:30-18:00 96km", "12:00-13:00 5km")
    assert "overlap" in fault


def test_coming_home_later_drops_what_departs_before(inputs: Inputs) -> None:
    """Home at 09:00 tomorrow: the usual trip at 08:10 is left out, and a note says so."""
    evening = asked(inputs, home_at="2026-03-03T09:00")
    assert evening.home_at == utc("2026-03-03T09:00")
    assert evening.trips == ()
    assert evening.notes == ("The trip at 2026-03-03T08:10+00:00 is left out; the car is not home by then.",)


def test_coming_home_before_the_usual_trip_keeps_it(inputs: Inputs) -> None:
    """Home at 21:00 tonight: tomorrow's trip stands."""
    evening = asked(inputs, home_at="21:00")
    assert (evening.home_at, evening.trips, evening.notes) == (utc("2026-03-02T21:00"), (TOMORROW,), (AS_USUAL,))


def test_coming_home_after_the_plan_ends_is_at_fault(inputs: Inputs) -> None:
    """The plan ends 24 hours from now; a car that is away until then, or longer, leaves nothing to plan."""
    for home_at in ("2026-03-03T18:20", "2026-03-04T09:00"):
        (fault,) = faults(inputs, home_at=home_at)
        assert "2026-03-03T18:20+00:00" in fault
    assert asked(inputs, home_at="2026-03-03T18:19").home_at == utc("2026-03-03T18:19")


def test_coming_home_in_the_past_is_at_fault(inputs: Inputs) -> None:
    """A car that came home is home."""
    (fault,) = faults(inputs, home_at="2026-03-02T17:00")
    assert fault.startswith("--home-at: ")


def test_a_named_trip_before_the_car_is_home_is_at_fault(inputs: Inputs) -> None:
    """The car cannot depart at 20:00 and come home at 21:00; departing as it comes home is allowed."""
    (fault,) = faults(inputs, "20:00-22:00 12km", home_at="21:00")
    assert fault.startswith("--home-at: ")
    assert "a trip departs at Mon 20:00" in fault
    assert departures(asked(inputs, "21:00-22:00 12km", home_at="21:00")) == [utc("2026-03-02T21:00")]


def test_a_recorded_forecast_drives_the_recorded_trips(inputs: Inputs) -> None:
    """On Friday 6 February a study drives the recorded trip of the weekend, and not the usual one.

    sites.py records a trip from Saturday 10:00 to Sunday 19:00, 180.5 km.
    """
    evening = asked(inputs, now="2026-02-06T18:20", forecast="recorded")
    assert evening.trips == (Trip(utc("2026-02-07T10:00"), utc("2026-02-08T19:00"), 180.5),)
    assert asked(inputs, now="2026-02-06T18:20").trips == ()


def test_a_recorded_night_without_a_trip_has_none(inputs: Inputs) -> None:
    """The record is what happened: on Monday 2 March it holds no trip for tomorrow."""
    assert asked(inputs, forecast="recorded").trips == ()


def test_recorded_trips_are_those_between_home_and_the_end(inputs: Inputs) -> None:
    """Home on Saturday at 11:00, an hour after the recorded departure: that trip is not driven, and a note says so."""
    evening = asked(inputs, now="2026-02-06T18:20", home_at="2026-02-07T11:00", forecast="recorded")
    assert evening.trips == ()
    assert evening.notes == ("The trip at 2026-02-07T10:00+00:00 is left out; the car is not home by then.",)
    # the record's departure is 24 hours after this now, when the plan ends
    later = asked(inputs, now="2026-02-06T10:00", forecast="recorded")
    assert (later.trips, later.notes) == ((), ())


def test_coming_home_as_a_recorded_trip_departs_keeps_it(inputs: Inputs) -> None:
    """Home on Saturday at 10:00, the very minute of the recorded departure: it is driven, and nothing needs saying."""
    evening = asked(inputs, now="2026-02-06T18:20", home_at="2026-02-07T10:00", forecast="recorded")
    assert (departures(evening), evening.notes) == ([utc("2026-02-07T10:00")], ())


def test_a_recorded_trip_under_way_is_noted(inputs: Inputs) -> None:
    """On Saturday at noon the recorded trip is under way until Sunday 19:00; who plans is told, and how to say so."""
    evening = asked(inputs, now="2026-02-07T12:00", forecast="recorded")
    assert evening.trips == ()
    (note,) = evening.notes
    assert note.startswith("A recorded trip is under way until 2026-02-08T19:00+00:00; ")
    assert note.endswith("; if not, give --home-at.")


@pytest.mark.parametrize("now", ["2026-02-07T10:00", "2026-02-08T19:00"])
def test_a_recorded_trip_at_its_ends_is_not_under_way(inputs: Inputs, now: str) -> None:
    """As it departs the trip is still planned, as it comes home it is over: neither needs a note."""
    evening = asked(inputs, now=now, forecast="recorded")
    assert evening.notes == ()
    assert len(evening.trips) == (now == "2026-02-07T10:00")


def test_who_comes_home_from_a_recorded_trip_is_not_asked_for_it(inputs: Inputs) -> None:
    """With `--home-at` the note on the recorded trip under way, which asks for just that, is gone."""
    evening = asked(inputs, now="2026-02-07T19:30", home_at="2026-02-08T19:00", forecast="recorded")
    assert (evening.home_at, evening.notes) == (utc("2026-02-08T19:00"), ())


def test_named_trips_go_before_recorded_ones(inputs: Inputs) -> None:
    """A study may still name a trip."""
    evening = asked(inputs, "07:30-18:00 96km", now="2026-02-06T18:20", forecast="recorded")
    assert departures(evening) == [utc("2026-02-07T07:30")]


def test_a_site_that_records_no_trips_drives_its_usual_ones(inputs: Inputs) -> None:
    """A recorded forecast without a file of trips falls back on the week's habits."""
    without = replace(inputs, recorded_trips=None)
    assert asked(without, forecast="recorded").trips == (TOMORROW,)


def test_a_usual_trip_under_way_is_noted(inputs: Inputs) -> None:
    """At noon on a Tuesday the usual trip is under way by the clock; the note is one whole sentence."""
    evening = asked(inputs, now="2026-03-03T12:00")
    assert departures(evening) == [utc("2026-03-04T08:10")]
    assumed, note = evening.notes
    assert assumed == AS_USUAL.replace("Tue", "Wed")
    assert note.startswith("The usual trip until 17:30 is under way")
    assert note.endswith(".")


def test_who_says_when_the_car_is_home_is_not_asked_again(inputs: Inputs) -> None:
    """With `--home-at 17:30` the note on the trip under way, which asks for just that, is gone."""
    evening = asked(inputs, now="2026-03-03T12:00", home_at="17:30")
    assert (evening.home_at, evening.notes) == (utc("2026-03-03T17:30"), (AS_USUAL.replace("Tue", "Wed"),))


def test_a_trip_in_the_doubled_hour_is_noted(inputs: Inputs) -> None:
    """On the night the clocks go back a departure at 01:30 is taken as the first, and the owner is told."""
    evening = asked(inputs, "01:30-08:00 10km", now="2026-10-24T18:20")
    # 01:30 summer time is 00:30 UTC
    assert departures(evening) == [utc("2026-10-25T00:30")]
    assert evening.notes == (
        "The departure occurs twice as the clocks go back; taken as the first, 2026-10-25T01:30+01:00.",
    )


def test_several_usual_trips_a_day_are_all_planned(inputs: Inputs) -> None:
    """Two usual trips on the same day come in time order."""
    everyday = frozenset(range(7))
    usual = (UsualTrip(everyday, 20 * 60, 21 * 60, 4.0), UsualTrip(everyday, 7 * 60, 8 * 60, 9.0))
    evening = asked(replace(inputs, site=replace(inputs.site, usual_trips=usual)))
    assert [trip.distance_km for trip in evening.trips] == [4.0, 9.0]
    assert departures(evening) == [utc("2026-03-02T20:00"), utc("2026-03-03T07:00")]


def test_a_range_of_coming_home_counts_on_the_later_time(inputs: Inputs) -> None:
    """Both ends are kept, the later one is planned for, and the plan says so."""
    evening = asked(inputs, home_at="21:00..23:00")
    assert (evening.home_at_earliest, evening.home_at) == (utc("2026-03-02T21:00"), utc("2026-03-02T23:00"))
    assert any("between Mon 21:00 and 23:00" in note and "later time" in note for note in evening.notes)


@pytest.mark.parametrize(
    ("typed", "earliest", "latest"),
    [
        ("21:00", None, "2026-03-02T21:00"),
        ("21:00..21:00", None, "2026-03-02T21:00"),
        ("23:30..01:15", "2026-03-02T23:30", "2026-03-03T01:15"),
        (" 21:00 .. 22:00 ", "2026-03-02T21:00", "2026-03-02T22:00"),
        ("2026-03-02T21:00..2026-03-02T22:30+00:00", "2026-03-02T21:00", "2026-03-02T22:30"),
    ],
)
def test_ranges_of_coming_home(inputs: Inputs, typed: str, earliest: str | None, latest: str) -> None:
    """A plain time works as before; the later end is the next such time after the earlier one."""
    evening = asked(inputs, home_at=typed)
    assert evening.home_at == utc(latest)
    assert evening.home_at_earliest == (None if earliest is None else utc(earliest))


@pytest.mark.parametrize(
    ("typed", "message"),
    [
        ("23:00..21:00", "is a range of 22 hours; expected up to 12 hours, the earlier time first"),
        ("21:00..", 'expected a time such as "21:00", or two: "21:00..23:00"'),
        ("..", 'expected a time such as "21:00", or two: "21:00..23:00"'),
        ("20:00..21:00..22:00", 'expected a time such as "21:00", or two: "21:00..23:00"'),
        ("21:00..25:00", '"25:00" is not a valid time'),
        ("2026-03-02T22:00..2026-03-02T21:00", '"2026-03-02T21:00" is in the past'),
        ("2026-03-03T18:00..2026-03-03T20:00", "is after this plan ends"),
    ],
)
def test_faulty_ranges_of_coming_home(inputs: Inputs, typed: str, message: str) -> None:
    """One message that says what is expected."""
    (fault,) = faults(inputs, home_at=typed)
    assert fault.startswith("--home-at")
    assert message in fault


def test_a_trip_within_the_range_is_refused(inputs: Inputs) -> None:
    """The car may not be home when it departs."""
    assert any(
        "before the car is home" in fault for fault in faults(inputs, "22:00-23:30 10km", home_at="21:00..23:00")
    )


@pytest.mark.parametrize("degc", [-51, 56, math.nan])
def test_temperatures_that_cannot_be_meant(inputs: Inputs, degc: float) -> None:
    """Outside -50 to 55 °C."""
    (fault,) = faults(inputs, outside_degc=degc)
    assert fault.startswith("--outside-degc")
    assert "expected -50 to 55 °C" in fault
