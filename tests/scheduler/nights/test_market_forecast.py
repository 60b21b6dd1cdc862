"""Market prices: a published series billed and planned, and what a plan may know of it.

Source: Bundesnetzagentur | SMARD.de, CC BY 4.0: hourly day-ahead prices of spring 2018 with negative hours
and the clock change (tests/published/smard-SOURCE.txt).
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from models.tariff.bill import GridFlows, bill
from models.tariff.market import MarketPrices, known_until, market_price_at
from models.tariff.offer import Band, Offer
from scheduler.inputs.offer_file import read_market
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.market_forecast import offer_as_known
from scheduler.nights.request import Request
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from scheduler.textio.errors import InputFaults
from tests.builders.places import PUBLISHED
from tests.builders.sites import write_site
from tests.oracles.independent_matrix import independent_optimum
from tests.oracles.tolerances import money_tolerance

SMARD = PUBLISHED / "smard-day-ahead-2018-spring.csv"
BERLIN = "Europe/Berlin"
FACTOR, FEE, NIGHT_FEE = 1.19, 0.145, 0.09


@pytest.fixture(scope="module")
def series() -> MarketPrices:
    return read_market(SMARD, known_until_minute=1440, published_minute=13 * 60)


def offer(series: MarketPrices) -> Offer:
    """Import by the market with a network fee by the clock, export at nine tenths of it less a cent."""
    return Offer(
        "By the hour",
        "EUR",
        0.40,
        (Band(FEE, market_factor=FACTOR), Band(NIGHT_FEE, 22 * 60, 6 * 60, market_factor=FACTOR)),
        (Band(-0.01, market_factor=0.9),),
        market=series,
    )


def published_rows() -> list[tuple[datetime, float]]:
    """The file read a second way, in EUR per kWh."""
    with SMARD.open(encoding="utf-8") as file:
        return [
            (datetime.fromisoformat(row["start"]), float(row["price_per_mwh"]) / 1000) for row in csv.DictReader(file)
        ]


def test_the_published_series_is_read(series: MarketPrices) -> None:
    """41 days less the lost hour, negative prices among them, at the same instants as another reading of the file."""
    rows = published_rows()
    assert len(series.price_per_kwh) == 41 * 24 - 1 == len(rows)
    assert (series.price_per_kwh < 0).sum() == sum(price < 0 for _, price in rows) > 10
    assert [instant.timestamp() for instant in series.start] == [start.timestamp() for start, _ in rows]
    assert series.price_per_kwh == pytest.approx([price for _, price in rows])


def test_a_bill_by_the_published_prices(series: MarketPrices) -> None:
    """Forty days of hourly flows, the clock change and negative hours included, against a loop over the file's rows."""
    rows = published_rows()[24:]
    random = np.random.default_rng(4)
    imported, exported = random.uniform(0, 3, len(rows)), random.uniform(0, 2, len(rows))
    metered = GridFlows(series.start[24:], 60, imported, exported)
    expected = 40 * 0.40
    for (start, price), kwh_in, kwh_out in zip(rows, imported, exported, strict=True):
        fee = NIGHT_FEE if start.hour >= 22 or start.hour < 6 else FEE
        expected += kwh_in * (FACTOR * price + fee) - kwh_out * (0.9 * price - 0.01)
    made = bill(offer(series), metered, BERLIN, date(2018, 3, 24), date(2018, 5, 3))
    assert made.total == pytest.approx(expected)


@pytest.mark.parametrize(
    ("now", "known"),
    [
        ("2018-04-10T12:59", "2018-04-11T00:00"),
        ("2018-04-10T13:00", "2018-04-12T00:00"),
        ("2018-04-10T17:30", "2018-04-12T00:00"),
        ("2018-03-24T17:30", "2018-03-26T00:00"),
    ],
)
def test_tomorrow_is_known_once_it_is_published(series: MarketPrices, now: str, known: str) -> None:
    """Prices are known to the end of today, and from 13:00 on to the end of tomorrow, a day of 23 hours included."""
    found = known_until(series, pd.Timestamp(now, tz=BERLIN), BERLIN)
    assert found == pd.Timestamp(known, tz=BERLIN)


def test_known_until_a_clock_time_alone(series: MarketPrices) -> None:
    """With known_until = "14:00" and no hour of publication, prices are known to the next 14:00."""
    rolling = replace(series, known_until_minute=14 * 60, published_minute=14 * 60)
    for now, known in (("2018-04-10T13:00", "2018-04-10T14:00"), ("2018-04-10T17:30", "2018-04-11T14:00")):
        assert known_until(rolling, pd.Timestamp(now, tz=BERLIN), BERLIN) == pd.Timestamp(known, tz=BERLIN)


def evening(now: str, **changes: object) -> Request:
    instant = pd.Timestamp(now, tz=BERLIN).tz_convert("UTC").to_pydatetime()
    return replace(Request(now=instant, soc_percent=60.0), **changes)  # type: ignore[arg-type]


def test_after_what_is_known_comes_what_is_typical(series: MarketPrices) -> None:
    """At noon tomorrow's prices are not out: today's are the published ones, tomorrow's the mean at each clock time of
    the weekdays among the 28 days until midnight, reckoned here with pandas."""
    asked = evening("2018-04-24T12:00")
    found, notes = offer_as_known(offer(series), asked, asked.now + timedelta(hours=24), BERLIN)
    assert found.market is not None
    assert notes == (
        "The market prices of the offer are known until Wed 00:00; after that the plan uses typical prices.",
    )
    frame = pd.DataFrame({"price": series.price_per_kwh}, index=series.start.tz_convert(BERLIN))
    recent = frame[(frame.index >= "2018-03-28") & (frame.index < "2018-04-25") & (frame.index.day_of_week < 5)]
    typical = recent.groupby(recent.index.hour).price.mean()
    for hour in range(24):
        instant = pd.DatetimeIndex([pd.Timestamp("2018-04-24T12:00", tz=BERLIN) + pd.Timedelta(hours=hour)])
        expected = typical[instant.hour[0]] if hour >= 12 else market_price_at(series, instant)[0]
        assert market_price_at(found.market, instant)[0] == pytest.approx(expected), hour


def test_recorded_prices_are_the_series_itself(series: MarketPrices) -> None:
    """A study's forecast knows every price, and says so if the series does not reach."""
    asked = evening("2018-04-24T12:00", forecast="recorded")
    found, notes = offer_as_known(offer(series), asked, asked.now + timedelta(hours=36), BERLIN)
    assert found.market is not None
    assert notes == ()
    assert found.market.price_per_kwh == pytest.approx(market_price_at(series, found.market.start))
    with pytest.raises(InputFaults, match="has no market price"):
        offer_as_known(
            offer(series), evening("2018-05-02T12:00", forecast="recorded"), datetime(2018, 5, 4, tzinfo=UTC), BERLIN
        )


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory, series: MarketPrices) -> Inputs:
    read = read_inputs(write_site(tmp_path_factory.mktemp("site"), site={"Europe/Dublin": BERLIN}))
    return replace(read, offer=offer(series))


@pytest.mark.parametrize("now", ["2018-03-24T17:30", "2018-04-30T18:00", "2018-04-12T17:30"])
def test_nights_at_published_prices_equal_the_independent_matrix(inputs: Inputs, now: str) -> None:
    """The night of the clock change, one into a May Day of negative prices and a common one: the same optimum."""
    night, _ = build_night(inputs, evening(now))
    if now.startswith("2018-04-30"):
        assert night.import_price.min() < FEE * 0.5
        assert night.export_price.min() < 0
    found = verify(night, solve(night)).costs.total
    assert found == pytest.approx(independent_optimum(night).money, abs=money_tolerance(night))
