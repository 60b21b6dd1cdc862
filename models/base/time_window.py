"""Stretches of local clock time, days and months."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, IntArray
from models.base.clock import MINUTES_A_DAY

DaysAndBefore = tuple[IntArray, IntArray]
"""Values of each local date and of the date before it, each of shape (n,)."""


@dataclass(frozen=True, slots=True)
class TimeWindow:
    """A stretch of local clock time on days and in months.

    Attributes
    ----------
    from_minute, to_minute : minutes since local midnight, 0 to 1440; a stretch that passes midnight belongs to the
        day it began.
    days : days of the week on which it begins, 0 for Monday; None: every day.
    months : months in which it begins, 1 to 12; None: every month.
    """

    from_minute: int = 0
    to_minute: int = MINUTES_A_DAY
    days: frozenset[int] | None = None
    months: frozenset[int] | None = None

    def covers(self, minute: IntArray, days: DaysAndBefore, months: DaysAndBefore) -> BoolArray:
        """Whether it holds at wall-clock minutes on days of the week and months; arrays of shape (n,)."""
        begun_today = self._begins_on(days[0], months[0])
        if self.from_minute < self.to_minute:
            return begun_today & (minute >= self.from_minute) & (minute < self.to_minute)
        begun_yesterday = self._begins_on(days[1], months[1])
        return (begun_today & (minute >= self.from_minute)) | (begun_yesterday & (minute < self.to_minute))

    def _begins_on(self, day: IntArray, month: IntArray) -> BoolArray:
        begins = np.ones(len(day), dtype=np.bool_)
        if self.days is not None:
            begins &= np.isin(day, list(self.days))
        if self.months is not None:
            begins &= np.isin(month, list(self.months))
        return begins


ALWAYS = TimeWindow()
"""At all times."""
