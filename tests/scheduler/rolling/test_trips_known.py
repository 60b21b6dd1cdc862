"""Nights planned on usual trips while others are driven: what is missed, what is carried out, what is conserved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.site.charger import into_battery_kwh, out_of_battery_kwh
from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.planning_times import trips_between
from scheduler.rolling.flows import RolledFlows, rolled_flows
from scheduler.rolling.run import RolledRun, roll
from scheduler.rolling.simulate import RolledNight, planning_times, rolled_nights
from tests.builders.sites import TIMEZONE, write_site

FIRST, LAST = date(2026, 2, 9), date(2026, 2, 12)
"""Monday to Thursday; the clock shows UTC."""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    return read_inputs(write_site(tmp_path_factory.mktemp("site")))


def usual(site: Inputs) -> tuple[Trip, ...]:
    """The usual trips of the days, and of the days around them."""
    return trips_between(
        replace(site, recorded_trips=None), datetime(2026, 2, 7, tzinfo=UTC), datetime(2026, 2, 16, tzinfo=UTC)
    )


def driven(site: Inputs, trips: Sequence[Trip], notice: float = 12, limit: float | None = None) -> Inputs:
    """The site with these recorded trips, a notice [h] and a limit on a night's discharge [kWh]."""
    plan = replace(site.site.plan, trip_notice_hours=notice)
    car = replace(site.site.car, discharge_limit_kwh=limit)
    return replace(site, recorded_trips=tuple(trips), site=replace(site.site, plan=plan, car=car))


def flows(inputs: Inputs, kind: str) -> RolledFlows:
    return roll(RolledRun("days", inputs, FIRST, LAST, 80.0, trips=kind))  # type: ignore[arg-type]


def conserved(nights: Sequence[RolledNight], inputs: Inputs) -> None:
    """Energy into the battery less energy out is its gain; the meter adds up; every recorded trip is driven once."""
    into = out = net = metered = 0.0
    trips: list[Trip] = []
    for night in nights:
        real, done = night.real, night.setpoints
        into += into_battery_kwh(real.charger, real.hours, done.charge_kw, done.charge_share).sum()
        into += night.replayed.on_the_way_kwh.sum()
        out += out_of_battery_kwh(real.charger, real.hours, done.discharge_kw, done.discharge_share).sum()
        out += sum(trip.energy_kwh for trip in real.trips)
        net += real.hours @ (real.load_kw + done.charge_kw - done.discharge_kw - real.solar_kw + done.curtailed_kw)
        metered += real.hours @ (night.replayed.import_kw - night.replayed.export_kw)
        assert not (done.charge_kw + done.discharge_kw)[~real.at_home].any()
        trips += [trip.trip for trip in real.trips]
    gained = nights[-1].replayed.stored_kwh[-1] - nights[0].planned.stored_now_kwh
    assert into - out == pytest.approx(gained, abs=1e-6)
    assert metered == pytest.approx(net, abs=1e-6)
    begin, end = (night.real.boundaries[at].to_pydatetime() for night, at in ((nights[0], 0), (nights[-1], -1)))
    assert trips == list(trips_between(inputs, begin, end))
    for before, night in pairwise(nights):
        assert night.planned.stored_now_kwh == pytest.approx(float(before.replayed.stored_kwh[-1]), abs=1e-12)


def test_recorded_trips_as_usual_give_the_same_both_ways(site: Inputs) -> None:
    """Every usual trip is driven: the same flows whichever trips are expected, and whatever the notice."""
    inputs = driven(site, usual(site), notice=0)
    known, expected = flows(inputs, "recorded"), flows(inputs, "usual")
    for name, energy in known.energy.items():
        np.testing.assert_allclose(energy, expected.energy[name], atol=1e-9, err_msg=name)
    np.testing.assert_array_equal(known.stored_kwh, expected.stored_kwh)


def test_a_site_without_recorded_trips_drives_the_usual_ones(site: Inputs) -> None:
    """The same as if they had been recorded."""
    without, recorded = replace(site, recorded_trips=None), driven(site, usual(site))
    np.testing.assert_array_equal(flows(without, "usual").stored_kwh, flows(recorded, "usual").stored_kwh)


def unforeseen(site: Inputs) -> list[Trip]:
    """The usual trips, and on Tuesday at 22:30, after an evening of feed-in, 120 km more."""
    more = Trip(datetime(2026, 2, 10, 22, 30, tzinfo=UTC), datetime(2026, 2, 11, 2, tzinfo=UTC), 120.0)
    return sorted([*usual(site), more], key=lambda trip: trip.depart_at)


def test_an_unforeseen_trip_is_missed_without_notice_and_met_with_a_day(site: Inputs) -> None:
    """The evening's discharge leaves too little for it, unless the evening knew; nothing else is missed."""
    missed = {
        notice: flows(driven(site, unforeseen(site), notice=notice), "usual").missed_departures for notice in (0, 24)
    }
    assert missed == {0: 1, 24: 0}
    assert flows(driven(site, unforeseen(site), notice=0), "recorded").missed_departures == 0
    short = flows(driven(site, unforeseen(site), notice=0), "usual").night
    # the target is 120 km × 16.5 kWh × 1.1 and a reserve of 10.4 kWh: 32.2 of 52 kWh
    assert 1 < short["missing_kwh"].sum() < 32.2 - 10.4
    assert short["departures"].sum() == 5


def test_a_day_of_notice_is_as_good_as_knowing(site: Inputs) -> None:
    """Every trip of a plan's horizon is known: the same as with the recorded trips."""
    inputs = driven(site, unforeseen(site), notice=48)
    np.testing.assert_array_equal(flows(inputs, "usual").stored_kwh, flows(inputs, "recorded").stored_kwh)


def test_a_new_plan_begins_with_the_battery_as_it_is(site: Inputs) -> None:
    """Notice of 2 hours on Tuesday at 20:30: until then as without, from then on another plan, and less is missing."""
    late, none = (
        list(rolled_nights(driven(site, unforeseen(site), notice=notice), FIRST, LAST, 80.0, trips="usual"))
        for notice in (2, 0)
    )
    assert [night.replans for night in late] == [0, 0, 1, 0, 0]
    known = np.datetime64("2026-02-10T20:30")
    before = [
        {
            begin: kw
            for begin, kw in zip(night.real.boundaries.tz_localize(None), night.setpoints.discharge_kw, strict=False)
            if begin < known
        }
        for night in (late[2], none[2])
    ]
    shared = before[0].keys() & before[1].keys()
    assert len(shared) >= 3
    assert [before[0][begin] for begin in shared] == pytest.approx([before[1][begin] for begin in shared])
    missing = [float(night.replayed.missing_kwh.sum()) for night in (late[2], none[2])]
    assert missing[0] < missing[1] - 1
    for nights in (late, none):
        conserved(nights, driven(site, unforeseen(site)))


def test_an_undriven_trip_leaves_the_car_at_home(site: Inputs) -> None:
    """On Tuesday nobody drives: without notice the car was charged for it, and is planned for again when it stays."""
    staying = [trip for trip in usual(site) if trip.depart_at.day != 10]
    nights = list(rolled_nights(driven(site, staying, notice=0), FIRST, LAST, 80.0, trips="usual"))
    assert sum(night.replans for night in nights) == 1
    conserved(nights, driven(site, staying))


def test_a_long_absence_that_nobody_foresaw(site: Inputs) -> None:
    """Away from Tuesday 22:00 to Thursday 15:00: the evening's plan ends no later, the new one knows."""
    away = Trip(datetime(2026, 2, 10, 22, tzinfo=UTC), datetime(2026, 2, 12, 15, tzinfo=UTC), 250.0)
    trips = sorted([trip for trip in usual(site) if trip.depart_at.day not in (11, 12)] + [away], key=_departure)
    nights = list(rolled_nights(driven(site, trips, notice=4), FIRST, LAST, 80.0, trips="usual"))
    (night,) = [night for night in nights if away in [trip.trip for trip in night.real.trips]]
    assert night.replans == 1
    assert night.planned.boundaries[-1] - night.planned.boundaries[0] <= timedelta(hours=34)
    assert night.real.boundaries[-1] == away.return_at
    conserved(nights, driven(site, trips))


def _departure(trip: Trip) -> datetime:
    return trip.depart_at


def test_a_limit_on_discharge_holds_over_new_plans(site: Inputs) -> None:
    """6 kWh a night, with new plans in the middle of an evening: no night gives more."""
    inputs = driven(site, unforeseen(site), notice=4, limit=6.0)
    nights = list(rolled_nights(inputs, FIRST, LAST, 80.0, trips="usual"))
    assert any(night.replans for night in nights)
    given_kwh = [float(night.real.hours @ night.setpoints.discharge_kw) for night in nights]
    assert max(given_kwh) == pytest.approx(6.0, abs=1e-6)


def test_perfect_foresight_knows_all_trips(site: Inputs) -> None:
    """Asked for usual trips with a recorded forecast: the recorded trips all the same."""
    inputs = driven(site, unforeseen(site), notice=0)
    nights = [list(rolled_nights(inputs, FIRST, LAST, 80.0, "recorded", trips=kind)) for kind in ("usual", "recorded")]
    for one, other in zip(*nights, strict=True):
        np.testing.assert_array_equal(one.setpoints.discharge_kw, other.setpoints.discharge_kw)


@settings(max_examples=6, deadline=None)
@given(data=st.data())
def test_nothing_is_lost_whatever_is_driven(site: Inputs, data: st.DataObject) -> None:
    """Usual trips shifted, longer, shorter or left out, and others between: conserved, whatever the notice."""
    trips: list[Trip] = []
    for trip in usual(site):
        change = data.draw(st.sampled_from(["as usual", "other", "none", "evening"]))
        minutes, km = data.draw(st.integers(-180, 180)), data.draw(st.integers(0, 150))
        if change == "as usual":
            trips.append(trip)
        elif change == "other":
            shift = timedelta(minutes=minutes)
            trips.append(Trip(trip.depart_at + shift, trip.return_at + shift, float(km)))
        elif change == "evening":
            late = trip.return_at + timedelta(minutes=200 + minutes)
            trips.append(Trip(late, late + timedelta(hours=2), float(km)))
    inputs = driven(site, trips, notice=data.draw(st.sampled_from([0, 1, 5, 12, 30])))
    nights = list(rolled_nights(inputs, FIRST, LAST, 60.0, trips="usual"))
    conserved(nights, inputs)
    assert len(nights) == len(planning_times(inputs, FIRST, LAST)) - 1
    rolled_flows(nights, FIRST, LAST, TIMEZONE)
