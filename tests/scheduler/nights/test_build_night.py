"""From the site's files and tonight's question to every number the program needs."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from models.site.connection import Connection
from models.site.trips import Trip
from models.tariff.offer import Band
from scheduler.inputs.site import PlanSettings
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from scheduler.textio.errors import InputFaults
from tests.builders.sites import write_site

# a Monday in winter time: local time is UTC
NOW = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def at(clock: str, day: int = 3) -> datetime:
    return datetime(2026, 3, day, int(clock[:2]), int(clock[3:]), tzinfo=UTC)


def drive(depart: str, comeback: str, km: float = 31.0, day: int = 3, back_day: int | None = None) -> Trip:
    return Trip(at(depart, day), at(comeback, back_day or day), km)


def built(inputs: Inputs, *trips: Trip, soc_percent: float = 50, **asked: object) -> Night:
    """The night, which must come without a warning."""
    night, warnings = build_night(inputs, Request(NOW, soc_percent, trips, **asked))  # type: ignore[arg-type]
    assert warnings == ()
    return night


def with_plan(inputs: Inputs, **settings: float) -> Inputs:
    plan = replace(PlanSettings(60, 24), **settings)
    return replace(inputs, site=replace(inputs.site, plan=plan))


def moment(night: Night, boundary: int) -> datetime:
    return night.boundaries[boundary].to_pydatetime()


def away_hours(night: Night) -> float:
    return float(night.hours[~night.at_home].sum())


def test_a_night_is_24_hours_of_the_site_and_the_offer(inputs: Inputs) -> None:
    """Without trips: from now for the site's horizon, with its car, its prices and its usual load."""
    night = built(inputs)
    assert (moment(night, 0), moment(night, -1)) == (NOW, NOW + timedelta(hours=24))
    assert (night.car, night.charger, night.connection) == (
        inputs.site.car,
        inputs.site.charger,
        inputs.site.connection,
    )
    assert night.at_home.all()
    # sites.py: 1.6 kW from 17:00 to 22:00, else 0.4 kW; feed-in 0.45 until 21:00, night price 0.12 from 23:00
    assert night.load_kw[:5].tolist() == pytest.approx([1.6, 1.6, 1.6, 1.6, 0.4])
    assert night.export_price[:4].tolist() == [0.45, 0.45, 0.45, 0.05]
    assert night.import_price[3:6].tolist() == [0.34, 0.34, 0.12]
    # 50 % of 52 kWh
    assert night.stored_now_kwh == pytest.approx(26.0)


def test_a_site_without_solar_has_none(inputs: Inputs) -> None:
    """No solar series: nothing from the roof in any interval, and no warning about it."""
    without = replace(inputs, solar=None, site=replace(inputs.site, solar_file=None))
    assert not built(without).solar_kw.any()
    assert built(inputs).solar_kw.max() > 0


def test_a_trip_takes_its_energy_and_has_its_target(inputs: Inputs) -> None:
    """31 km at 16.5 kWh per 100 km are 5.115 kWh; the target adds 10 % of that and the reserve of 10.4 kWh."""
    (trip,) = built(inputs, drive("08:10", "17:30")).trips
    assert trip.energy_kwh == pytest.approx(5.115)
    assert trip.target_kwh == pytest.approx(5.115 * 1.1 + 10.4)


def test_departure_ready_time_and_return_are_boundaries(inputs: Inputs) -> None:
    """A trip at 08:10 is ready at 07:40, 30 minutes before, and the car is away from 08:10 until 17:30."""
    night = built(inputs, drive("08:10", "17:30"))
    (trip,) = night.trips
    assert [moment(night, boundary) for boundary in (trip.ready, trip.depart, trip.comeback)] == [
        at("07:40"),
        at("08:10"),
        at("17:30"),
    ]
    assert night.at_home.tolist() == [
        not at("08:10") <= moment(night, interval) < at("17:30") for interval in range(night.intervals)
    ]
    assert away_hours(night) == pytest.approx(9 + 1 / 3)


def test_several_trips_a_day_stay_apart(inputs: Inputs) -> None:
    """Three trips on one day, the second touching the first: each has its own boundaries and absence."""
    trips = (drive("07:00", "08:00"), drive("08:00", "09:15", 12), drive("12:00", "13:00", 0))
    night = built(inputs, *trips)
    assert [(moment(night, trip.depart), moment(night, trip.comeback)) for trip in night.trips] == [
        (trip.depart_at, trip.return_at) for trip in trips
    ]
    assert away_hours(night) == pytest.approx(1 + 1.25 + 1)
    assert [trip.energy_kwh for trip in night.trips] == pytest.approx([5.115, 1.98, 0.0])


def test_the_ready_time_is_no_earlier_than_the_last_return(inputs: Inputs) -> None:
    """Ten minutes at home before the next trip: it is to be ready from the return on; with none, at departure."""
    night = built(inputs, drive("07:00", "08:00"), drive("08:10", "09:00"), drive("09:00", "10:00"))
    ready = [moment(night, trip.ready) for trip in night.trips]
    assert ready == [at("06:30"), at("08:00"), at("09:00")]


def test_the_ready_time_is_no_earlier_than_now(inputs: Inputs) -> None:
    """A trip in ten minutes is to be ready now; one this very minute departs at the first boundary."""
    soon = built(inputs, drive("18:30", "19:00", day=2))
    assert (soon.trips[0].ready, moment(soon, soon.trips[0].depart)) == (0, at("18:30", 2))
    at_once = built(inputs, drive("18:20", "19:00", day=2))
    assert (at_once.trips[0].ready, at_once.trips[0].depart) == (0, 0)
    assert not at_once.at_home[0]


def test_a_car_still_away_comes_home_at_a_boundary(inputs: Inputs) -> None:
    """Home at 21:40: away until then, and a trip at 22:00 is to be ready when the car comes home."""
    night = built(inputs, drive("22:00", "23:00", day=2), home_at=at("21:40", 2))
    assert moment(night, int(np.argmax(night.at_home))) == at("21:40", 2)
    assert moment(night, night.trips[0].ready) == at("21:40", 2)
    assert away_hours(night) == pytest.approx(3 + 1 / 3 + 1)


def test_a_return_after_the_horizon_lengthens_the_night(inputs: Inputs) -> None:
    """A trip that departs an hour before the horizon ends and is back two days later is planned to its return."""
    night = built(inputs, drive("17:20", "20:00", 240, back_day=5))
    assert moment(night, -1) == at("20:00", 5)
    assert night.trips[0].comeback == night.intervals
    assert night.hours.sum() == pytest.approx(3 * 24 + 1 + 2 / 3)


def test_a_trip_over_several_days_may_end_inside_a_long_horizon(inputs: Inputs) -> None:
    """With a horizon of 72 hours, a trip from Tuesday to Thursday leaves the car at home on both sides of it."""
    night = built(with_plan(inputs, horizon_hours=72), drive("09:00", "15:00", 240, back_day=5))
    assert moment(night, -1) == NOW + timedelta(hours=72)
    assert away_hours(night) == pytest.approx(54)
    assert night.at_home[0]
    assert night.at_home[-1]


def test_a_trip_beyond_the_horizon_is_warned_about(inputs: Inputs) -> None:
    """A trip that departs when the plan ends, or later, is left out, and the owner is told which."""
    trips = (drive("08:10", "17:30"), drive("18:20", "19:00"), drive("20:15", "21:00", day=5))
    night, warnings = build_night(inputs, Request(NOW, 50, trips))
    assert len(night.trips) == 1
    assert moment(night, -1) == NOW + timedelta(hours=24)
    assert warnings == (
        "The trip at Tue 18:20 departs after this plan ends and is not planned for.",
        "The trip at Thu 20:15 departs after this plan ends and is not planned for.",
    )


def test_stored_energy_is_worth_putting_it_back_and_a_little_more(inputs: Inputs) -> None:
    """The night price of 0.12 with the margin and the losses at full power: of 7.4 kW bought 6.95 kW are stored.

    0.95 × 7.4 − 0.08 = 6.95; 1.05 × 0.12 × 7.4 / 6.95 = 0.134158.
    """
    assert built(inputs).stored_energy_price == pytest.approx(0.134158, abs=1e-6)


def test_a_price_while_away_tells_nothing_of_putting_it_back(inputs: Inputs) -> None:
    """Away from 22:00 to 08:00, the whole of the cheap band: the price at home, 0.34, counts.

    1.05 × 0.34 × 7.4 / 6.95 = 0.380115.
    """
    night = built(inputs, drive("22:00", "08:00", day=2, back_day=3))
    assert night.stored_energy_price == pytest.approx(0.380115, abs=1e-6)


def test_the_sites_own_stored_energy_price_overrides(inputs: Inputs) -> None:
    """A price in the site file is taken as it is, nothing included."""
    assert built(with_plan(inputs, stored_energy_price_per_kwh=0.15)).stored_energy.price_per_kwh.tolist() == [0.15]
    assert built(with_plan(inputs, stored_energy_price_per_kwh=0.0)).stored_energy.price_per_kwh.tolist() == [0.0]


def test_the_wear_weight_is_the_sites_unless_tonight_has_its_own(inputs: Inputs) -> None:
    """`--wear-weight 0` is a weight too, and not the lack of one."""
    assert built(inputs).wear_weight == 1.0
    assert built(inputs, wear_weight=2.5).wear_weight == 2.5
    assert built(inputs, wear_weight=0.0).wear_weight == 0.0


def test_wear_starts_with_the_cheapest_segments_full(inputs: Inputs) -> None:
    """26 kWh fill the five shallowest segments and a third of the sixth.

    Edges at 5, 10, 20, 30, 45, 60, 80 and 100 % of 52 kWh: 2.6 + 2.6 + 5.2 + 5.2 + 7.8 = 23.4, then 2.6 of 7.8.
    """
    night = built(inputs)
    assert night.initial_fill_kwh == pytest.approx([2.6, 2.6, 5.2, 5.2, 7.8, 2.6, 0.0, 0.0])


def test_todays_drive_empties_the_cheapest_segments(inputs: Inputs) -> None:
    """From 65 % to 50 % are 7.8 kWh driven: the first two segments and half of the third start empty.

    2.6 + 2.6 + 2.6 are gone; the 26 kWh left are 2.6 + 5.2 + 7.8 + 7.8, then 2.6 of the next 10.4.
    """
    night = built(inputs, highest_soc_today_percent=65.0)
    assert night.initial_fill_kwh == pytest.approx([0.0, 0.0, 2.6, 5.2, 7.8, 7.8, 2.6, 0.0])
    assert night.initial_fill_kwh.sum() == pytest.approx(26.0)


def test_a_building_over_its_import_limit_is_warned_about(inputs: Inputs) -> None:
    """1.6 kW in the evening under a limit of 1 kW: said with the power, the hour and the limit."""
    tight = replace(inputs, site=replace(inputs.site, connection=Connection(1.0, 5.0)))
    night, warnings = build_night(tight, Request(NOW, 50))
    assert night.connection.import_limit_kw == 1.0
    assert len(warnings) == 1
    assert warnings[0].startswith("The building alone is expected to draw up to 1.60 kW, around Mon 18:20: more than ")
    assert "import limit of 1 kW" in warnings[0]


def test_a_building_at_its_limit_is_within_it(inputs: Inputs) -> None:
    """The limit itself may be drawn."""
    built(replace(inputs, site=replace(inputs.site, connection=Connection(1.6 + 1e-9, 5.0))))


def test_public_holidays_are_those_of_the_sites_calendar(inputs: Inputs) -> None:
    """On St Patrick's Day 2026, a Tuesday, the Sunday price holds from midnight; without a calendar it does not.

    Source: the `holidays` package; 17 March is a public holiday in Ireland (common practice).
    """
    sunday = replace(inputs.offer, import_bands=(Band(0.34), Band(0.10, days=frozenset({6}))))
    evening = Request(datetime(2026, 3, 16, 22, 0, tzinfo=UTC), 50, forecast="typical")
    for calendar, after_midnight in (("IE", 0.10), (None, 0.34)):
        site = replace(inputs.site, holiday_calendar=calendar)
        night, _ = build_night(replace(inputs, offer=sunday, site=site), evening)
        assert night.import_price[:4].tolist() == [0.34, 0.34, after_midnight, after_midnight]


def test_a_public_holiday_after_new_year_is_known_the_evening_before(inputs: Inputs) -> None:
    """From New Year's Eve 2026 the price changes at midnight: 1 January 2027 is a holiday of the next year's calendar.

    Source: the `holidays` package; New Year's Day is a public holiday in Ireland (common practice).
    """
    sunday = replace(inputs.offer, import_bands=(Band(0.34), Band(0.10, days=frozenset({6}))))
    evening = Request(datetime(2026, 12, 31, 23, 0, tzinfo=UTC), 50)
    night, _ = build_night(replace(inputs, offer=sunday), evening)
    assert night.import_price[:2].tolist() == [0.34, 0.10]


def test_the_steps_of_the_site_cut_the_night(inputs: Inputs) -> None:
    """Steps of 15 minutes make 97 intervals of a day that begins off the grid: 18:20 to 18:30, and to 18:20 again."""
    night = built(with_plan(inputs, step_minutes=15))
    # 18:30 to 18:15 are 95 quarters, and 10 and 5 minutes at the ends
    assert night.intervals == 97
    assert night.hours[[0, 1, -1]] == pytest.approx([1 / 6, 0.25, 1 / 12])


def test_a_recorded_forecast_beyond_the_series_is_at_fault(inputs: Inputs) -> None:
    """The site's series end on 13 March at midnight; the night before cannot be planned from the record."""
    evening = Request(datetime(2026, 3, 12, 18, 0, tzinfo=UTC), 50, forecast="recorded")
    with pytest.raises(InputFaults, match=r"load\.csv: it covers .*; expected, .* a series that covers "):
        build_night(inputs, evening)


def test_what_was_said_before_is_passed_on(inputs: Inputs) -> None:
    """Notes on the words come first among the warnings."""
    _, warnings = build_night(inputs, Request(NOW, 50, notes=("A note.",)))
    assert warnings == ("A note.",)


def test_warnings_on_the_forecast_reach_the_owner(inputs: Inputs) -> None:
    """In April the series has ended a month ago: weekday load, weekend load and solar each come with a warning."""
    _, warnings = build_night(inputs, Request(datetime(2026, 4, 14, 18, 0, tzinfo=UTC), 50))
    named = [Path(warning.split()[0]).name for warning in warnings]
    assert named == ["load.csv", "load.csv", "solar.csv"]
