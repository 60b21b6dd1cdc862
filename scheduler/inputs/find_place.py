"""Find the time zone and the holiday calendar that a person means: "Berlin", "europe/berlin", "Germany"."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, timedelta
from functools import cache
from importlib.resources import files
from zoneinfo import ZoneInfo, available_timezones

from holidays.registry import COUNTRIES

from scheduler.textio.errors import did_you_mean, shown

MOST_CHOICES = 8
"""Most zones that a message lists."""
OF_BRITAIN = ("england", "scotland", "wales", "northern ireland", "great britain")
"""Names that people use and the tables do not have."""
YEARS_ALIKE = 3
"""Zones of one country whose clocks have agreed for so long are one answer [years]."""


def find_zone(text: str) -> str:
    """Find the IANA time zone that a text means.

    Parameters
    ----------
    text : a zone in letters of any case, its city, or a country with one clock, in English or as its ISO code.

    Returns
    -------
    The zone's name.

    Raises
    ------
    ValueError : nothing or several are meant; its text says what was found and the choices.

    Examples
    --------
    >>> find_zone("europe/berlin"), find_zone("new york"), find_zone("Germany")
    ('Europe/Berlin', 'America/New_York', 'Europe/Berlin')
    """
    plain = _plain(text)
    zones = available_timezones()
    if text in zones:
        return text
    found = sorted({name for name in zones if _plain(name) == plain} - {"Factory", "localtime"})
    if not found:
        cities = sorted(name for name in zones if "/" in name and _plain(name.rpartition("/")[2]) == plain)
        found = [name for name in cities if name in _listed_zones()] or cities
    if not found:
        code = _country(plain)
        found = [] if code is None else _with_other_clocks(_zones_of_countries().get(code, ()))
    if len(found) == 1:
        return found[0]
    if not found:
        raise ValueError(f"{shown(text)} is not known; expected an IANA time zone{did_you_mean(text, zones)}")
    choices = ", ".join(found[:MOST_CHOICES]) + (", …" if len(found) > MOST_CHOICES else "")
    raise ValueError(f"{shown(text)} has more than one clock; expected one of {choices}")


def find_calendar(text: str) -> str:
    """Find the ISO code of a country that is named in English, or a code in letters of any case; else the text itself.

    Examples
    --------
    >>> find_calendar("Ireland"), find_calendar("de-by"), find_calendar("nowhere")
    ('IE', 'DE-BY', 'nowhere')
    """
    code = _country(_plain(text))
    if code is not None:
        return code
    return text.upper() if re.fullmatch(r"[A-Za-z]{2}-[A-Za-z0-9]{1,3}", text.strip()) else text


def _plain(text: str) -> str:
    """Return a name in lower case, without accents, and with a blank for each sign between words."""
    letters = unicodedata.normalize("NFKD", text).casefold()
    kept = "".join(letter for letter in letters if not unicodedata.combining(letter))
    return " ".join(re.sub(r"[_\-.,()']", " ", kept).split())


def _country(plain: str) -> str | None:
    """Return the ISO code of a country by its name or code as `_plain` writes it."""
    return _countries().get(plain)


@cache
def _countries() -> Mapping[str, str]:
    """Return ISO codes by the names and codes of countries: tz's table iso3166.tab, and those of the holidays."""
    found: dict[str, str] = {}
    for module, (name, code, long_code) in ((module, names[:3]) for module, names in COUNTRIES.items()):
        words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
        found |= dict.fromkeys((_plain(module), _plain(words), code.lower(), long_code.lower()), code)
    for code, name in _rows("iso3166.tab"):
        found[_plain(name)] = code
        outside, _, inside = name.partition(" (")
        for part in filter(None, (outside, inside)):
            found.setdefault(_plain(part), code)
    codes = {code.lower(): code for code, _ in _rows("iso3166.tab")}
    return {**found, **dict.fromkeys(OF_BRITAIN, "GB"), "holland": "NL", **codes}


@cache
def _zones_of_countries() -> Mapping[str, tuple[str, ...]]:
    """Return the zones of each country, in the order of tz's table."""
    found: dict[str, list[str]] = {}
    for code, _, zone, *_ in _rows("zone.tab"):
        found.setdefault(code, []).append(zone)
    return {code: tuple(zones) for code, zones in found.items()}


@cache
def _listed_zones() -> frozenset[str]:
    return frozenset(zone for zones in _zones_of_countries().values() for zone in zones)


def _rows(table: str) -> Iterator[list[str]]:
    """Yield the rows of one of tz's tables."""
    text = (files("tzdata") / "zoneinfo" / table).read_text(encoding="utf-8")
    for line in text.splitlines():
        if line and not line.startswith("#"):
            yield line.split("\t")


def _with_other_clocks(zones: tuple[str, ...]) -> list[str]:
    """Return one of all zones whose clocks have agreed in the last years and will in the next: the largest, or first.

    The largest are those of tz's table zonenow.tab, the most populous place of each clock of today.
    """
    largest = {row[2] for row in _rows("zonenow.tab")}
    first = datetime(date.today().year - YEARS_ALIKE + 1, 1, 1, 12, tzinfo=UTC)
    days = [first + timedelta(days=day) for day in range(0, 365 * (YEARS_ALIKE + 1), 3)]
    alike: dict[tuple[timedelta | None, ...], list[str]] = {}
    for zone in zones:
        alike.setdefault(tuple(day.astimezone(ZoneInfo(zone)).utcoffset() for day in days), []).append(zone)
    return [next((zone for zone in group if zone in largest), group[0]) for group in alike.values()]
