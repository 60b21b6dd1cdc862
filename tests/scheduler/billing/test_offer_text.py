"""Offers in words: the demos' files say the same, read by hand; times, tiers, market, demand charge, tax."""

from __future__ import annotations

import pytest

from scheduler.billing.offer_text import offer_text
from scheduler.inputs.offer_file import read_offer
from tests.builders.places import SCENARIOS

SAID = {
    "bookbindery/offers/evening-feed-in.toml": {
        "Daily fee": "0.34 EUR",
        "Bought": "0.115 EUR per kWh 23:00 to 06:00; 0.345 17:00 to 21:00, Mon to Fri; 0.215 at all other times",
        "Sold": "0.165 EUR per kWh 18:00 to 21:00, Mon to Fri, Oct to Mar; 0.13 18:00 to 21:00, Mon to Fri; 0.045 at "
        "all other times. Where several fit, the first one named holds",
        "Public holidays": "count as Sundays",
    },
    "bookbindery/offers/low-draw.toml": {
        "Daily fee": "0.27 EUR",
        "Bought": "0.104 EUR per kWh at all times, up to 400 kWh a month (First kWh); 0.142 at all times, over 400 kWh "
        "a month (Later kWh)",
        "Sold": "0.05 EUR per kWh at all times (All hours)",
        "Demand charge": "3.80 EUR a month per kW of the highest mean over 60 minutes, counted 07:00 to 21:00, Mon "
        "to Fri",
        "Tax": "24 % on daily fee, electricity bought and demand charge, on top of the prices here",
        "Public holidays": "count as Sundays",
    },
    "boatyard/offers/slack-water.toml": {
        "Daily fee": "1.25 AUD",
        "Bought": "0.17 AUD per kWh at all times (All hours)",
        "Sold": "0.36 AUD per kWh 17:00 to 21:00, up to 4 kWh a day (Evening), with no charging from the grid then; "
        "0.035 at all other times (Other hours)",
        "Demand charge": "9.40 AUD a month per kW of the highest mean over 30 minutes, counted 15:00 to 21:00, Nov "
        "to Apr",
        "Tax": "10 % on daily fee, electricity bought, demand charge and electricity sold, on top of the prices here",
    },
    "veterinary/offers/one-price.toml": {
        "Daily fee": "2.90 DKK",
        "Bought": "2.05 DKK per kWh at all times",
        "Sold": "not paid for",
    },
}


@pytest.mark.parametrize("name", SAID)
def test_an_offer_spelled_out(name: str) -> None:
    assert dict(offer_text(read_offer(SCENARIOS / name, has_calendar=True))) == SAID[name]


def test_a_band_that_follows_the_market() -> None:
    parts = dict(offer_text(read_offer(SCENARIOS / "bookbindery/offers/market-hour.toml", has_calendar=True)))
    assert parts["Sold"] == "0.96 × the market price less 0.003 EUR per kWh at all times (All hours)"
    assert "; the market price plus 0.026 at all other times (Night)." in parts["Bought"]
