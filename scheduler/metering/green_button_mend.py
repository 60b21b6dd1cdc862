"""Mend the readings of a Green Button feed around a change of the clocks, and leave a lone senseless one out.

Starts are seconds since 1970, which know no clock change; but feeds are often made from tables by the wall clock. Then
the hour of a change, or one of the day after it, comes twice at one instant, twice as long, with no length at all, or
not. What can be told is read, marked as estimated and said; what cannot be told is a fault, as anywhere else.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from models.base.arrays import BoolArray, IntArray
from scheduler.metering.green_button_xml import ESTIMATED
from scheduler.metering.local_clock import offsets_at

AN_HOUR, A_DAY = 3600, 86_400
FEWEST_FOR_A_LONE_ONE = 1000
"""In a register of fewer readings, a single senseless one is a fault [-]."""
MOST_TOLD = 3


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings of one register, each column of shape (n,): start and length [s], value as written, and mark."""

    start: IntArray
    seconds: IntArray
    value: IntArray
    mark: IntArray

    def ordered(self, order: IntArray | BoolArray) -> Readings:
        """Return the readings in another order, or only some of them."""
        return Readings(self.start[order], self.seconds[order], self.value[order], self.mark[order])


def near_change(start: IntArray, timezone: str) -> BoolArray:
    """Return which instants lie on the day of a change of the clocks or the day after, in a zone, shape (n,).

    Examples
    --------
    >>> at = np.array([int(datetime(2026, 3, 29, 1, tzinfo=UTC).timestamp())])
    >>> near_change(at, "Europe/Dublin").tolist(), near_change(at - 4 * A_DAY, "Europe/Dublin").tolist()
    ([True], [False])
    """
    before, after = ((start + off) // 60 for off in (-2 * A_DAY, A_DAY))
    return np.asarray(offsets_at(before, timezone) != offsets_at(after, timezone), dtype=np.bool_)


def mended(readings: Readings, length: int, timezone: str) -> tuple[Readings, list[str]] | None:
    """Return readings of one length that do not contradict each other, and what was done; None if that cannot be told.

    Parameters
    ----------
    readings : in time order. length : of most of them [s]. timezone : of the site.
    """
    odd = odd_readings(readings, length)
    if not odd.any():
        return readings, []
    near = near_change(readings.start, timezone)
    is_lone = int(odd.sum()) == 1 and len(odd) >= FEWEST_FOR_A_LONE_ONE
    if not is_lone and not near[odd].all():
        return None
    kept = readings.ordered(~odd)
    taken = set(kept.start.tolist())
    phase = _usual_phase(readings.start, length)
    added: list[tuple[int, int]] = []
    said: list[str] = []
    for row in np.flatnonzero(odd).tolist():
        start, seconds, value = (int(column[row]) for column in (readings.start, readings.seconds, readings.value))
        found = _slots(start, seconds, length, phase, taken) if near[row] else []
        if found is None:
            return None
        parts = len(found)
        added += [(slot, value // parts + (index < value % parts)) for index, slot in enumerate(found)]
        taken.update(found)
        said.append(_said(start, seconds, found, length))
    new_start, new_value = (np.array([each[side] for each in added], dtype=np.int64) for side in (0, 1))
    starts = np.concatenate([kept.start, new_start])
    whole = Readings(
        starts,
        np.full(len(starts), length, dtype=np.int64),
        np.concatenate([kept.value, new_value]),
        np.concatenate([kept.mark, np.full(len(added), ESTIMATED, dtype=np.int64)]),
    )
    return whole.ordered(np.argsort(starts, kind="stable")), _notes(said, is_lone and not near[odd].any())


def with_hour_of_change(readings: Readings, length: int, timezone: str) -> tuple[Readings, list[str]]:
    """Return readings with the hour that a feed lacks at a change of the clocks, as the mean of those beside it.

    Parameters
    ----------
    readings : of one length, in time order, each start once. length : [s]. timezone : of the site.
    """
    steps = np.diff(readings.start)
    holes = np.flatnonzero((steps > length) & (steps <= length + AN_HOUR))
    holes = holes[near_change(readings.start[holes], timezone)] if len(holes) else holes
    if not len(holes):
        return readings, []
    starts, values = [], []
    for row in holes.tolist():
        lacking = range(int(readings.start[row]) + length, int(readings.start[row + 1]), length)
        starts += list(lacking)
        values += [int(readings.value[row] + readings.value[row + 1]) // 2] * len(lacking)
    count = len(starts)
    whole = Readings(
        np.concatenate([readings.start, np.array(starts, dtype=np.int64)]),
        np.concatenate([readings.seconds, np.full(count, length, dtype=np.int64)]),
        np.concatenate([readings.value, np.array(values, dtype=np.int64)]),
        np.concatenate([readings.mark, np.full(count, ESTIMATED, dtype=np.int64)]),
    )
    moments = ", ".join(_moment(start) for start in starts[:MOST_TOLD]) + (", …" if count > MOST_TOLD else "")
    note = (
        f"it lacks an hour at a change of the clocks ({moments}), read as the mean of the readings beside it and "
        "marked as estimated."
    )
    return whole.ordered(np.argsort(whole.start, kind="stable")), [note]


def odd_readings(readings: Readings, length: int) -> BoolArray:
    """Return which readings have another length, lie off the grid, or contradict the one before at the same instant."""
    off_grid = (readings.start - _usual_phase(readings.start, length)) % length != 0
    odd = (readings.seconds != length) | off_grid
    usual = np.flatnonzero(~odd)
    again = (np.diff(readings.start[usual]) == 0) & (np.diff(readings.value[usual]) != 0)
    odd[usual[1:][again]] = True
    return np.asarray(odd, dtype=np.bool_)


def _usual_phase(start: IntArray, length: int) -> int:
    phases, counts = np.unique(start % length, return_counts=True)
    return int(phases[np.argmax(counts)])


def _slots(start: int, seconds: int, length: int, phase: int, taken: set[int]) -> list[int] | None:
    """Return the starts of the intervals that an odd reading fills; none to leave it out, None if it cannot be told."""
    if seconds == 0 or (start - phase) % length:
        return []
    if seconds == length:  # a second reading of the same instant: that of the hour that the clock shows again
        return None if start + AN_HOUR in taken else [start + AN_HOUR]
    if seconds % length or start in taken:
        return []
    slots = list(range(start, start + seconds, length))
    return [start] if any(slot in taken for slot in slots) else slots


def _said(start: int, seconds: int, found: list[int], length: int) -> str:
    moment = _moment(start)
    if not found:
        return f"{moment} ({seconds} s) is left out"
    if found[0] != start:
        return f"the second of {moment} is read as that of the hour after"
    if len(found) > 1:
        return f"{moment} ({seconds} s) is read as {len(found)} intervals"
    return f"{moment} ({seconds} s) is read as {length} s"


def _notes(said: list[str], is_lone: bool) -> list[str]:
    where = "is senseless" if is_lone else f"{'is' if len(said) == 1 else 'are'} senseless at a change of the clocks"
    subject = "one reading" if len(said) == 1 else f"{len(said)} readings"
    more = f"; and {len(said) - MOST_TOLD} more" if len(said) > MOST_TOLD else ""
    return [f"{subject} {where}: {'; '.join(said[:MOST_TOLD])}{more}. What is read is marked as estimated."]


def _moment(second: int) -> str:
    return f"{datetime.fromtimestamp(second, UTC):%Y-%m-%dT%H:%MZ}"
