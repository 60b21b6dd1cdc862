"""Days of open data through a comparison: a published household, published market prices, quarter hours.

The days are Friday 6 to Monday 9 April 2018: each kind of trip, a weekend, and hours of 7 April at prices below zero.
`tests/benchmarks/open_year.py` compares the whole year.
"""

from __future__ import annotations

import csv
from datetime import datetime
from pathlib import Path

import pytest

from scheduler.comparison.compare import compare
from scheduler.comparison.results import Comparison
from scheduler.rolling.period import CompareOptions
from tests.builders.open_year import BERLIN, write_open_site
from tests.builders.places import PUBLISHED


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("open")


@pytest.fixture(scope="module")
def compared(folder: Path) -> Comparison:
    """Four days under a market offer. Sources: tests/published/simbench-SOURCE.txt and smard-SOURCE.txt."""
    with (PUBLISHED / "simbench-2016-spring.csv").open() as file:
        household = [(row[0], row[1], row[2]) for row in list(csv.reader(file, delimiter=";"))[1:]]
    with (PUBLISHED / "smard-day-ahead-2018-spring.csv").open() as file:
        prices = [(row[0], row[1]) for row in list(csv.reader(file))[1:]]
    site = write_open_site(folder / "site", household, prices)
    words = CompareOptions(site, (Path("market.toml"),), "2018-04-06", "2018-04-09")
    return compare(words, folder / "out", jobs=1)


def test_the_bill_from_the_published_prices(compared: Comparison, folder: Path) -> None:
    """Energy of each interval at the published price of its hour plus 0.18, 0.08 for what is sent, 0.35 a day."""
    with (PUBLISHED / "smard-day-ahead-2018-spring.csv").open() as file:
        published = {
            datetime.fromisoformat(row["start"]).timestamp() // 3600: float(row["price_per_mwh"]) / 1000
            for row in csv.DictReader(file)
        }
    assert min(published[datetime(2018, 4, 7, hour, tzinfo=BERLIN).timestamp() // 3600] for hour in range(24)) < 0
    total = 4 * 0.35
    with (folder / "out" / "metered-market-price.csv").open() as file:
        for row in csv.DictReader(file):
            price = published[datetime.fromisoformat(row["start"]).timestamp() // 3600] + 0.18
            total += price * float(row["import_kwh"]) - 0.08 * float(row["export_kwh"])
    assert compared.best.money["plan"].bill == pytest.approx(total, abs=1e-6)


def test_the_load_is_the_published_household_s(compared: Comparison) -> None:
    """The days' load from the database itself: the sum of its quarter hours, 104 weeks earlier."""
    with (PUBLISHED / "simbench-2016-spring.csv").open() as file:
        shares = [
            float(row["H0-A_pload"])
            for row in csv.DictReader(file, delimiter=";")
            if datetime(2016, 4, 8) <= datetime.strptime(row["time"], "%d.%m.%Y %H:%M") < datetime(2016, 4, 12)
        ]
    assert compared.best.flows["plan"].energy["load_kwh"].sum() == pytest.approx(3.0 * sum(shares) / 4, rel=1e-6)


def test_planning_pays_and_no_departure_is_missed(compared: Comparison) -> None:
    """Planning costs no more than charging on return, and every trip leaves with what it needs."""
    best = compared.best
    assert best.money["plan"].total < best.money["charge-on-return"].total
    assert best.flows["plan"].missed_departures == 0
    assert best.flows["plan"].night["departures"].sum() >= 3
