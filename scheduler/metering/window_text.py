"""When a band holds, in few words: "17:00 to 21:00, Mon to Fri, Nov to Mar"."""

from __future__ import annotations

import calendar
from collections.abc import Sequence

from models.base.clock import MINUTES_A_DAY
from models.base.time_window import TimeWindow
from scheduler.textio.toml_values import clock_of_minutes


def time_window_text(window: TimeWindow) -> str:
    """Return the window in words; "at all times" for one without limits."""
    parts = []
    if (window.from_minute, window.to_minute) != (0, MINUTES_A_DAY):
        parts.append(f"{clock_of_minutes(window.from_minute)} to {clock_of_minutes(window.to_minute)}")
    if window.days is not None:
        parts.append(_runs(sorted(window.days), 7, list(calendar.day_abbr)))
    if window.months is not None:
        parts.append(_runs(sorted(month - 1 for month in window.months), 12, list(calendar.month_abbr)[1:]))
    return ", ".join(parts) if parts else "at all times"


def _runs(numbers: Sequence[int], cycle: int, names: Sequence[str]) -> str:
    """Runs of numbers by name; a run may pass the end of the cycle: "Nov to Feb"."""
    if len(numbers) == cycle:
        return f"{names[0]} to {names[-1]}"
    chosen = set(numbers)
    words = []
    for first in numbers:
        if (first - 1) % cycle in chosen:
            continue
        last = first
        while (last + 1) % cycle in chosen:
            last = (last + 1) % cycle
        joint = " and " if (first + 1) % cycle == last else " to "
        words.append(names[first] if first == last else f"{names[first]}{joint}{names[last]}")
    return ", ".join(words)
