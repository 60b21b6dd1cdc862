"""Public holidays of a country or subdivision, from the `holidays` package."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import holidays


def public_holidays(calendar: str, years: Iterable[int]) -> frozenset[date]:
    """Public holidays of the calendar in these years, as local dates.

    Parameters
    ----------
    calendar : ISO 3166 country ("IE") or subdivision ("DE-BY").

    Raises
    ------
    ValueError : a calendar that is not known.
    """
    country, _, subdivision = calendar.partition("-")
    try:
        return frozenset(holidays.country_holidays(country, subdiv=subdivision or None, years=list(years)))
    except NotImplementedError:
        raise ValueError(f"no public-holiday calendar {calendar!r}") from None
