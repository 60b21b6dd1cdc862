"""Public holidays of a country or subdivision, taken from the `holidays` package."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from functools import lru_cache

import holidays


def public_holidays(calendar: str, years: Iterable[int]) -> frozenset[date]:
    """Return the public holidays of a calendar in the given years, as local dates.

    Parameters
    ----------
    calendar : ISO 3166 code of a country ("IE") or a subdivision ("DE-BY").
    years : calendar years.

    Raises
    ------
    ValueError : the calendar is unknown.

    Examples
    --------
    >>> date(2026, 3, 17) in public_holidays("IE", [2026])
    True
    """
    return _of_years(calendar, tuple(years))


@lru_cache(maxsize=64)
def _of_years(calendar: str, years: tuple[int, ...]) -> frozenset[date]:
    """Return what public_holidays does, once worked out for each calendar and years."""
    country, _, subdivision = calendar.partition("-")
    try:
        return frozenset(holidays.country_holidays(country, subdiv=subdivision or None, years=years))
    except NotImplementedError:
        raise ValueError(f"no public-holiday calendar {calendar!r}") from None
