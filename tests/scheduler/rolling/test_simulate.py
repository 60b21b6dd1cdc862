"""Nights one after another: what goes from each into the next, and that nothing is lost between them."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from models.site.charger import into_battery_kwh, out_of_battery_kwh
from models.site.trips import Trip
from models.tariff.offer import Band, DemandCharge
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.planning_times import evenings, trips_between
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.plans.plan_tonight import solve_and_verify
from scheduler.rolling.simulate import CarryOver, RolledNight, one_night, rolled_nights
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
FIRST, LAST = date(2026, 3, 21), date(2026, 3, 30)
HELSINKI = "Europe/Helsinki"


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    return read_inputs(DEMO)


@pytest.fixture(scope="module")
def rolled(inputs: Inputs) -> list[RolledNight]:
    """Ten days over the spring clock change."""
    return list(rolled_nights(inputs, FIRST, LAST, 60.0))


def test_nights_follow_each_other(rolled: list[RolledNight]) -> None:
    """Each plan is followed until the next night begins, with the energy, and the segments' energy, that it left."""
    assert len(rolled) >= 9
    for before, night in pairwise(rolled):
        assert night.real.boundaries[0] == before.real.boundaries[-1]
        assert night.planned.stored_now_kwh == pytest.approx(float(before.replayed.stored_kwh[-1]), abs=1e-12)
        assert night.planned.initial_fill_kwh.sum() == pytest.approx(night.planned.stored_now_kwh, abs=1e-9)


def test_the_energy_balance_closes(rolled: list[RolledNight]) -> None:
    """Over all nights: what went into the battery less what came out is what it gained, and the meter adds up."""
    into = out = net = flows = 0.0
    for night in rolled:
        real, done = night.real, night.setpoints
        into += into_battery_kwh(real.charger, real.hours, done.charge_kw, done.charge_share).sum()
        into += night.replayed.on_the_way_kwh.sum()
        out += out_of_battery_kwh(real.charger, real.hours, done.discharge_kw, done.discharge_share).sum()
        out += sum(trip.energy_kwh for trip in real.trips)
        net += real.hours @ (real.load_kw + done.charge_kw - done.discharge_kw - real.solar_kw + done.curtailed_kw)
        flows += real.hours @ (night.replayed.import_kw - night.replayed.export_kw)
    gained = rolled[-1].replayed.stored_kwh[-1] - rolled[0].planned.stored_now_kwh
    assert into - out == pytest.approx(gained, abs=1e-6)
    assert flows == pytest.approx(net, abs=1e-6)


def test_load_and_solar_are_those_of_the_series(rolled: list[RolledNight], inputs: Inputs) -> None:
    """Load and solar of the night as it happened are the recorded series, hour by hour, not the forecast."""
    assert inputs.solar is not None
    begin, end = rolled[0].real.boundaries[0], rolled[-1].real.boundaries[-1]
    starts = inputs.load.start.as_unit("s").asi8
    first, last = (instant.timestamp() for instant in (begin, end))
    hours = np.clip(np.minimum(starts + 3600, last) - np.maximum(starts, first), 0, None) / 3600
    expected = float(inputs.load.kw @ hours)
    found = sum(float(night.real.hours @ night.real.load_kw) for night in rolled)
    assert found == pytest.approx(expected, abs=1e-6)
    assert any(not np.allclose(n.real.load_kw[:3], n.planned.load_kw[:3]) for n in rolled)


@pytest.mark.parametrize("number", [0, -1])
def test_a_night_is_the_one_that_plan_makes(inputs: Inputs, number: int) -> None:
    """First and last night planned by the command, with the recorded trips of that night: the same powers and cost."""
    # wear at one price, since the command cannot be told how deep the running cycle is
    flat = replace(inputs.site.wear, segment_edges_percent=(100.0,))
    site = replace(inputs.site, wear=flat)
    night = list(rolled_nights(replace(inputs, site=site), FIRST, FIRST + timedelta(days=2), 60.0))[number]
    assert night.answer is not None
    assert night.expected is not None
    now = night.planned.boundaries[0].tz_convert(HELSINKI)
    trips = tuple(
        f"{trip.trip.depart_at.astimezone(ZoneInfo(HELSINKI)):%Y-%m-%dT%H:%M}-"
        f"{trip.trip.return_at.astimezone(ZoneInfo(HELSINKI)):%Y-%m-%dT%H:%M} {trip.trip.distance_km:g}km"
        for trip in night.planned.trips
    )
    soc = site.car.percent(night.planned.stored_now_kwh)
    options = RequestOptions(soc, now=f"{now:%Y-%m-%dT%H:%M}", trips=trips, stay_home=not trips, forecast="typical")
    asked = replace(inputs, site=site)
    evening = parse_request(options, asked)
    end = evening.now + timedelta(hours=site.plan.horizon_hours)
    evening = replace(evening, later_trips=trips_between(asked, end, end + timedelta(days=3)))
    tonight, warnings = build_night(asked, evening)
    plan = solve_and_verify(asked, evening, with_look_ahead(asked, evening, tonight), warnings)
    assert plan.replayed.costs.total == pytest.approx(night.expected.costs.total, abs=1e-4)
    np.testing.assert_allclose(plan.answer.setpoints.discharge_kw, night.answer.setpoints.discharge_kw, atol=1e-6)


def test_perfect_foresight_goes_as_it_was_planned(inputs: Inputs) -> None:
    """With the recorded series as forecast each night until the next evening is what was planned of it."""
    for night in rolled_nights(inputs, date(2026, 2, 2), date(2026, 2, 4), 60.0, forecast="recorded"):
        count = night.real.intervals
        assert night.answer is not None
        np.testing.assert_allclose(night.setpoints.charge_kw, night.answer.setpoints.charge_kw[:count], atol=1e-6)
        np.testing.assert_allclose(night.setpoints.discharge_kw, night.answer.setpoints.discharge_kw[:count], atol=1e-6)


def test_charge_only_gives_nothing(inputs: Inputs) -> None:
    """Days on which the car is only charged."""
    nights = list(rolled_nights(inputs, FIRST, FIRST + timedelta(days=2), 60.0, policy="charge-only"))
    assert sum(float(night.setpoints.discharge_kw.sum()) for night in nights) == 0.0


def test_flat_prices_without_solar_or_export_give_nothing(inputs: Inputs) -> None:
    """One price, no sun, nothing for what is sent: no night discharges."""
    flat = replace(inputs, offer=replace(inputs.offer, import_bands=(Band(0.2),), export_bands=()), solar=None)
    nights = list(rolled_nights(flat, FIRST, FIRST + timedelta(days=4), 60.0))
    assert sum(float(night.setpoints.discharge_kw.sum()) for night in nights) == 0.0


def test_peaks_and_tiers_carry_over(inputs: Inputs) -> None:
    """Over the end of March: the peak never falls within the month and begins anew in April; so does a monthly tier."""
    offer = replace(
        inputs.offer,
        import_bands=(Band(0.2), Band(0.1, up_to_kwh=300.0, per="month")),
        demand_charges=(DemandCharge(5.0, 60),),
    )
    nights = list(rolled_nights(replace(inputs, offer=offer), date(2026, 3, 28), date(2026, 4, 1), 60.0))
    so_far = [{month.month % 12: month.so_far_kw for month in night.planned.demand} for night in nights]
    march = [peaks[3] for peaks in so_far if 3 in peaks]
    assert march[0] == 0
    assert all(earlier <= later for earlier, later in pairwise(march))
    assert march[-1] > 1
    left = [night.planned.tiers[0].left_kwh for night in nights]
    drawn = [float(night.real.hours @ night.replayed.import_kw) for night in nights]
    assert left[1] == pytest.approx(left[0] - drawn[0], abs=1e-6)
    assert left[-1] > left[2]


def test_a_peak_that_a_charge_looks_back_on_stays_over_the_month(inputs: Inputs) -> None:
    """Over the end of March: April begins at March's peak where two months are looked back on, and at 0 where not."""
    charges = (DemandCharge(5.0, 60, look_back_months=2), DemandCharge(5.0, 60))
    offer = replace(inputs.offer, demand_charges=charges)
    nights = list(rolled_nights(replace(inputs, offer=offer), date(2026, 3, 30), date(2026, 4, 1), 60.0))
    so_far = {month.charge: month.so_far_kw for month in nights[-1].planned.demand if month.month % 12 == 4}
    peaks = [
        month.peak_kw(night.real.hours, night.replayed.import_kw)
        for night in nights[:-1]
        for month in night.real.demand
    ]
    assert so_far[0] == pytest.approx(max(peaks))
    assert so_far[1] < so_far[0]


def test_a_rounding_below_zero_does_not_go_on(inputs: Inputs) -> None:
    """A segment that is empty but for the last digit begins the next night empty, and not below."""
    fill = np.full(8, 3.0)
    fill[3] = -1e-15
    evening = datetime(2026, 2, 2, 17, 30, tzinfo=ZoneInfo(HELSINKI))
    night = one_night(inputs, evening, evening + timedelta(days=1), CarryOver(21.0, fill), policy="charge-on-return")
    assert night.planned.initial_fill_kwh.min() == 0.0


def test_evenings() -> None:
    """Half past five on the wall clock, or the return; no evening on a day away; the clock change is in between."""
    zone = ZoneInfo(HELSINKI)

    def at(day: int, hour: int, minute: int = 0) -> datetime:
        return datetime(2026, 3, day, hour, minute, tzinfo=zone)

    trips = [Trip(at(27, 16), at(27, 20, 15), 30.0), Trip(at(29, 12), at(30, 21), 200.0)]
    found = evenings(17 * 60 + 30, date(2026, 3, 27), date(2026, 3, 31), trips, HELSINKI)
    assert found == [at(27, 20, 15), at(28, 17, 30), at(30, 21), at(31, 17, 30)]


def test_the_days_are_whole(rolled: list[RolledNight]) -> None:
    """From the midnight that begins the first day to the one that ends the last; evenings in between."""
    assert rolled[0].real.boundaries[0] == datetime(2026, 3, 21, tzinfo=ZoneInfo(HELSINKI))
    assert rolled[-1].real.boundaries[-1] == datetime(2026, 3, 31, tzinfo=ZoneInfo(HELSINKI))
    assert rolled[1].real.boundaries[0] >= datetime(2026, 3, 21, 17, 30, tzinfo=ZoneInfo(HELSINKI))


def test_a_trip_over_the_first_midnight(inputs: Inputs) -> None:
    """A car that is away when the days begin is planned for from its return on, with the charge it comes home with."""
    zone = ZoneInfo(HELSINKI)
    away = Trip(datetime(2026, 3, 20, 20, tzinfo=zone), datetime(2026, 3, 21, 2, tzinfo=zone), 40.0)
    nights = list(rolled_nights(replace(inputs, recorded_trips=(away,)), FIRST, FIRST, 60.0))
    first = nights[0].real
    assert first.at_home[np.asarray(first.boundaries[:-1] >= away.return_at)].all()
    assert not first.at_home[np.asarray(first.boundaries[:-1] < away.return_at)].any()
    assert first.stored_now_kwh == pytest.approx(0.6 * inputs.site.car.battery_kwh)


def test_perfect_foresight_at_the_end_of_the_series(inputs: Inputs) -> None:
    """The last days of the series with perfect foresight: the last plan looks as far as the series goes."""
    last = date(2026, 6, 30)
    nights = list(rolled_nights(inputs, last, last, 60.0, forecast="recorded"))
    assert nights[-1].planned.boundaries[-1] <= inputs.load.end
    assert nights[-1].real.boundaries[-1] == datetime(2026, 7, 1, tzinfo=ZoneInfo(HELSINKI))
