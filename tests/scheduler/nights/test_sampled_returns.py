"""When the car is home in samples: a range by its parts, usual drives by the rows of the trips file, nights by hand.

In the plain night a battery of 50 kWh has its floor at 10 kWh, and nothing is lost; it begins at 18:00 in Dublin, in
winter, so that local time is UTC.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from models.base.arrays import FloatArray
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.sampled_days import SampledDays, sampled_days
from scheduler.nights.sampled_returns import SampledReturns, coming_home, spread_evenly
from scheduler.optimizer.block import Block
from scheduler.plans.dispatch import settings_of
from scheduler.plans.outlook import outcomes, outlook, trip_chances
from tests.builders.nights import START, Drive, flat_night, powers
from tests.builders.places import SCENARIOS

HELSINKI = ZoneInfo("Europe/Helsinki")
SITE = SCENARIOS / "bookbindery"


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """The bookbindery, whose usual drive on Tuesdays is from 08:10 to 16:40, and its recorded drives."""
    return read_inputs(SITE)


def sampled(inputs: Inputs, now: str, **options: object) -> tuple[Night, SampledDays]:
    """The night from a moment on, and past days like it."""
    evening = parse_request(RequestOptions(60, now=now, **options), inputs)  # type: ignore[arg-type]
    night, _ = build_night(inputs, evening)
    return night, sampled_days(inputs, evening, night)


def returns_of(days: SampledDays) -> SampledReturns:
    """What is drawn of them; something must be."""
    assert days.returns is not None
    return days.returns


def at(hours: float) -> float:
    """So many hours into the plain night [s since 1970]."""
    return (START + timedelta(hours=hours)).timestamp()


def days_of(load_kw: FloatArray, home_at: FloatArray, comeback: FloatArray) -> SampledDays:
    """Samples from their loads and returns."""
    days = tuple(date(2026, 2, 27) - timedelta(days=number) for number in range(len(load_kw)))
    return SampledDays(days, load_kw, np.zeros_like(load_kw), 9.0, None, SampledReturns(home_at, comeback))


def test_each_part_of_a_range_is_drawn_once(inputs: Inputs) -> None:
    """Of S samples over two hours one lies in each of S equal parts; so do 20 of them, nearly, in each tenth."""
    night, days = sampled(inputs, "2026-03-05T18:00", home_at="21:00..23:00")
    home = returns_of(days).home_at
    begin = datetime(2026, 3, 5, 21, 0, tzinfo=HELSINKI).timestamp()
    parts = np.floor((home - begin) / (7200 / len(days)) + 0.5 * 60 / 7200)
    assert sorted(parts.tolist()) == list(range(len(days)))
    tenths = np.floor((home[:20] - begin) / 720)
    assert min(np.bincount(tenths.astype(int), minlength=10)) >= 1
    assert np.array_equal(home, returns_of(sampled(inputs, "2026-03-05T18:00", home_at="21:00..23:00")[1]).home_at)
    assert not night.at_home[: night.intervals // 5].any()  # the plan itself counts on 23:00


def test_the_first_of_the_samples_are_the_same_as_before(inputs: Inputs) -> None:
    _, days = sampled(inputs, "2026-03-05T18:00", home_at="21:00..23:00")
    assert returns_of(days.first(9)).home_at.tolist() == returns_of(days).home_at[:9].tolist()


def recorded_tuesdays(until: datetime) -> list[int]:
    """Minutes after midnight at which the drives of Tuesdays were back, read from the file, in order."""
    found = []
    with (SITE / "trips.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            left, back = (datetime.fromisoformat(row[name]).astimezone(HELSINKI) for name in ("depart", "return"))
            near = abs(left.hour * 60 + left.minute - (8 * 60 + 10)) <= 120
            if left.weekday() == 1 and near and back.date() == left.date() and back <= until:
                found.append(back.hour * 60 + back.minute)
    return sorted(found)


def test_a_usual_drive_comes_back_as_recorded_ones_did(inputs: Inputs) -> None:
    """Monday evening: sample k of S takes the recorded return of its rank, by a loop over the rows of the file."""
    _, days = sampled(inputs, "2026-03-02T18:00")
    past = recorded_tuesdays(datetime(2026, 3, 2, 18, 0, tzinfo=HELSINKI))
    assert len(past) > 20
    drawn = sorted(datetime.fromtimestamp(each, HELSINKI) for each in returns_of(days).comeback[:, 0].tolist())
    assert {each.date() for each in drawn} == {date(2026, 3, 3)}
    count = len(days)
    expected = [past[int((rank + 0.5) / count * len(past))] for rank in range(count)]
    assert [each.hour * 60 + each.minute for each in drawn] == expected
    assert len(set(expected)) > 5


def test_drives_that_are_not_over_yet_change_nothing(inputs: Inputs) -> None:
    now = datetime(2026, 3, 2, 18, 0, tzinfo=HELSINKI)
    assert inputs.recorded_trips is not None
    later = tuple(
        trip if trip.return_at <= now else replace(trip, return_at=trip.return_at + timedelta(hours=2))
        for trip in inputs.recorded_trips
    )
    one = returns_of(sampled(inputs, "2026-03-02T18:00")[1])
    two = returns_of(sampled(replace(inputs, recorded_trips=later), "2026-03-02T18:00")[1])
    assert np.array_equal(one.comeback, two.comeback)


def test_a_return_that_is_given_or_hardly_recorded_is_certain(inputs: Inputs) -> None:
    """A typed trip that is not as usual, no range, seven recorded drives, and no record at all: nothing is drawn."""
    assert sampled(inputs, "2026-03-02T18:00", trips=("07:30-18:00 96km",))[1].returns is None
    assert sampled(inputs, "2026-03-05T18:00", home_at="21:00")[1].returns is None
    assert inputs.recorded_trips is not None
    tuesdays = [trip for trip in inputs.recorded_trips if trip.depart_at.astimezone(HELSINKI).weekday() == 1]
    before = [trip for trip in tuesdays if trip.return_at < datetime(2026, 3, 2, tzinfo=UTC)]
    for few, drawn in ((before[-7:], False), (before[-8:], True)):
        _, days = sampled(replace(inputs, recorded_trips=tuple(few)), "2026-03-02T18:00")
        assert (days.returns is not None) is drawn
    assert sampled(replace(inputs, recorded_trips=None), "2026-03-02T18:00")[1].returns is None


def test_a_night_cut_at_a_return_has_what_it_had() -> None:
    """Home from 21:10 and not 23:00: one more boundary, the same energy and prices, and at home from it on."""
    night = flat_night(
        load_kw=[1, 2, 3, 4, 5, 6, 7, 8], import_price=[0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8], home_from=5
    )
    cut = coming_home(night, at(3 + 1 / 6), np.zeros(0))
    assert cut.intervals == 9
    assert cut.hours.tolist() == pytest.approx([1, 1, 1, 1 / 6, 5 / 6, 1, 1, 1, 1])
    assert cut.load_kw.tolist() == [1, 2, 3, 4, 4, 5, 6, 7, 8]
    assert cut.import_price.tolist() == [0.1, 0.2, 0.3, 0.4, 0.4, 0.5, 0.6, 0.7, 0.8]
    assert cut.at_home.tolist() == [False] * 4 + [True] * 5
    assert coming_home(night, np.nan, np.zeros(0)).at_home.tolist() == night.at_home.tolist()


def test_a_late_return_waits_for_nothing_but_the_next_departure() -> None:
    """Back at 20:30 in place of 20:00; and however late it is, it leaves again at 22:00, and is then not ready."""
    night = flat_night(trips=[Drive(depart=0, comeback=2, distance_km=20), Drive(depart=4, comeback=6, distance_km=20)])
    late = coming_home(night, np.nan, np.array([at(2.5), np.nan]))
    assert [(trip.ready, trip.depart, trip.comeback) for trip in late.trips] == [(0, 0, 3), (4, 5, 7)]
    assert late.at_home.tolist() == [False] * 3 + [True] * 2 + [False] * 2 + [True] * 2
    latest = coming_home(night, np.nan, np.array([at(9.0), np.nan]))
    assert [(trip.ready, trip.depart, trip.comeback) for trip in latest.trips] == [(0, 0, 4), (4, 4, 6)]
    early = coming_home(night, np.nan, np.array([at(1.0), np.nan]))
    assert early.at_home.tolist() == [False, True, True, True, False, False, True, True]


def test_a_departure_is_short_on_the_days_on_which_the_car_is_late() -> None:
    """It is back at 20:00 with 14 kWh, is charged with 4 kW from 20:00 to 22:00, and needs 18 kWh at 22:00.

    Until 21:00 it may be late, then less than 4 kWh are left to come. On 6 of 20 days it is back at 21:30.
    """
    night = flat_night(
        load_kw=0.0,
        soc_percent=36.0,
        trips=[Drive(depart=0, comeback=2, distance_km=20), Drive(depart=4, comeback=6, distance_km=40)],
    )
    late = np.array([at(3.5)] * 6 + [at(2.0)] * 4 + [at(3.0)] * 5 + [at(1.5)] * 5)
    days = days_of(np.zeros((20, 8)), np.full(20, np.nan), np.stack([late, np.full(20, np.nan)], axis=1))
    block = Block(2, 4, "charge", 4.0, 17.4)
    _, chance = trip_chances(night, powers(night, 0, 0, 4, 4), (block,), days)
    assert (chance.short, chance.of, chance.whatever_is_drawn) == (6, 20, False)
    assert chance.nearly_least_percent == pytest.approx(100 * (14 + 2) / 50)
    assert chance.home_when_short == START + timedelta(hours=3.5)
    in_time = replace(days, returns=SampledReturns(np.full(20, np.nan), np.full((20, 2), at(3.0))))
    _, chance = trip_chances(night, powers(night, 0, 0, 4, 4), (block,), in_time)
    assert (chance.short, chance.whatever_is_drawn, chance.chance) == (0, True, 0.0)


def test_what_is_set_begins_once_the_car_is_there() -> None:
    """From 20:00 to 22:00 it covers 2 kW: back at 20:45, it gives 2 kW for an hour and a quarter, 2.5 kWh, not 4.

    The 1.5 kWh more are bought at 0.30.
    """
    night = flat_night(load_kw=2.0, trips=[Drive(depart=0, comeback=2, distance_km=20)], wear_price_per_kwh=0.0)
    block = Block(2, 4, "cover", 7.0, 30.4)
    settings = settings_of(night, night, powers(night, 0, 0, -2, -2), (block,))
    comeback = np.array([[at(2.75)], [at(2.0)]])
    found = outcomes(night, settings, days_of(np.full((2, 8), 2.0), np.full(2, np.nan), comeback))
    assert float(found.cash[1]) == pytest.approx(0.30 * (8 * 2 - 4))
    assert float(found.cash[0]) == pytest.approx(0.30 * (8 * 2 - 2.5))


def test_the_saving_counts_what_charging_on_return_would_have_done() -> None:
    """Home between 19:00 and 21:00, and a price of 0.50 until 20:00, 0.10 after: whoever charges on return pays by it.

    The battery takes 15 kWh in 7 kW, so 2 h 8.6 min. On return at 19:00 an hour of 7 kWh costs 0.40 more each.
    """
    prices = [0.50, 0.50, 0.10, 0.10, 0.10, 0.10, 0.10, 0.10]
    night = flat_night(load_kw=0.0, import_price=prices, home_from=3, wear_price_per_kwh=0.0)
    home_at = np.array([at(1.0), at(3.0)] * 7)
    days = days_of(np.zeros((14, 8)), home_at, np.zeros((14, 0)))
    seen = outlook(night, powers(night, 0, 0, 0, 0, 0, 7, 7, 1), (Block(5, 8, "charge", 7.0, 30.4),), days)
    assert seen is not None
    assert seen.draws_returns
    assert float(seen.saving[0] - seen.saving[1]) == pytest.approx(7 * 0.40)


def test_orders_of_different_things_do_not_go_together() -> None:
    """Late from one trip says nothing of the next: the ranks of 60 samples are hardly correlated."""
    for one in range(4):
        assert sorted(spread_evenly(60, one).tolist()) == pytest.approx([(at + 0.5) / 60 for at in range(60)])
        for two in range(one):
            both = np.corrcoef(spread_evenly(60, one), spread_evenly(60, two))
            assert abs(float(both[0, 1])) < 0.25
