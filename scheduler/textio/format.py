"""Write times, prices, money and amounts for a reader."""

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
    """Return local time with its offset, to the second.

    Examples
    --------
    >>> from datetime import UTC
    >>> local_iso(datetime(2026, 7, 2, 18, 20, tzinfo=UTC), "Europe/Dublin")
    '2026-07-02T19:20:00+01:00'
    """
    return instant.astimezone(ZoneInfo(timezone)).isoformat(timespec="seconds")


def clock_text(instant: datetime, timezone: str, today: datetime | None = None) -> str:
    """Return local clock time with the day of the week, which is left out on the day of `today`.

    In an hour that occurs twice as the clocks go back, the offset is added.

    Examples
    --------
    >>> from datetime import UTC
    >>> morning = datetime(2026, 3, 3, 7, 30, tzinfo=UTC)
    >>> clock_text(morning, "Europe/Dublin"), clock_text(morning, "Europe/Dublin", today=morning)
    ('Tue 07:30', '07:30')
    >>> clock_text(datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "Europe/Dublin")
    'Sun 01:30 (UTC+0100)'
    """
    local = instant.astimezone(ZoneInfo(timezone))
    day = "" if today is not None and local.date() == today.astimezone(ZoneInfo(timezone)).date() else f"{local:%a} "
    doubled = len(instants_of(local.replace(tzinfo=None, second=0, microsecond=0), timezone)) > 1
    return f"{day}{local:%H:%M}" + (f" (UTC{local:%z})" if doubled else "")


def span_text(begin: datetime, end: datetime, timezone: str, today: datetime | None = None) -> str:
    """Return a time span; the day of the end is left out where it is that of the begin.

    Examples
    --------
    >>> from datetime import UTC
    >>> span_text(datetime(2026, 3, 3, 3, tzinfo=UTC), datetime(2026, 3, 3, 6, tzinfo=UTC), "Europe/Dublin")
    'Tue 03:00 to 06:00'
    """
    return f"{clock_text(begin, timezone, today)} to {clock_text(end, timezone, begin)}"


def day_clock_text(instant: datetime, timezone: str) -> str:
    """Return local day and clock time.

    Examples
    --------
    >>> from datetime import UTC
    >>> day_clock_text(datetime(2026, 3, 2, 18, 20, tzinfo=UTC), "Europe/Dublin")
    'Monday 2 March 2026, 18:20'
    """
    local = instant.astimezone(ZoneInfo(timezone))
    return f"{local:%A} {local.day} {local:%B %Y}, {local:%H:%M}"


def number_text(value: float, digits: int) -> str:
    """Return a number with the given number of decimals and a true minus sign, never "−0".

    Examples
    --------
    >>> number_text(-1.25, 1), number_text(-0.01, 1)
    ('−1.2', '0.0')
    """
    return f"{round(value, digits) + 0.0:.{digits}f}".replace("-", "−")


def price_text(price: float, currency: str = "") -> str:
    """Return a price [money per kWh] with at most four figures, and two to four decimals below 10; with its currency.

    Examples
    --------
    >>> price_text(0.3), price_text(0.08456), price_text(2.3456, "EUR"), price_text(123.456, "JPY")
    ('0.30', '0.0846', '2.346 EUR', '123.5 JPY')
    """
    digits = 4 - sum(abs(price) >= edge for edge in (1, 10, 100, 1000))
    text = number_text(price, digits)
    if digits > 2:
        whole, _, decimals = text.rstrip("0").partition(".")
        text = f"{whole}.{decimals:0<2}"
    return f"{text} {currency}" if currency else text


def percent_text(percent: float) -> str:
    """Return a state of charge [%], with a decimal only where it has one.

    Examples
    --------
    >>> percent_text(80.0), percent_text(79.96), percent_text(62.5)
    ('80 %', '80 %', '62.5 %')
    """
    return f"{number_text(percent, 1).removesuffix('.0')} %"


def price_range_text(prices: Sequence[float], currency: str = "") -> str:
    """Return the lowest and the highest of some prices [money per kWh], or one where they are equal; with the currency.

    Examples
    --------
    >>> price_range_text([0.34, 0.12], "EUR"), price_range_text([0.12])
    ('0.12 to 0.34 EUR', '0.12')
    """
    low, high = price_text(min(prices)), price_text(max(prices), currency)
    return high if low == price_text(max(prices)) else f"{low} to {high}"


def amount_text(kwh: float) -> str:
    """Return an energy [kWh] with one decimal, two below 1 kWh.

    Examples
    --------
    >>> amount_text(12.34), amount_text(0.256)
    ('12.3 kWh', '0.26 kWh')
    """
    return f"{number_text(kwh, 1 if abs(kwh) >= 1 else 2)} kWh"


def power_text(kw: float) -> str:
    """Return a power [kW] with one decimal.

    Examples
    --------
    >>> power_text(-7.36)
    '−7.4 kW'
    """
    return f"{number_text(kw, 1)} kW"


def money_digits(currency: str) -> int:
    """Return the number of decimals of a currency's minor unit.

    Examples
    --------
    >>> money_digits("EUR"), money_digits("JPY")
    (2, 0)
    """
    return MINOR_UNIT_DIGITS.get(currency, 2)


def money_text(amount: float, currency: str) -> str:
    """Return an amount of money to the currency's minor unit, never "−0.00".

    Examples
    --------
    >>> money_text(-12.345, "EUR"), money_text(-0.001, "EUR")
    ('−12.35', '0.00')
    """
    return number_text(amount, money_digits(currency))


def rows_that_add_up(amounts: Sequence[float], digits: int) -> list[float]:
    """Return amounts rounded so that they sum to their rounded total: the largest remainders are rounded up.

    Examples
    --------
    >>> rows_that_add_up([1.4, 1.4, 1.2], 0)
    [2.0, 1.0, 1.0]
    """
    unit = 10**digits
    scaled = [amount * unit for amount in amounts]
    floors = [int(value // 1) for value in scaled]
    short = round(sum(scaled)) - sum(floors)
    by_remainder = sorted(range(len(scaled)), key=lambda row: floors[row] - scaled[row])
    for row in by_remainder[:short]:
        floors[row] += 1
    return [floor / unit for floor in floors]


def sentence_case(text: str) -> str:
    """Return the text with a capital first letter.

    Examples
    --------
    >>> sentence_case("the car is away")
    'The car is away'
    """
    return text[:1].upper() + text[1:]


def counted_text(number: int, noun: str) -> str:
    """Return a number and what it counts.

    Examples
    --------
    >>> counted_text(1, "run"), counted_text(2000, "run")
    ('1 run', '2,000 runs')
    """
    return f"{number:,} {noun}{'' if number == 1 else 's'}"


def duration_text(seconds: float) -> str:
    """Return a rough duration.

    Examples
    --------
    >>> duration_text(7000), duration_text(50), duration_text(3)
    ('about 2 hours', 'about a minute', 'about 3 seconds')
    """
    for unit, length in (("day", 86_400), ("hour", 3_600), ("minute", 60)):
        if seconds >= 1.5 * length:
            return f"about {counted_text(round(seconds / length), unit)}"
    return "about a minute" if seconds >= 45 else f"about {counted_text(max(1, round(seconds)), 'second')}"
