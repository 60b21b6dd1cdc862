"""An offer spelled out in words: fees, the price of every band and tier, demand charge, tax and conditions."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.tariff.offer import Band, DemandCharge, LineKind, Offer, calendar_cases, parts_of
from scheduler.billing.bill_line_text import KIND_TEXT, band_text, time_window_text
from scheduler.textio.format import number_text


def offer_text(offer: Offer) -> list[tuple[str, str]]:
    """Return the parts of an offer, each a name and a sentence or two.

    Examples
    --------
    >>> night = Band(0.12, from_minute=23 * 60, to_minute=7 * 60)
    >>> for name, text in offer_text(Offer("Day and night", "EUR", 0.74, (Band(0.34), night), (Band(0.05),))):
    ...     print(f"{name}: {text}")
    Daily fee: 0.74 EUR
    Bought: 0.12 EUR per kWh 23:00 to 07:00; 0.34 at all other times
    Sold: 0.05 EUR per kWh at all times
    """
    currency = offer.currency
    parts = [(KIND_TEXT["daily_fee"], f"{_price(offer.daily_fee)} {currency}")]
    if offer.monthly_fee:
        parts.append((KIND_TEXT["monthly_fee"], f"{_price(offer.monthly_fee)} {currency}"))
    if offer.connection_fee is not None:
        fee = offer.connection_fee
        parts.append(
            (
                KIND_TEXT["connection_fee"],
                f"{_price(fee.price_per_kw_month)} {currency} a month per kW, for {fee.kw:g} kW",
            )
        )
    for name, bands in (("Bought", offer.import_bands), ("Sold", offer.export_bands)):
        of_part = {part: [band for band in bands if band.part == part] for part in parts_of(bands)}
        if not bands:
            parts.append((name, "not paid for"))
        for part, those in of_part.items():
            parts.append((f"{name}, {part}" if part else name, _bands_text(those, currency)))
        if len(of_part) > 1:
            added = _listed([part or "the others" for part in of_part])
            parts.append((f"{name}, in total", f"the sum of {added}"))
    parts += [_demand_text(charge, currency) for charge in offer.demand_charges]
    if offer.discount is not None:
        parts.append(
            (KIND_TEXT["discount"], f"{offer.discount.percent:g} % off {_covered(offer.discount.covers)}, before tax")
        )
    for tax in offer.taxes:
        if tax.percent:
            of_part_text = f" ({tax.part})" if tax.part else ""
            parts.append(
                ("Tax", f"{tax.percent:g} % on {_covered(tax.covers)}{of_part_text}, on top of the prices here")
            )
    if offer.holidays_count_as is not None:
        parts.append(("Public holidays", f"count as {calendar.day_name[offer.holidays_count_as]}s"))
    return parts


def _demand_text(charge: DemandCharge, currency: str) -> tuple[str, str]:
    window = time_window_text(charge.window)
    when = "" if window == "at all times" else f", counted {window}"
    least = f", at least {charge.least_kw:g} kW" if charge.least_kw else ""
    look_back = f", the highest of {charge.look_back_months} months" if charge.look_back_months > 1 else ""
    return (
        charge.name or KIND_TEXT["demand_charge"],
        f"{_price(charge.price_per_kw_month)} {currency} a month per kW of the highest mean over "
        f"{charge.interval_minutes} minutes{when}{least}{look_back}",
    )


def _covered(covers: frozenset[LineKind]) -> str:
    return _listed([text[0].lower() + text[1:] for kind, text in KIND_TEXT.items() if kind in covers])


def _bands_text(bands: Sequence[Band], currency: str) -> str:
    """Return the bands from the last to the first, which is the order in which they hold."""
    last = len(bands) - 1
    text = "; ".join(_band_text(bands, number, currency if number == last else "") for number in range(last, -1, -1))
    if _overlap(bands):
        text += ". Where several fit, the first one named holds"
    return text


def _overlap(bands: Sequence[Band]) -> bool:
    """Return whether two bands that are limited by the clock hold at the same time."""
    limited = [band for band in bands if time_window_text(band.when) != "at all times"]
    if len(limited) < 2:
        return False
    month, month_before, day, day_before, minute = calendar_cases(limited, None).T
    holding = sum(band.covers(minute, (day, day_before), (month, month_before)).astype(int) for band in limited)
    return bool(np.any(holding > 1))


def _band_text(bands: Sequence[Band], number: int, currency: str) -> str:
    """Return the price of a band and when it holds, with its name if it has one."""
    band = bands[number]
    price = f"{_price_of(band)}{f' {currency} per kWh' if currency else ''}"
    plain = [replace(each, name=None, part=None) for each in bands]
    when = band_text(plain, number).replace(", by the market", "")
    named = f" ({band.name})" if band.name else ""
    forbids = ", with no charging from the grid then" if band.no_grid_charging else ""
    return f"{price} {when}{named}{forbids}"


def _price_of(band: Band) -> str:
    """Return a band's price, or how it follows the market."""
    if band.market_factor is None:
        return _price(band.price_per_kwh)
    factor = "" if band.market_factor == 1 else f"{band.market_factor:g} × "
    added = "" if not band.price_per_kwh else f" {'plus' if band.price_per_kwh > 0 else 'less'} "
    amount = _price(abs(band.price_per_kwh)) if band.price_per_kwh else ""
    return f"{factor}the market price{added}{amount}"


def _price(price: float) -> str:
    """Return a price with two to six decimals."""
    whole, _, decimals = number_text(price, 6).rstrip("0").partition(".")
    return f"{whole}.{decimals:0<2}"


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
