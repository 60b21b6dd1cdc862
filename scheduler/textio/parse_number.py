"""Parse numbers as a person types them: with a decimal comma, thousands set apart, and the unit behind the number."""

from __future__ import annotations

import re
import unicodedata

MOST_CHARACTERS = 60

_NUMBER = re.compile(r"[+-]?(?:\d[\d.,' ]*\d|\d|(?=[.,]\d))[.,]?\d*(?:[eE][+-]?\d{1,4}(?![0-9]))?", re.ASCII)
_COMMA = re.compile(r"\d*,\d+|\d+,", re.ASCII)
_EITHER = re.compile(r"[1-9]\d{0,2},\d{3}", re.ASCII)
_POINT_EITHER = re.compile(r"[1-9]\d{0,2}\.\d{3}", re.ASCII)
_POINT = re.compile(r"\d+\.?\d*|\.\d+", re.ASCII)
_APART = re.compile(r"\d{1,3}(?:[ ']\d{3})+(?:[.,]\d+)?", re.ASCII)
_POINTS_APART = re.compile(r"\d{1,3}(?:\.\d{3})+,\d+|\d{1,3}(?:\.\d{3}){2,}", re.ASCII)
_COMMAS_APART = re.compile(r"\d{1,3}(?:,\d{3})+\.\d+|\d{1,3}(?:,\d{3}){2,}", re.ASCII)

UNITS: dict[str, dict[str, float]] = {
    "kW": {"kw": 1, "w": 1e-3},
    "kWh": {"kwh": 1, "wh": 1e-3},
    "%": {"%": 1, "percent": 1},
    "V": {"v": 1, "volt": 1, "volts": 1},
    "km": {"km": 1},
    "kWh per 100 km": {"kwh": 1, "kwh/100km": 1, "kwhper100km": 1, "wh/km": 0.1, "kwh/km": 100},
    "hours": {"h": 1, "hour": 1, "hours": 1, "min": 1 / 60, "minutes": 1 / 60},
    "years": {"year": 1, "years": 1},
    "°C": {"°c": 1, "c": 1, "degc": 1},
}
"""Spellings of each unit in lower case and without blanks, and by how much a number in it is multiplied."""
MONEY = re.compile(r"(?:[A-Z]{3}|[€$£¥]|[Kk]r\.?|[Ff]r\.?)?(?:(?:/|per)(?:kWh|kwh|day))?")
HUNDREDTHS = re.compile(r"(?:ct|cts|c|cent|cents|p|pence|¢|øre|öre)(?:(?:/|per)kwh)?", re.IGNORECASE)


def parse_number(text: str, unit: str = "", money: bool = False) -> float:
    """Parse a number, with its unit or without.

    A comma is the decimal sign; where it may as well set thousands apart, as in "1,500", the number is refused. So is
    an amount of money with a point and three digits, such as "6.800".

    Parameters
    ----------
    unit : of the number, as its bound names it.
    money : whether a currency may stand with it.

    Returns
    -------
    The number in that unit.

    Raises
    ------
    ValueError : any other text. Its own text is "", or "; did you mean …?" where that can be guessed.

    Examples
    --------
    >>> parse_number("70,5 %", "%"), parse_number("58 kWh", "kWh"), parse_number("7400 W", "kW")
    (70.5, 58.0, 7.4)
    >>> parse_number("6 800"), parse_number("€ 0,34/kWh", "per kWh", money=True)
    (6800.0, 0.34)
    >>> parse_number("1,500")
    Traceback (most recent call last):
    ValueError: ; did you mean 1.5 or 1500? Write one of these
    """
    plain = unicodedata.normalize("NFKC", text).replace("−", "-").replace("’", "'").strip()
    if len(plain) > MOST_CHARACTERS:
        raise ValueError("")
    before, plain = _currency_before(plain) if money else ("", plain)
    found = _NUMBER.match(plain)
    if found is None or not found[0]:
        return _not_finite(plain)
    if money and not unit and _POINT_EITHER.fullmatch(found[0]):
        raise ValueError(f"; did you mean {found[0].replace('.', '')} or {float(found[0]):.12g}? Write one of these")
    value = _value(found[0])
    after = "".join(plain[found.end() :].split())
    if not after:
        return value
    factor = UNITS.get(unit, {}).get(after.lower())
    if factor is not None:
        return float(f"{value * factor:.12g}")
    if money and not (before and after[:1] not in "/p") and MONEY.fullmatch(after):
        return value
    if money and HUNDREDTHS.fullmatch(after):
        raise ValueError(f"; did you mean {value / 100:.12g} (whole units of the currency, not hundredths)?")
    raise ValueError("")


def has_unit(text: str) -> bool:
    """Whether there is more in a text than a number: a unit, or what may be one.

    Examples
    --------
    >>> has_unit("58 kWh"), has_unit("58"), has_unit("58,5")
    (True, False, False)
    """
    return re.search(r"[^\d.,+\-\s]", text) is not None


def _currency_before(text: str) -> tuple[str, str]:
    """Return a currency that stands before the number, "" for none, and the text after it."""
    found = re.match(r"(?:[A-Z]{3}|[€$£¥]|[Kk]r\.?|[Ff]r\.?)\s*(?=[\d.,+-])", text)
    return ("", text) if found is None else (found[0], text[found.end() :])


def _value(found: str) -> float:
    """Return the value of a number's text; raise ValueError as parse_number."""
    body, exponent = re.fullmatch(r"[+-]?(.*?)((?:[eE][+-]?\d+)?)", found).groups()  # type: ignore[union-attr]
    if _EITHER.fullmatch(body) and not exponent:
        sign = "-" if found.startswith("-") else ""
        decimal, whole = (float(body.replace(",", by)) for by in (".", ""))
        raise ValueError(f"; did you mean {sign}{decimal:.12g} or {sign}{whole:.12g}? Write one of these")
    if _COMMA.fullmatch(body):
        body = body.replace(",", ".")
    elif _APART.fullmatch(body):
        body = re.sub("[ ']", "", body).replace(",", ".")
    elif _POINTS_APART.fullmatch(body):
        body = body.replace(".", "").replace(",", ".")
    elif _COMMAS_APART.fullmatch(body):
        body = body.replace(",", "")
    elif not _POINT.fullmatch(body):
        raise ValueError("")
    return float(("-" if found.startswith("-") else "") + body + exponent)


def _not_finite(text: str) -> float:
    """Return NaN or an infinity, which the bounds refuse by name; raise ValueError for any other text."""
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return float(text)
    raise ValueError("")
