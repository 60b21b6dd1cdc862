"""What tonight's drives are assumed to take: weather, pace and what was driven, in the night and in words."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from models.drive.consumption import drive_factor
from models.drive.factor import EXACT
from models.drive.pace import pace_factor
from models.drive.weather import Weather, weather_factor
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify, verify_constraints
from tests.builders.sites import write_site
from tests.oracles.independent_matrix import independent_optimum

NOW = "2026-03-02T18:20"
TRIP = "07:30-18:00 96km"
WITHIN = 5e-5


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def driven(
    count: int, soc_used_percent: float = 20.0, distance_km: float = 50.0, **changes: object
) -> tuple[Trip, ...]:
    """So many recorded drives of one evening each, the last before 2 March."""
    first = datetime(2026, 3, 1, 12, tzinfo=UTC) - timedelta(days=count - 1)
    return tuple(
        Trip(
            first + timedelta(days=day),
            first + timedelta(days=day, hours=1),
            distance_km,
            soc_used_percent=soc_used_percent + 0.1 * (day - count // 2),
        )
        for day in range(count)
    )


def night_of(inputs: Inputs, *trips: str, soc_percent: float = 60, **options: object) -> tuple[Night, tuple[str, ...]]:
    options = {"now": NOW, **options}
    return build_night(inputs, parse_request(RequestOptions(soc_percent, trips=trips, **options), inputs))  # type: ignore[arg-type]


def test_nothing_given_changes_nothing(inputs: Inputs) -> None:
    """Without a temperature or a pace the factor is exactly 1, and nothing is said."""
    night, notes = night_of(inputs, TRIP)
    assert night.trips[0].consumption == EXACT
    assert night.trips[0].energy_kwh == 96 * 0.165
    assert not any("taken to need" in note for note in notes)


def test_cold_and_pace_reach_energy_and_target(inputs: Inputs) -> None:
    """Energy is the usual one times the factor's middle; the margin and the reserve come on top."""
    night, _ = night_of(inputs, f"{TRIP} fast", outside_degc=-5.0)
    factor = drive_factor(Weather(-5.0), "fast")
    trip = night.trips[0]
    assert trip.consumption == factor
    assert trip.energy_kwh == pytest.approx(96 * 0.165 * factor.middle)
    assert trip.target_kwh == pytest.approx(min(52.0, trip.energy_kwh * 1.10 + 10.4))


def test_a_cabin_that_is_not_heated(tmp_path: Path) -> None:
    """`heats_cabin = false` in the site leaves the cold of the drive alone."""
    inputs = read_inputs(write_site(tmp_path, {"[charger]\n": "heats_cabin = false\n\n[charger]\n"}))
    night, notes = night_of(inputs, TRIP, outside_degc=-5.0)
    assert night.trips[0].consumption == weather_factor(Weather(-5.0, heats_cabin=False))
    assert any(note.startswith("At −5 °C, cabin not heated, a drive is taken to need 9 % more") for note in notes)


def test_what_was_assumed_is_one_line(inputs: Inputs) -> None:
    """The weather, how much more, its spread, and the margin that is added."""
    _, notes = night_of(inputs, TRIP, outside_degc=-5.0)
    assert [note for note in notes if "taken to need" in note] == [
        "At −5 °C, cabin heated, a drive is taken to need 45 % more than usual (25 to 75 % more), by published tests; "
        "the trip margin of 10 % is added."
    ]


def test_trips_of_different_pace_are_told_apart(inputs: Inputs) -> None:
    """A line for each factor; a usual trip in mild weather has none."""
    trips = ("06:00-08:00 40km fast", "09:00-10:00 30km", "11:00-12:00 20km slow")
    _, notes = night_of(inputs, *trips, outside_degc=21.0)
    assumed = [note for note in notes if "taken to need" in note]
    assert [note.partition(" is taken")[0] for note in assumed] == [
        "The fast trip at Tue 06:00",
        "The slow trip at Tue 11:00",
    ]


def test_time_unplugged_takes_nothing(inputs: Inputs) -> None:
    """A trip of 0 km has no consumption to be wrong about."""
    night, notes = night_of(inputs, "07:30-18:00 0km", outside_degc=-20.0)
    assert (night.trips[0].energy_kwh, night.trips[0].consumption) == (0.0, EXACT)
    assert not any("taken to need" in note for note in notes)


@pytest.mark.parametrize("trip", ["07:30-18:00 96km fast", "06:00-16:00 230km fast", "21:00-23:00 60km slow"])
def test_optimum_and_replay_know_the_cold_drive(inputs: Inputs, trip: str) -> None:
    """The plan costs what an independently written matrix costs, and replay takes it, charging on the way included."""
    night, _ = night_of(inputs, trip, outside_degc=-10.0)
    answer = solve(night)
    replayed = verify(night, answer)
    verify_constraints(night, charge_on_return(night))
    known = independent_optimum(night)
    assert float(replayed.on_the_way_kwh.sum()) == pytest.approx(known.on_the_way, abs=1e-3)
    assert float(replayed.missing_kwh.sum()) == pytest.approx(known.missing_at_departure, abs=1e-3)
    tie = 0.013 * night.highest_price  # among equally cheap plans the steady one: 10 Wh, and 3 Wh of the solver's gap
    assert known.money - WITHIN <= answer.money <= known.money + tie


def test_eight_drives_give_the_median(inputs: Inputs) -> None:
    """Of 9 drives of 50 km at about 20 % of 52 kWh: 20.8 kWh per 100 km instead of 16.5, and it says so."""
    night, notes = night_of(replace(inputs, recorded_trips=driven(9)), TRIP)
    assert night.car.consumption_kwh_per_100km == pytest.approx(20.8)
    assert night.trips[0].energy_kwh == pytest.approx(96 * 0.208)
    assert night.trips[0].consumption.high > night.trips[0].consumption.middle == 1
    assert any(
        note.startswith("A drive is taken to need 20.8 kWh per 100 km, the median of 9 recorded") for note in notes
    )


def test_seven_drives_do_not(inputs: Inputs) -> None:
    """The site's figure stays."""
    night, _ = night_of(replace(inputs, recorded_trips=driven(7)), TRIP)
    assert night.car.consumption_kwh_per_100km == 16.5


def test_drives_that_are_not_over_yet_say_nothing(inputs: Inputs) -> None:
    """What is driven after tonight changes nothing tonight."""
    known = driven(9)
    after = datetime(2026, 3, 3, 6, tzinfo=UTC)
    later = tuple(
        replace(trip, depart_at=after + timedelta(hours=2 * number), return_at=after + timedelta(hours=2 * number + 1))
        for number, trip in enumerate(driven(8, soc_used_percent=35.0))
    )
    tonight = night_of(replace(inputs, recorded_trips=known), TRIP)
    assert night_of(replace(inputs, recorded_trips=(*known, *later)), TRIP)[0].trips == tonight[0].trips


def test_shares_instead_of_percent_are_not_believed(inputs: Inputs) -> None:
    """0.2 for 20 % would be a car that needs almost nothing: the site's figure is used, and the owner is asked."""
    shares = tuple(replace(trip, soc_used_percent=0.2) for trip in driven(9))
    night, notes = night_of(replace(inputs, recorded_trips=shares), TRIP)
    assert night.car.consumption_kwh_per_100km == 16.5
    assert any("Are their soc_used_percent percent of the battery?" in note for note in notes)


def test_fast_drives_are_not_learned_from(inputs: Inputs) -> None:
    """The usual consumption is that of usual drives."""
    fast = tuple(replace(trip, pace="fast") for trip in driven(9))
    night, _ = night_of(replace(inputs, recorded_trips=fast), f"{TRIP} fast")
    assert night.car.consumption_kwh_per_100km == 16.5
    assert night.trips[0].consumption.high == pytest.approx(pace_factor("fast").high)
