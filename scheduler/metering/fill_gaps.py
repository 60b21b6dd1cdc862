"""Fill gaps of metered series from similar days.

A few short gaps are filled with the mean of similar days, as is common practice in metering (substitution): load from
the same clock time of the same weekday, solar from the same clock time of the days around. More or longer gaps are
refused.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.base.clock import MINUTES_A_DAY
from scheduler.metering.align_channels import Gap, gaps_of
from scheduler.metering.local_clock import local_minutes
from scheduler.textio.errors import Fault, InputFaults
from scheduler.textio.parse_time import local_text

LONGEST_GAP = pd.Timedelta(hours=24)
MOST_MISSING_PERCENT = 2.0
LOAD_DAYS = (-14, -7, 7, 14)
SOLAR_DAYS = (-3, -2, -1, 1, 2, 3)
MOST_GAPS_TOLD = 5


@dataclass(frozen=True, slots=True)
class Filled:
    """A gap of load or solar that was filled, from begin to end, and how."""

    series: str
    begin: pd.Timestamp
    end: pd.Timestamp
    how: str


def check_gaps(missing: BoolArray, start: pd.DatetimeIndex, step_minutes: int, timezone: str, file: str) -> None:
    """Refuse a gap longer than a day, or gaps of more than two percent of the span.

    Parameters
    ----------
    missing : which intervals have no value, shape (n,).

    Raises
    ------
    InputFaults : names the largest gaps, and the longest span without such a gap.
    """
    gaps = gaps_of(missing, start, step_minutes, "")
    too_long = [gap for gap in gaps if gap.end - gap.begin > LONGEST_GAP]
    percent = 100 * float(missing.mean())
    if not too_long and percent <= MOST_MISSING_PERCENT:
        return
    rest = "" if len(gaps) <= MOST_GAPS_TOLD else f", the largest {MOST_GAPS_TOLD} of {len(gaps)}"
    message = (
        f"{percent:.2f} % of the time has no values{rest}; gaps are filled up to "
        f"{LONGEST_GAP / pd.Timedelta(hours=1):g} h each and {MOST_MISSING_PERCENT:g} % in total"
    )
    largest = sorted(gaps, key=lambda gap: gap.begin - gap.end)[:MOST_GAPS_TOLD]
    told = [Fault(file, None, None, f"gap {gap_text(gap, timezone)}") for gap in largest]
    advice = f"choose a span with --from and --to{_longest_span(too_long, start, step_minutes, timezone)}"
    raise InputFaults([Fault(file, None, None, message), *told, Fault(file, None, None, advice)])


def filled(
    values: FloatArray,
    fill: BoolArray,
    start: pd.DatetimeIndex,
    step_minutes: int,
    timezone: str,
    days: tuple[int, ...],
    series: str,
    file: str,
) -> tuple[FloatArray, list[Filled]]:
    """Fill values with the mean at the same local clock time on other days.

    Parameters
    ----------
    values : NaN where there is none, shape (n,).
    fill : which to fill, shape (n,).
    days : the other days, by distance [days]; those outside the span or without a value are left out.
    series : "load" or "solar".
    file : file that faults name.

    Returns
    -------
    The values with those filled, shape (n,), and the gaps that were filled.

    Raises
    ------
    InputFaults : no such day has a value.
    """
    wall = local_minutes(start, timezone)
    clock, first_at = np.unique(wall, return_index=True)
    wanted = np.flatnonzero(fill)
    targets = wall[wanted][:, None] + np.array(days, dtype=np.int64) * MINUTES_A_DAY
    found = np.minimum(np.searchsorted(clock, targets), len(clock) - 1)
    like = np.where(clock[found] == targets, values[first_at[found]], np.nan)
    there = ~np.isnan(like)
    count = there.sum(axis=1)
    if not count.all():
        at = int(wanted[int(np.flatnonzero(count == 0)[0])])
        message = (
            f"the {series} of {local_text(start[at].to_pydatetime(), timezone)} is missing, and so is that clock time "
            f"{_days_text(days)}; choose a longer span, or another with --from and --to"
        )
        raise InputFaults([Fault(file, None, None, message)])
    whole = values.copy()
    whole[wanted] = np.where(there, like, 0.0).sum(axis=1) / count
    how = f"mean of the same clock time {_days_text(days)}"
    return whole, [Filled(series, gap.begin, gap.end, how) for gap in gaps_of(fill, start, step_minutes, series)]


def gap_text(gap: Gap | Filled, timezone: str) -> str:
    """Return begin, end and length of a gap: "2026-03-02T18:00+00:00 to 2026-03-02T19:00+00:00 (1 h)"."""
    begin, end = (local_text(instant.to_pydatetime(), timezone) for instant in (gap.begin, gap.end))
    return f"{begin} to {end} ({(gap.end - gap.begin) / pd.Timedelta(hours=1):.3g} h)"


def _days_text(days: tuple[int, ...]) -> str:
    *most, last = sorted({abs(day) for day in days})
    return f"{', '.join(str(day) for day in most)} and {last} days before and after"


def _longest_span(too_long: list[Gap], start: pd.DatetimeIndex, step_minutes: int, timezone: str) -> str:
    """Return, as options, the whole local days of the longest span between the gaps that are too long."""
    edges = [start[0]]
    for gap in too_long:
        edges += [gap.begin, gap.end]
    edges.append(start[-1] + pd.Timedelta(minutes=step_minutes))
    begin, end = max(zip(edges[::2], edges[1::2], strict=True), key=lambda span: span[1] - span[0])
    first = begin.tz_convert(timezone).tz_localize(None).ceil("D")
    last = end.tz_convert(timezone).tz_localize(None).floor("D") - pd.Timedelta(days=1)
    if not too_long or last < first:
        return ""
    return f", such as --from {first:%Y-%m-%d} --to {last:%Y-%m-%d}"
