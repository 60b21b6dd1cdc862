"""Name the lines of a bill as they would be printed."""

from __future__ import annotations

import calendar
from collections.abc import Sequence

from models.base.clock import MINUTES_A_DAY
from models.base.time_window import TimeWindow
from models.tariff.bill import BillLine
from models.tariff.offer import Band, LineKind, Offer
from scheduler.textio.toml_values import clock_of_minutes

KIND_TEXT = {
    "daily_fee": "Daily fee",
    "monthly_fee": "Monthly fee",
    "connection_fee": "Fee for the connection's power",
    "import": "Electricity bought",
    "demand_charge": "Demand charge",
    "export": "Electricity sold",
    "discount": "Discount",
    "tax": "Tax",
}
"""Kinds of line in the order they are printed."""

_COVERED_TEXT: dict[LineKind, str] = {
    "daily_fee": "daily fee",
    "monthly_fee": "monthly fee",
    "connection_fee": "connection fee",
    "import": "bought",
    "demand_charge": "demand charge",
    "export": "sold",
}


def line_text(line: BillLine, offer: Offer, timezone: str) -> str:
    """Return what a line of a bill is for."""
    if line.kind in ("import", "export"):
        bands = offer.import_bands if line.kind == "import" else offer.export_bands
        if line.band is None:
            return "Sold: beyond what a price covers"
        verb = "Bought" if line.kind == "import" else "Sold"
        return f"{verb}: {band_text(bands, line.band)}"
    if line.kind == "demand_charge":
        charge = offer.demand_charges[line.band or 0]
        name = charge.name or "Highest demand"
        if charge.name is None and line.band is not None:
            name = f"Highest demand {time_window_text(charge.window)}"
        if line.at is None:
            least = ", the least that is billed" if charge.least_kw else ""
            return f"{name}{least}{_share_text(line)}"
        at = line.at.tz_convert(timezone)
        year = "" if (at.year, at.month) == (line.month.year, line.month.month) else " %Y"
        return f"{name}, {at:{f'%d %b{year} %H:%M'}}{_share_text(line)}"
    if line.kind == "discount":
        covers = frozenset() if offer.discount is None else offer.discount.covers
        return f"Discount on {_covered_text(covers)}"
    if line.kind == "tax":
        tax = offer.taxes[line.band or 0]
        return f"Tax on {_covered_text(tax.covers)}" + (f", {tax.part}" if tax.part else "")
    return f"{KIND_TEXT[line.kind]}{_share_text(line)}"


def _covered_text(covers: frozenset[LineKind]) -> str:
    return _listed([text for kind, text in _COVERED_TEXT.items() if kind in covers])


def _share_text(line: BillLine) -> str:
    """Return which part of the month a line is for, if not for all of it."""
    return "" if line.days == line.of_days else f", {line.days} of {line.of_days} days"


def band_text(bands: Sequence[Band], number: int) -> str:
    """Return the name of a band, or when it holds, with the kWh of its tier.

    Parameters
    ----------
    bands : all bands of one side of the offer. number : of the band among them.

    Examples
    --------
    >>> bands = [Band(0.30), Band(0.20, up_to_kwh=5.0)]
    >>> band_text(bands, 0), band_text(bands, 1)
    ('at all times, over 5 kWh a day', 'at all times, up to 5 kWh a day')
    """
    band = bands[number]
    bands = [each for each in bands if each.part == band.part]
    tiers = [each.up_to_kwh for each in bands if each.up_to_kwh is not None and each.when == band.when]
    text = band.name or time_window_text(band.when)
    if band.name is None and text == "at all times" and not tiers and len(bands) > 1:
        text = "at all other times"
    if band.part is not None and band.name is None:
        text = f"{band.part}, {text}"
    if band.market_factor is not None:
        text += ", by the market"
    per = next((each.per for each in bands if each.up_to_kwh is not None and each.when == band.when), "day")
    if band.up_to_kwh is None:
        return f"{text}, over {max(tiers):g} kWh a {per}" if tiers else text
    below = [kwh for kwh in tiers if kwh < band.up_to_kwh]
    over = f"over {max(below):g} " if below else ""
    return f"{text}, {over}up to {band.up_to_kwh:g} kWh a {per}"


def time_window_text(window: TimeWindow) -> str:
    """Return when a window holds; "at all times" for one without limits.

    Examples
    --------
    >>> time_window_text(TimeWindow(17 * 60, 21 * 60, days=frozenset(range(5)), months=frozenset({11, 12, 1})))
    '17:00 to 21:00, Mon to Fri, Nov to Jan'
    """
    parts = []
    if (window.from_minute, window.to_minute) != (0, MINUTES_A_DAY):
        parts.append(f"{clock_of_minutes(window.from_minute)} to {clock_of_minutes(window.to_minute)}")
    if window.days is not None:
        parts.append(_runs(sorted(window.days), 7, list(calendar.day_abbr)))
    if window.months is not None:
        parts.append(_runs(sorted(month - 1 for month in window.months), 12, list(calendar.month_abbr)[1:]))
    return ", ".join(parts) if parts else "at all times"


def _runs(numbers: Sequence[int], cycle: int, names: Sequence[str]) -> str:
    """Return runs of numbers by name; a run may pass the end of the cycle: "Nov to Feb"."""
    if len(numbers) == cycle:
        return f"{names[0]} to {names[-1]}"
    chosen = set(numbers)
    runs = []
    for first in numbers:
        if (first - 1) % cycle in chosen:
            continue
        last = first
        while (last + 1) % cycle in chosen:
            last = (last + 1) % cycle
        joint = " and " if (first + 1) % cycle == last else " to "
        runs.append(names[first] if first == last else f"{names[first]}{joint}{names[last]}")
    return ", ".join(runs)


def _listed(names: Sequence[str]) -> str:
    """Return names as a list in a sentence: `a, b and c`."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
