"""How deep today's cycle already is where nobody says: by the trips that are back, or by the ceiling."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.request import Request
from scheduler.nights.todays_cycle import todays_cycle_text
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from scheduler.rolling.simulate import rolled_nights
from tests.builders.sites import TIMEZONE, write_site

# a Monday in winter time; 31 km of the usual trip from 08:10 to 17:30 take 5.115 of 52 kWh, 9.837 %
MONDAY, SUNDAY = "2026-03-02T18:20", "2026-03-01T18:20"
TRIP_PERCENT = 100 * 31 * 0.165 / 52


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def asked(inputs: Inputs, soc: float, now: str = MONDAY, **options: object) -> Request:
    return parse_request(RequestOptions(soc, now=now, **options), inputs)  # type: ignore[arg-type]


def highest(request: Request) -> tuple[float | None, str | None]:
    return request.highest_soc_today_percent, request.highest_soc_today_from


def test_a_trip_that_is_back_says_what_it_took(inputs: Inputs) -> None:
    """Monday after the usual trip: up by its energy, at most to the ceiling; tomorrow's trip does not count."""
    assert highest(asked(inputs, 50)) == (pytest.approx(50 + TRIP_PERCENT), "usual-trips")
    assert highest(asked(inputs, 75)) == (80, "usual-trips")
    assert highest(asked(inputs, 92)) == (92, "usual-trips")


def test_without_a_trip_today_the_car_was_last_full_to_its_ceiling(inputs: Inputs) -> None:
    """Sunday, or Monday before the trip is back."""
    assert highest(asked(inputs, 50, SUNDAY)) == (80, "ceiling")
    assert highest(asked(inputs, 50, "2026-03-02T07:00")) == (80, "ceiling")
    assert highest(asked(inputs, 85, SUNDAY)) == (85, "ceiling")


def test_a_trip_under_way_is_back_by_the_time_the_car_is_home(inputs: Inputs) -> None:
    """On Monday at 16:00 the car is due at 17:30; its state of charge is that on arrival at 19:00."""
    assert highest(asked(inputs, 50, "2026-03-02T16:00", home_at="19:00"))[1] == "usual-trips"


def test_a_trip_that_needs_more_than_the_ceiling_began_above_it(inputs: Inputs) -> None:
    """Recorded: 200 km need 33 of 52 kWh, and with margin and reserve 90 %; home with 20 % it had left with 83.5 %."""
    drive = Trip(datetime(2026, 3, 2, 8, tzinfo=UTC), datetime(2026, 3, 2, 17, tzinfo=UTC), 200.0)
    request = asked(replace(inputs, recorded_trips=(drive,)), 20, forecast="recorded", stay_home=True)
    assert highest(request) == (pytest.approx(20 + 100 * 33 / 52), "recorded-trips")


def test_what_is_given_is_kept(inputs: Inputs) -> None:
    """Even if it is the state of charge now."""
    assert highest(asked(inputs, 50, highest_soc_today_percent=50)) == (50, "given")


@pytest.mark.parametrize(("soc", "now", "same"), [(50, MONDAY, 50 + TRIP_PERCENT), (50, SUNDAY, 80)])
def test_wear_is_charged_as_if_it_was_given(inputs: Inputs, soc: float, now: str, same: float) -> None:
    """The plan and its wear are those of the same night with the value typed; other wear than with none of it."""
    inferred, given, none = (
        build_night(inputs, asked(inputs, soc, now, **options))[0]
        for options in ({}, {"highest_soc_today_percent": same}, {"highest_soc_today_percent": soc})
    )
    np.testing.assert_allclose(inferred.initial_fill_kwh, given.initial_fill_kwh, atol=1e-9)
    answer = solve(inferred)
    wear = [verify(night, solve(night)).costs.cycle_wear for night in (inferred, given)]
    assert answer.setpoints.gives_energy
    assert wear[0] == pytest.approx(wear[1], abs=1e-6)
    assert float(inferred.initial_fill_kwh[0]) < float(none.initial_fill_kwh[0])


def test_it_is_said_in_a_sentence(inputs: Inputs) -> None:
    """From where to where, where that is known from, and how to say otherwise; nothing where no cycle has begun."""
    text = todays_cycle_text(asked(inputs, 50), TIMEZONE)
    assert text == (
        "Today's usual trips are assumed to have taken the battery from 59.8 % to 50 %: a discharge now deepens that "
        "cycle. If it is otherwise, give --highest-soc-today."
    )
    assert "from 80 % to 50 % since it was last full to its ceiling" in str(
        todays_cycle_text(asked(inputs, 50, SUNDAY), TIMEZONE)
    )
    assert todays_cycle_text(asked(inputs, 80, SUNDAY), TIMEZONE) is None
    assert todays_cycle_text(asked(inputs, 50, highest_soc_today_percent=80), TIMEZONE) is None


def test_rolled_days_begin_the_same(inputs: Inputs, tmp_path: Path) -> None:
    """The first night begins at midnight with nothing known: down from the ceiling, 10.4 kWh deep at 60 %."""
    first = datetime(2026, 2, 10).date()
    night = next(iter(rolled_nights(inputs, first, first, 60.0, policy="charge-on-return")))
    # segments of 5, 5, 10, 10 and 15 % of 52 kWh: the first three, 20 %, are empty
    np.testing.assert_allclose(night.planned.initial_fill_kwh[:5], [0, 0, 0, 5.2, 7.8], atol=1e-9)
