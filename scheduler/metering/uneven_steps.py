"""Cut rows of unequal length, as in the tool's own metered tables, to intervals of one length."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from math import gcd

import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.metering.csv_table import MeterRows, refuse
from scheduler.textio.errors import shown

HOURS = "hours"
MOST_MINUTES = 1440


@dataclass(frozen=True, slots=True, eq=False)
class CutRows:
    """Rows cut to pieces of one length.

    Attributes
    ----------
    utc : start of each piece [UTC minutes]. row : number of the row it comes from. Both of shape (pieces,).
    parts : pieces of each row, shape (n,). step_minutes : length of a piece [min].
    """

    utc: IntArray
    row: IntArray
    parts: IntArray
    step_minutes: int


def are_unequal(hours: FloatArray) -> bool:
    """Return whether rows have different lengths [h], shape (n,).

    Examples
    --------
    >>> are_unequal(np.array([1.0, 1.0])), are_unequal(np.array([1.0, 0.5]))
    (False, True)
    """
    return bool((np.abs(hours - hours[0]) * 60 >= 1e-6).any())


def cut_to_one_step(rows: MeterRows, utc: IntArray, hours: FloatArray) -> CutRows:
    """Cut rows to the longest interval that divides every row; each row must begin where the one above it ends.

    Parameters
    ----------
    utc : start of each row [UTC minutes], shape (n,). hours : its length [h], shape (n,).

    Raises
    ------
    InputFaults : a length that is not a whole number of minutes, or a row that does not follow the one above.
    """
    column = rows.header.index(HOURS)
    minutes = np.rint(hours * 60)
    odd = ~((np.abs(minutes - hours * 60) < 1e-3) & (minutes >= 1) & (minutes <= MOST_MINUTES))
    refuse(
        [
            rows.fault(
                int(row),
                HOURS,
                f"found {shown(rows.rows[int(row)].cells[column])}; expected a whole number of minutes, in hours, "
                "up to 24",
            )
            for row in np.flatnonzero(odd)
        ]
    )
    length: IntArray = minutes.astype(np.int64)
    refuse(
        [
            rows.fault(
                int(row) + 1,
                "start",
                "it is not where the row above ends; expected rows that follow one another, as their hours differ",
            )
            for row in np.flatnonzero(utc[:-1] + length[:-1] != utc[1:])
        ]
    )
    step = reduce(gcd, length.tolist())
    parts = length // step
    within = np.concatenate([np.arange(count) for count in parts]) * step
    return CutRows(np.repeat(utc, parts) + within, np.repeat(np.arange(len(utc)), parts), parts, step)
