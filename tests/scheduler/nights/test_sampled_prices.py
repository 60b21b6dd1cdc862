"""Market prices that are not published yet, against plain loops over the rows of a published price file.

Source: Bundesnetzagentur | SMARD.de, CC BY 4.0: hourly day-ahead prices of spring 2018 with negative hours
and the clock change (tests/published/smard-SOURCE.txt). Factors, fees and taxes are invented.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from models.base.clock import SATURDAY
from models.tariff.offer import Band, DemandCharge, Discount, Offer, Tax
from scheduler.inputs.offer_file import read_market
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from scheduler.nights.sampled_days import SampledDays, sampled_days
from scheduler.plans.dispatch import follow_settings, settings_of
from scheduler.plans.outlook import outcomes, outlook
from scheduler.plans.replay import replay
from tests.builders.nights import powers
from tests.builders.places import PUBLISHED
from tests.builders.sites import write_site

SMARD = PUBLISHED / "smard-day-ahead-2018-spring.csv"
BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2018, 4, 24, 9, 0, tzinfo=UTC)
"""Tuesday, 11:00 in Berlin: prices are known until midnight, and come out for Wednesday at 13:00."""
MIDNIGHT = datetime(2018, 4, 24, 22, 0, tzinfo=UTC)
FACTOR, FEE, NIGHT_FEE, VAT, OFF = 1.19, 0.145, 0.09, 0.20, 0.05
ENERGY_TAX, PART = 0.07, 0.031


def raw_prices() -> dict[datetime, float]:
    """The published file, in EUR per kWh, by the instant at which each hour begins."""
    with SMARD.open(encoding="utf-8") as file:
        return {
            datetime.fromisoformat(row["start"]).astimezone(UTC): float(row["price_per_mwh"]) / 1000
            for row in csv.DictReader(file)
        }


def offer(**changes: object) -> Offer:
    """Import by the market, dearer by day, with a price of the network, taxes and a discount; export by the market."""
    plain = Offer(
        "By the hour",
        "EUR",
        0.40,
        (
            Band(FEE, market_factor=FACTOR),
            Band(NIGHT_FEE, 22 * 60, 6 * 60, market_factor=FACTOR),
            Band(PART, part="network"),
        ),
        (Band(-0.01, market_factor=0.9),),
        taxes=(Tax(100 * VAT, frozenset({"import"})), Tax(100 * ENERGY_TAX, frozenset({"import"}), "network")),
        discount=Discount(100 * OFF, frozenset({"import"})),
        market=read_market(SMARD, known_until_minute=1440, published_minute=13 * 60),
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


def import_price_of(market: float, begin: datetime) -> float:
    """What a kWh bought costs by the offer, worked out by hand."""
    hour = begin.astimezone(BERLIN).hour
    energy = FACTOR * market + (NIGHT_FEE if hour >= 22 or hour < 6 else FEE)
    return (1 - OFF) * (energy * (1 + VAT) + PART * (1 + VAT + ENERGY_TAX))


@pytest.fixture(scope="module")
def inputs(tmp_path_factory: pytest.TempPathFactory) -> Inputs:
    """The plain site in Berlin, its load laid over the weeks of the price file, which differ from day to day."""
    hours = [datetime(2018, 3, 25, 22, 0, tzinfo=UTC) + timedelta(hours=at) for at in range(37 * 24)]
    rows = [f"{at.isoformat(timespec='minutes')},{0.5 + 0.1 * (at.day % 7) + 0.05 * at.hour:.2f}" for at in hours]
    text = "\n".join(["start,kw", *rows, ""])
    place = write_site(tmp_path_factory.mktemp("site"), site={"Europe/Dublin": "Europe/Berlin"}, load=text, solar=text)
    return replace(read_inputs(place), offer=offer())


def sampled(inputs: Inputs, now: datetime = NOW) -> tuple[Night, SampledDays]:
    """The night from a moment on, and past days like it."""
    evening = Request(now=now, soc_percent=50.0, forecast="samples")
    night, _ = build_night(inputs, evening)
    return night, sampled_days(inputs, evening, night)


def begins_of(night: Night) -> list[datetime]:
    """When each interval begins."""
    return [each.to_pydatetime() for each in night.boundaries[:-1]]


def hour_of(begin: datetime, day: date) -> datetime:
    """The hour of a past day; after a Friday's evening that of the same Friday, since tomorrow is a weekday too."""
    moved = begin - timedelta(days=(NOW.date() - day).days)
    return moved - timedelta(days=1) if moved.astimezone(BERLIN).weekday() == SATURDAY else moved


def drawn_market(days: SampledDays, night: Night) -> list[dict[datetime, float]]:
    """Of each past day, the market price of each hour that is not published, by loops over the file.

    That is the mean of the 28 days until midnight at that hour, of its kind of day, and on top of it how far the price
    of the past day was off the mean of all past days in the same hour.
    """
    raw = raw_prices()
    open_hours = [begin for begin in begins_of(night) if begin >= MIDNIGHT]
    found = []
    for day in days.days:
        mine = {}
        for begin in open_hours:
            past = [raw[hour_of(begin, other)] for other in days.days]
            own = raw[hour_of(begin, day)]
            hour = begin.astimezone(BERLIN).replace(minute=0)
            recent = [
                price
                for start, price in raw.items()
                if MIDNIGHT - timedelta(days=28) <= start < MIDNIGHT
                and start.astimezone(BERLIN).hour == hour.hour
                and start.astimezone(BERLIN).weekday() < 5
            ]
            mine[begin] = sum(recent) / len(recent) + own - sum(past) / len(past)
        found.append(mine)
    return found


def test_prices_not_published_are_those_of_past_days_by_the_offers_own_formula(inputs: Inputs) -> None:
    """Every sample and hour against the file: import with network price, taxes and discount, and export."""
    night, days = sampled(inputs)
    assert len(days) >= 14
    for number, market in enumerate(drawn_market(days, night)):
        real = days.night(night, number)
        for at, begin in enumerate(begins_of(night)):
            if begin in market:
                assert real.import_price[at] == pytest.approx(import_price_of(market[begin], begin)), (number, begin)
                assert real.export_price[at] == pytest.approx(0.9 * market[begin] - 0.01), (number, begin)


def test_published_prices_are_the_same_in_every_sample(inputs: Inputs) -> None:
    night, days = sampled(inputs)
    raw = raw_prices()
    known = [at for at, begin in enumerate(begins_of(night)) if begin < MIDNIGHT]
    assert known
    for number in range(len(days)):
        real = days.night(night, number)
        for at in known:
            begin = begins_of(night)[at]
            hour = begin.replace(minute=0, second=0)
            assert real.import_price[at] == night.import_price[at]
            assert real.import_price[at] == pytest.approx(import_price_of(raw[hour], begin))


def test_their_mean_is_the_forecast(inputs: Inputs) -> None:
    night, days = sampled(inputs)
    reals = [days.night(night, number) for number in range(len(days))]
    assert np.mean([real.import_price for real in reals], axis=0) == pytest.approx(night.import_price)
    assert np.std([real.import_price for real in reals], axis=0).max() > 0.005


def test_a_past_day_to_plan_on_has_typical_prices(inputs: Inputs) -> None:
    night, days = sampled(inputs)
    assert days.forecast(night, 3).import_price is night.import_price
    assert days.forecast(night, 3).load_kw is not night.load_kw


def test_in_the_evening_all_prices_are_published_and_none_is_drawn(inputs: Inputs) -> None:
    assert sampled(inputs, datetime(2018, 4, 24, 16, 0, tzinfo=UTC))[1].prices is None


def test_what_is_published_later_changes_nothing(inputs: Inputs) -> None:
    """Every price from midnight on is trebled, and every load from now on: the samples stay."""
    market = inputs.offer.market
    assert market is not None
    later = np.asarray(market.start >= pd.Timestamp(MIDNIGHT))
    other_market = replace(market, price_per_kwh=np.where(later, 3 * market.price_per_kwh, market.price_per_kwh))
    since = np.asarray(inputs.load.start >= pd.Timestamp(NOW))
    other = replace(
        inputs,
        offer=replace(inputs.offer, market=other_market),
        load=replace(inputs.load, kw=np.where(since, 3 * inputs.load.kw, inputs.load.kw)),
    )
    (night, days), (other_night, other_days) = sampled(inputs), sampled(other)
    for number in range(len(days)):
        one, two = days.night(night, number), other_days.night(other_night, number)
        assert np.array_equal(one.import_price, two.import_price)
        assert np.array_equal(one.export_price, two.export_price)
        assert np.array_equal(one.load_kw, two.load_kw)


def test_the_outlook_of_a_plan_by_loops_over_the_price_file(inputs: Inputs) -> None:
    """What a plan costs on each day: its flows at the meter, each at the price worked out from the file."""
    night, days = sampled(inputs)
    setpoints = powers(night, *([0] * (night.intervals - 12)), *([3] * 4), *([-2] * 4), *([0] * 4))
    settings = settings_of(night, night, setpoints, ())
    raw = raw_prices()
    expected = []
    for number, market in enumerate(drawn_market(days, night)):
        real = replace(night, load_kw=days.load_kw[number], solar_kw=days.solar_kw[number])
        flows = replay(real, follow_settings(real, settings))
        money = 0.0
        for at, begin in enumerate(begins_of(night)):
            price = market.get(begin, raw.get(begin.replace(minute=0), np.nan))
            money += float(night.hours[at]) * float(flows.import_kw[at]) * import_price_of(price, begin)
            money -= float(night.hours[at]) * float(flows.export_kw[at]) * (0.9 * price - 0.01)
        expected.append(money)
    assert outcomes(night, settings, days).cash.tolist() == pytest.approx(expected)
    seen = outlook(night, setpoints, (), days)
    assert seen is not None
    assert seen.draws_prices
    assert seen.cash.tolist() == pytest.approx(expected)
    assert float(np.std(expected)) > 0


def test_what_is_left_of_tiers_and_the_demand_charge_stay(inputs: Inputs) -> None:
    """The first 3 kWh of a day cost 0.7 of the market price: within them a sample's price moves by that much.

    Their size and the demand charge are tonight's in every sample.
    """
    tiered = offer(
        import_bands=(Band(FEE, market_factor=FACTOR), Band(0.02, up_to_kwh=3.0, market_factor=0.7)),
        demand_charges=(DemandCharge(4.0, 60),),
    )
    night, days = sampled(replace(inputs, offer=tiered))
    factor = (1 + VAT) * (1 - OFF)
    for number, market in enumerate(drawn_market(days, night)):
        real = days.night(night, number)
        assert [tier.left_kwh for tier in real.tiers] == [tier.left_kwh for tier in night.tiers]
        assert real.demand is night.demand
        for at, begin in enumerate(begins_of(night)):
            if begin in market:
                beyond, within = real.possible_prices("import")[0, at], real.possible_prices("import")[-1, at]
                assert beyond == pytest.approx(factor * (FACTOR * market[begin] + FEE))
                assert within == pytest.approx(factor * (0.7 * market[begin] + 0.02))


def test_prices_that_go_back_a_week_are_not_drawn(inputs: Inputs) -> None:
    """Chances need 14 days; with prices of a week there would be five. So load and sun are drawn alone."""
    market = inputs.offer.market
    assert market is not None
    kept = np.asarray(market.start >= pd.Timestamp(NOW - timedelta(days=10)))
    short = replace(market, start=market.start[kept], price_per_kwh=market.price_per_kwh[kept])
    whole = sampled(inputs)[1]
    _, days = sampled(replace(inputs, offer=replace(inputs.offer, market=short)))
    assert days.prices is None
    assert len(days) >= len(whole) >= 14


def test_they_are_drawn_from_days_whose_prices_are_known(inputs: Inputs) -> None:
    """Of the days whose load is known, those before the prices begin are left out, and no others."""
    market = inputs.offer.market
    assert market is not None
    kept = np.asarray(market.start >= pd.Timestamp("2018-03-28T22:00Z"))
    short = replace(market, start=market.start[kept], price_per_kwh=market.price_per_kwh[kept])
    whole = sampled(inputs)[1]
    _, days = sampled(replace(inputs, offer=replace(inputs.offer, market=short)))
    assert days.prices is not None
    assert days.days == tuple(day for day in whole.days if day >= date(2018, 3, 28))
