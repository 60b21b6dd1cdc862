"""Offers: which band holds when, over midnights, month ends, holidays and both clock changes."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.calendars import public_holidays
from models.base.clock import local_clock
from models.tariff.offer import Band, Offer, first_unpriced_time, prices, side_prices

WEEKDAYS = frozenset(range(5))
BASE = Band(0.30)
DUBLIN = "Europe/Dublin"


def clock(hour: int, minute: int = 0) -> int:
    return 60 * hour + minute


def offer(*bands: Band, exports: tuple[Band, ...] = (), holidays_count_as: int | None = None) -> Offer:
    return Offer("invented", "EUR", 0.5, bands, exports, holidays_count_as)


def import_price(tariff: Offer, local: str, holidays: frozenset[date] = frozenset()) -> float:
    instant = pd.DatetimeIndex([pd.Timestamp(local, tz=DUBLIN)])
    return float(prices(tariff, instant, DUBLIN, holidays)[0][0])


def minutes_held(band: Band, zone: str, day: str) -> list[int]:
    """Minutes since local midnight, in elapsed time, at which the band's price holds on a local date."""
    begins = pd.Timestamp(day, tz=zone)
    ends = (pd.Timestamp(day) + pd.Timedelta(days=1)).tz_localize(zone)
    every_minute = pd.date_range(begins, ends, freq="min", inclusive="left")
    return np.flatnonzero(prices(offer(BASE, band), every_minute, zone)[0] == band.price_per_kwh).tolist()


def test_last_match_wins() -> None:
    """Of bands that overlap the later one in the file gives the price."""
    tariff = offer(BASE, Band(0.5, clock(17), clock(21)), Band(0.1, clock(20), clock(22)))
    found = [import_price(tariff, f"2026-01-14 {hour}:00") for hour in (16, 17, 20, 21, 22)]
    assert found == [0.30, 0.5, 0.1, 0.1, 0.30]


def test_export_without_a_match_is_nothing() -> None:
    """Outside its export bands an offer pays 0, and an edge belongs to the band that begins there."""
    tariff = offer(BASE, exports=(Band(0.2, clock(18), clock(21)),))
    instants = pd.DatetimeIndex(["2026-01-14 17:59", "2026-01-14 18:00", "2026-01-14 21:00"], tz=DUBLIN)
    assert prices(tariff, instants, DUBLIN)[1].tolist() == [0.0, 0.2, 0.0]


@pytest.mark.parametrize(
    ("local", "held"),
    [
        ("2026-01-16 01:00", False),
        ("2026-01-16 22:00", True),
        ("2026-01-17 01:59", True),
        ("2026-01-17 02:00", False),
        ("2026-01-17 22:00", False),
    ],
)
def test_a_band_past_midnight_belongs_to_the_day_it_began(local: str, held: bool) -> None:
    """A Friday band from 22:00 to 02:00 holds in the first hours of Saturday, not in those of Friday."""
    tariff = offer(BASE, Band(0.1, clock(22), clock(2), days=frozenset({4})))
    assert (import_price(tariff, local) == 0.1) is held


@pytest.mark.parametrize(
    ("local", "held"),
    [
        ("2026-03-01 01:00", False),
        ("2026-03-01 22:00", True),
        ("2026-04-01 01:00", True),
        ("2026-04-01 22:00", False),
        ("2026-01-01 01:00", True),
    ],
)
def test_a_band_past_midnight_belongs_to_the_month_it_began(local: str, held: bool) -> None:
    """A band of December and March from 22:00 to 02:00 reaches into January and April, not back."""
    tariff = offer(BASE, Band(0.1, clock(22), clock(2), months=frozenset({3, 12})))
    assert (import_price(tariff, local) == 0.1) is held


@pytest.mark.parametrize(
    ("local", "held"),
    [
        ("2026-03-17 03:00", True),
        ("2026-03-17 23:30", False),
        ("2026-03-18 03:00", False),
        ("2026-03-18 23:30", True),
        ("2026-04-06 23:30", False),
    ],
)
def test_holidays_count_as_sunday(local: str, held: bool) -> None:
    """A weekday night band skips Saint Patrick's Day, a Tuesday, and Easter Monday (Irish calendar 2026)."""
    holidays = public_holidays("IE", [2026])
    night = Band(0.1, clock(23), clock(7), days=WEEKDAYS)
    assert (import_price(offer(BASE, night, holidays_count_as=6), local, holidays=holidays) == 0.1) is held
    ignored = import_price(offer(BASE, night), local, holidays=holidays)
    assert ignored == 0.1


def test_calendar() -> None:
    """The holidays package knows countries and subdivisions, and what it does not know is an error."""
    assert date(2026, 3, 17) in public_holidays("IE", [2026])
    assert date(2026, 8, 15) in public_holidays("DE-SL", [2026])
    assert date(2026, 8, 15) not in public_holidays("DE", [2026])
    with pytest.raises(ValueError, match="no public-holiday calendar 'XX'"):
        public_holidays("XX", [2026])


@pytest.mark.parametrize(
    ("zone", "day", "band", "minutes"),
    [
        (DUBLIN, "2026-03-29", (clock(1), clock(2)), 0),
        (DUBLIN, "2026-10-25", (clock(1), clock(2)), 120),
        (DUBLIN, "2026-10-25", (clock(1, 30), clock(2, 30)), 90),
        ("Australia/Lord_Howe", "2026-04-05", (clock(1, 30), clock(2)), 60),
        ("Australia/Lord_Howe", "2026-10-04", (clock(2), clock(3)), 30),
        ("Australia/Adelaide", "2026-04-05", (clock(2), clock(3)), 120),
        ("Australia/Adelaide", "2026-10-04", (clock(2), clock(3)), 0),
        ("Asia/Kolkata", "2026-03-29", (clock(1), clock(2)), 60),
        (DUBLIN, "2026-03-29", (clock(23), clock(7)), 60 * 7),
        (DUBLIN, "2026-10-25", (clock(23), clock(7)), 60 * 9),
    ],
)
def test_clock_changes(zone: str, day: str, band: tuple[int, int], minutes: int) -> None:
    """A band holds whenever the wall clock shows a time in it: twice in a repeated hour, never in a skipped one."""
    assert len(minutes_held(Band(0.1, *band), zone, day)) == minutes


def test_edges_inside_a_lost_and_a_doubled_hour() -> None:
    """An edge in the skipped hour takes effect right after it; one in the repeated hour does so twice."""
    assert minutes_held(Band(0.1, clock(1, 30), clock(3)), DUBLIN, "2026-03-29") == list(range(60, 120))
    assert minutes_held(Band(0.1, 0, clock(1, 30)), DUBLIN, "2026-03-29") == list(range(60))
    twice = [*range(90, 120), *range(150, 210)]
    assert minutes_held(Band(0.1, clock(1, 30), clock(2, 30)), DUBLIN, "2026-10-25") == twice


def test_an_instant_without_a_price_is_an_error() -> None:
    """Where no import band matches, the error names the offer and the local time."""
    instants = pd.DatetimeIndex(["2026-07-01 21:00", "2026-07-01 22:30"], tz="UTC")
    with pytest.raises(ValueError, match=r"'invented' has no import price at 2026-07-01T23:30:00\+01:00"):
        prices(offer(Band(0.3, 0, clock(23))), instants, DUBLIN)


@pytest.mark.parametrize(
    ("bands", "unpriced"),
    [
        ((BASE,), None),
        ((Band(0.3, days=WEEKDAYS),), (1, 5, 0)),
        ((Band(0.3, clock(6)),), (1, 0, 0)),
        ((Band(0.3, clock(6), clock(22)), Band(0.1, clock(22), clock(6))), None),
        ((Band(0.3, clock(6)), Band(0.1, clock(22), clock(6), months=frozenset(range(1, 12)))), (1, 0, 0)),
        ((Band(0.3, months=frozenset({*range(1, 7), *range(8, 13)})),), (7, 0, 0)),
    ],
)
def test_first_unpriced(bands: tuple[Band, ...], unpriced: tuple[int, int, int] | None) -> None:
    """The first month, day and minute without a price is found, over midnights and year ends too."""
    assert first_unpriced_time(offer(*bands)) == unpriced


def test_a_gap_that_only_a_holiday_opens() -> None:
    """Weekday and weekend bands that meet at Friday's midnight leave a gap after a holiday in the week."""
    weekdays = Band(0.3, clock(7), clock(6), days=WEEKDAYS)
    mornings = Band(0.3, clock(6), clock(7), days=WEEKDAYS)
    weekend = Band(0.1, clock(6), days=frozenset({5, 6}))
    sundays = Band(0.1, 0, clock(6), days=frozenset({6}))
    mondays = Band(0.3, 0, clock(6), days=frozenset({0}))
    bands = (weekdays, mornings, weekend, sundays, mondays)
    assert first_unpriced_time(offer(*bands)) is None
    assert first_unpriced_time(offer(*bands, holidays_count_as=6)) == (1, 1, 0)


SIX_HOURLY = pd.date_range("2000-01-01", "2028-01-01", freq="6h", inclusive="left", tz="UTC")
"""28 years: every date falls on every day of the week."""
CALENDAR = local_clock(SIX_HOURLY, "UTC")
some_days = st.none() | st.frozensets(st.integers(0, 6), min_size=1)
some_months = st.none() | st.frozensets(st.integers(1, 12), min_size=1)
quarters = st.tuples(st.sampled_from([0, 360, 720, 1080]), st.sampled_from([360, 720, 1080, 1440]))
some_bands = st.lists(
    st.builds(
        lambda edges, days, months: Band(0.3, *edges, days=days, months=months),
        quarters.filter(lambda edges: edges[0] != edges[1]),
        some_days,
        some_months,
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=60, deadline=None)
@given(some_bands)
def test_first_unpriced_against_a_whole_calendar(bands: list[Band]) -> None:
    """A gap is reported just when 28 years, every six hours, hold one, and is one of those."""
    days = (CALENDAR.day_of_week, CALENDAR.day_of_week_before)
    months = (CALENDAR.month, CALENDAR.month_before)
    missing = np.isnan(side_prices(bands, CALENDAR.minute, days, months).beyond)
    shown = np.column_stack([CALENDAR.month, CALENDAR.day_of_week, CALENDAR.minute])
    gaps = {tuple(row) for row in np.unique(shown[missing], axis=0).tolist()}
    found = first_unpriced_time(offer(*bands))
    assert (found is None) == (not gaps)
    if found is not None:
        assert found in gaps
