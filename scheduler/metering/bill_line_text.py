"""What a line of a bill is called, as it would be printed."""

from __future__ import annotations

from collections.abc import Sequence

from models.tariff.bill import BillLine
from models.tariff.offer import Band, Offer
from scheduler.metering.window_text import time_window_text

KIND_WORDS = {
    "daily_fee": "Daily fee",
    "import": "Electricity bought",
    "demand_charge": "Demand charge",
    "export": "Electricity sold",
    "tax": "Tax",
}
"""Kinds of line in the order they are printed."""


_COVERED_WORDS = {"daily_fee": "daily fee", "import": "bought", "demand_charge": "demand charge", "export": "sold"}


def line_text(line: BillLine, offer: Offer, timezone: str) -> str:
    """What the line is for."""
    if line.kind in ("import", "export"):
        bands = offer.import_bands if line.kind == "import" else offer.export_bands
        if line.band is None:
            return "Sold: beyond what a price covers"
        verb = "Bought" if line.kind == "import" else "Sold"
        return f"{verb}: {band_text(bands, line.band)}"
    if line.kind == "demand_charge":
        when = "" if line.at is None else f", {line.at.tz_convert(timezone):%d %b %H:%M}"
        part = "" if line.days == line.of_days else f", {line.days} of {line.of_days} days"
        return f"Highest demand{when}{part}"
    if line.kind == "tax":
        return f"Tax on {_listed([words for kind, words in _COVERED_WORDS.items() if kind in offer.tax_covers])}"
    return "Daily fee"


def band_text(bands: Sequence[Band], number: int) -> str:
    """A band by its name, or when it holds, with the kWh of its step."""
    band = bands[number]
    stair = [each.up_to_kwh for each in bands if each.up_to_kwh is not None and each.when == band.when]
    words = band.name or time_window_text(band.when)
    if band.name is None and words == "at all times" and not stair and len(bands) > 1:
        words = "at all other times"
    if band.market_factor is not None:
        words += ", by the market"
    per = next((each.per for each in bands if each.up_to_kwh is not None and each.when == band.when), "day")
    if band.up_to_kwh is None:
        return f"{words}, over {max(stair):g} kWh a {per}" if stair else words
    below = [kwh for kwh in stair if kwh < band.up_to_kwh]
    over = f"over {max(below):g} " if below else ""
    return f"{words}, {over}up to {band.up_to_kwh:g} kWh a {per}"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
