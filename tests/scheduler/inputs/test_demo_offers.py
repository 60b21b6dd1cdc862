"""The demo sites' offers: all read and plan a night, and together they use every rule of the format."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from scheduler.inputs.offer_schema import (
    ConnectionFeeTable,
    DemandTable,
    DiscountTable,
    ExportTable,
    ImportTable,
    MarketTable,
    OfferTable,
    TaxTable,
)
from scheduler.inputs.site_file import SITE_FILE, read_site
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.textio.toml_values import BILL_LINES
from tests.builders.places import SCENARIOS

EVENINGS = {"bookbindery": "2026-03-02T18:20", "veterinary": "2026-01-13T16:40", "boatyard": "2026-02-03T17:40"}
OFFERS = [(site, path.name) for site in EVENINGS for path in sorted((SCENARIOS / site / "offers").glob("*.toml"))]
TABLES = {
    "import": ImportTable,
    "export": ExportTable,
    "demand_charge": DemandTable,
    "connection_fee": ConnectionFeeTable,
    "discount": DiscountTable,
    "tax": TaxTable,
    "market": MarketTable,
}


def offer_tables(offer: dict[str, object], table: str) -> list[dict[str, object]]:
    """The tables of a name in an offer's TOML, one or many."""
    found = offer.get(table, [])
    return found if isinstance(found, list) else [found]  # type: ignore[list-item]


def raw_offers() -> list[dict[str, object]]:
    return [tomllib.loads((SCENARIOS / site / "offers" / name).read_text("utf-8")) for site, name in OFFERS]


def series(site: str, file: str) -> pd.DataFrame:
    """A CSV of a site, by its UTC start."""
    frame = pd.read_csv(SCENARIOS / site / file)
    return frame.set_index(pd.DatetimeIndex(pd.to_datetime(frame.pop("start"), utc=True)).as_unit("s"))


def test_every_rule_is_shown() -> None:
    """Each key of the offer format, of each of its tables, and each line that a tax can cover is in some demo offer."""
    offers = raw_offers()
    keys = {key for offer in offers for key in offer}
    assert {field.alias or name for name, field in OfferTable.model_fields.items()} == {*keys, "allow_high_prices"}
    for name, table in TABLES.items():
        allowed = {field.alias or key for key, field in table.model_fields.items()}
        used = {key for offer in offers for each in offer_tables(offer, name) for key in each}
        assert used >= allowed - ({"days"} if name == "export" else set()), name
    covered = [line for offer in offers for line in offer.get("tax_covers", [])]  # type: ignore[attr-defined]
    covered += [line for offer in offers for tax in offer_tables(offer, "tax") for line in tax["covers"]]  # type: ignore[attr-defined]
    assert set(covered) == set(BILL_LINES)


@pytest.mark.parametrize("site", EVENINGS)
def test_offers_of_each_site(site: str) -> None:
    """Each demo site has four or five offers in its own currency, no two of one name, the site's own among them."""
    names = [name for at, name in OFFERS if at == site]
    read = [read_inputs(SCENARIOS / site, SCENARIOS / site / "offers" / name).offer for name in names]
    assert len({offer.name for offer in read}) == len(names)
    assert len(names) == (5 if site == "boatyard" else 4)
    assert len({offer.currency for offer in read}) == 1
    assert read_inputs(SCENARIOS / site).site.offer_file.name in names


@pytest.mark.parametrize(("site", "name"), OFFERS)
def test_a_night_on_each(site: str, name: str) -> None:
    """Each offer gives a plan that replay has verified, no dearer than one that never discharges."""
    folder = SCENARIOS / site
    plan = plan_tonight(folder, RequestOptions(72, now=EVENINGS[site], forecast="typical"), folder / "offers" / name)
    assert not plan.target_missed
    assert plan.replayed.costs.total <= plan.alternatives["charge-only"].total + 1e-6


@pytest.mark.parametrize("site", EVENINGS)
def test_market_prices(site: str) -> None:
    """Market prices outlast the load by a day, fall below zero only by daylight, and are dear in weekday evenings."""
    load, market = series(site, "load.csv"), series(site, "offers/market.csv")
    assert market.index[0] <= load.index[0]
    assert market.index[-1] >= load.index[-1] + pd.Timedelta(days=1)
    zone = read_inputs(SCENARIOS / site).site.timezone
    wall = market.index.tz_convert(zone)
    price = market["price_per_mwh"]
    hour, weekend = np.asarray(wall.hour), np.asarray(wall.day_of_week >= 5)
    below_zero = hour[np.asarray(price < 0)]
    assert len(below_zero) > 20
    assert below_zero.min() >= 7
    assert below_zero.max() < 18
    evening = np.isin(hour, (18, 19))
    assert price[evening & ~weekend].mean() > 1.5 * price.mean()
    assert price[weekend].mean() < 0.9 * price[~weekend].mean()


@pytest.mark.parametrize("site", EVENINGS)
def test_export_window_that_is_a_note(site: str, tmp_path: Path) -> None:
    """The export window in each site's file, shown as a note, is read once its "#" are removed."""
    text = (SCENARIOS / site / SITE_FILE).read_text("utf-8")
    begin, end = text.index("# [[connection.export_window]]"), text.index("[car]")
    (tmp_path / SITE_FILE).write_text(
        text[:begin] + re.sub(r"^# ", "", text[begin:end], flags=re.M) + text[end:], encoding="utf-8"
    )
    for entry in (SCENARIOS / site).iterdir():
        if entry.name != SITE_FILE:
            (tmp_path / entry.name).symlink_to(entry)
    assert read_site(SCENARIOS / site).connection.export_windows == ()
    (window,) = read_site(tmp_path).connection.export_windows
    assert window.export_limit_kw != read_site(tmp_path).connection.export_limit_kw
