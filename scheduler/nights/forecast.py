"""Forecast load and solar over the night's intervals: from typical days, or from the recorded series itself."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pandas as pd

from models.base.arrays import FloatArray
from models.site.series import (
    FEWEST_DAYS,
    HALF_LIFE_DAYS,
    RECENT_DAYS,
    Series,
    TypicalDay,
    recorded_means,
    typical_day,
    typical_means,
)
from scheduler.nights.request import ForecastKind, SolarKind
from scheduler.textio.errors import Fault, InputFaults
from scheduler.textio.parse_time import local_text

SOLAR_PERCENTILE: dict[SolarKind, float | None] = {"low": 20.0, "typical": None, "high": 80.0}
"""Percentile of the days at each clock time; None: their mean."""

_BASIS_TEXT = {"same month": "the same month of other years", "whole series": "the whole series"}


def forecast_load(
    series: Series, file: Path, kind: ForecastKind, boundaries: pd.DatetimeIndex, now: datetime, timezone: str
) -> tuple[FloatArray, list[str]]:
    """Forecast the load.

    Parameters
    ----------
    file : the file of the series, for messages.
    boundaries : of the intervals, shape (n + 1,).

    Returns
    -------
    Mean load over each interval [kW], shape (n,), and warnings on the days it is based on.

    Raises
    ------
    InputFaults : a recorded series does not cover the night, or a series holds less than one day.
    """
    if kind == "recorded":
        return _recorded(series, file, boundaries, timezone), []
    day = _typical(series, file, now, timezone, by_weekend=True, percentile=None)
    bases = {"weekdays": day.weekday_basis, "weekend days": day.weekend_basis}
    return typical_means(day, boundaries, timezone), [
        _fallback(file, name, basis) for name, basis in bases.items() if basis in _BASIS_TEXT
    ]


def forecast_solar(
    series: Series,
    file: Path,
    kind: ForecastKind,
    sun: SolarKind,
    boundaries: pd.DatetimeIndex,
    now: datetime,
    timezone: str,
) -> tuple[FloatArray, list[str]]:
    """Forecast solar as forecast_load does the load, but with weekdays and weekends alike.

    Returns
    -------
    Mean solar over each interval [kW], shape (n,), and warnings on the days it is based on.
    """
    if kind == "recorded":
        return _recorded(series, file, boundaries, timezone), []
    day = _typical(series, file, now, timezone, by_weekend=False, percentile=SOLAR_PERCENTILE[sun])
    warnings = [_fallback(file, "days", day.weekday_basis)] if day.weekday_basis in _BASIS_TEXT else []
    return typical_means(day, boundaries, timezone), warnings


def _recorded(series: Series, file: Path, boundaries: pd.DatetimeIndex, timezone: str) -> FloatArray:
    try:
        return recorded_means(series, boundaries)
    except ValueError:
        has = _span(series.start[0], series.end, timezone)
        needed = _span(boundaries[0], boundaries[-1], timezone)
        message = f"it covers {has}; expected, with --forecast recorded, a series that covers {needed}"
        raise InputFaults([Fault(str(file), None, None, message)]) from None


def _span(begin: pd.Timestamp, end: pd.Timestamp, timezone: str) -> str:
    return " to ".join(local_text(instant.to_pydatetime(), timezone) for instant in (begin, end))


def _typical(
    series: Series, file: Path, now: datetime, timezone: str, by_weekend: bool, percentile: float | None
) -> TypicalDay:
    try:
        return typical_day(series, now, timezone, by_weekend, percentile, HALF_LIFE_DAYS)
    except ValueError as error:
        raise InputFaults([Fault(str(file), None, None, f"a typical day cannot be formed from it: {error}")]) from None


def _fallback(file: Path, days: str, basis: str) -> str:
    return (
        f"{file.name} has fewer than {FEWEST_DAYS} {days} in the {RECENT_DAYS} days before now; "
        f"the typical day comes from {_BASIS_TEXT[basis]}."
    )
