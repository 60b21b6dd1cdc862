"""How times, prices, money and amounts are written for a reader."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from models.base.clock import instants_of

MINOR_UNIT_DIGITS = {
    **dict.fromkeys(("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG"), 0),
    **dict.fromkeys(("RWF", "UGX", "UYI", "VND", "VUV", "XAF", "XOF", "XPF"), 0),
    **dict.fromkeys(("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND"), 3),
    **dict.fromkeys(("CLF", "UYW"), 4),
}
"""Digits of the minor unit where they are not 2 (ISO 4217, table A.1; from memory)."""


def local_iso(instant: datetime, timezone: str) -> str:
    """Local time with its offset, `2026-03-02T18:20:00+02:00`."""
    return instant.astimezone(ZoneInfo(timezone)).isoformat(timespec="seconds")


def clock_text(instant: datetime, timezone: str, today: datetime | None = None) -> str:
    """Local clock time, "Tue 07:30", the day left out on the day of `today`, the offset added in a doubled hour."""
    local = instant.astimezone(ZoneInfo(timezone))
    day = "" if today is not None and local.date() == today.astimezone(ZoneInfo(timezone)).date() else f"{local:%a} "
    doubled = len(instants_of(local.replace(tzinfo=None, second=0, microsecond=0), timezone)) > 1
    return f"{day}{local:%H:%M}" + (f" (UTC{local:%z})" if doubled else "")


def span_text(begin: datetime, end: datetime, timezone: str, today: datetime | None = None) -> str:
    """A stretch of time, "Tue 03:00 to 06:00", the second day left out where it is the first."""
    return f"{clock_text(begin, timezone, today)} to {clock_text(end, timezone, begin)}"


def day_clock_text(instant: datetime, timezone: str) -> str:
    """Local day and clock time, "Monday 2 March 2026, 18:20"."""
    local = instant.astimezone(ZoneInfo(timezone))
    return f"{local:%A} {local.day} {local:%B %Y}, {local:%H:%M}"


def number_text(value: float, digits: int) -> str:
    """A number with so many decimals, a true minus sign, and never "−0"."""
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def price_text(price: float) -> str:
    """A price per kWh with two to four decimals."""
    whole, _, decimals = number_text(price, 4).rstrip("0").partition(".")
    return f"{whole}.{decimals:0<2}"


def percent_text(percent: float) -> str:
    """A state of charge, with a decimal only where it has one."""
    return f"{number_text(percent, 1).removesuffix('.0')} %"


def price_range_text(prices: Sequence[float]) -> str:
    """One price, or the lowest and the highest: "0.12" or "0.12 to 0.34"."""
    low, high = price_text(min(prices)), price_text(max(prices))
    return low if low == high else f"{low} to {high}"


def amount_text(kwh: float) -> str:
    """An energy [kWh] with one decimal, two below 1."""
    return f"{number_text(kwh, 1 if abs(kwh) >= 1 else 2)} kWh"


def power_text(kw: float) -> str:
    """A power [kW] with one decimal."""
    return f"{number_text(kw, 1)} kW"


def money_digits(currency: str) -> int:
    """Decimals of a currency's minor unit."""
    return MINOR_UNIT_DIGITS.get(currency, 2)


def money_text(amount: float, currency: str) -> str:
    """Money to the currency's minor unit, never "-0.00"."""
    return number_text(amount, money_digits(currency))


def rows_that_add_up(amounts: Sequence[float], digits: int) -> list[float]:
    """Amounts rounded so that they sum to their rounded total: the largest remainders are rounded up."""
    unit = 10**digits
    scaled = [amount * unit for amount in amounts]
    floors = [int(value // 1) for value in scaled]
    short = round(sum(scaled)) - sum(floors)
    by_remainder = sorted(range(len(scaled)), key=lambda row: floors[row] - scaled[row])
    for row in by_remainder[:short]:
        floors[row] += 1
    return [floor / unit for floor in floors]
