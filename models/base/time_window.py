"""Windows of time: local clock hours, on some days of the week, in some months."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, IntArray
from models.base.clock import MINUTES_A_DAY

DaysAndBefore = tuple[IntArray, IntArray]
"""A value for each local date and for the date before it, each of shape (n,)."""


@dataclass(frozen=True, slots=True)
class TimeWindow:
    """A window of local clock time, on some days and in some months.

    Attributes
    ----------
    from_minute, to_minute : begin and end, minutes since local midnight, 0 to 1440 [min]. A window that passes midnight
        belongs to the day on which it began.
    days : days of the week on which it begins, 0 for Monday; None for every day.
    months : months in which it begins, 1 to 12; None for every month.
    """

    from_minute: int = 0
    to_minute: int = MINUTES_A_DAY
    days: frozenset[int] | None = None
    months: frozenset[int] | None = None

    def covers(self, minute: IntArray, days: DaysAndBefore, months: DaysAndBefore) -> BoolArray:
        """Return whether each of n times on the wall clock lies in the window, shape (n,).

        Parameters
        ----------
        minute : minutes since local midnight [min], shape (n,).
        days : day of the week of each date and of the date before it, 0 for Monday.
        months : month of each date and of the date before it, 1 to 12.

        Examples
        --------
        A window from 22:00 on Friday to 06:00 holds at 05:00 on Saturday, but not at 05:00 on Friday:

        >>> friday_night = TimeWindow(22 * 60, 6 * 60, days=frozenset({4}))
        >>> day, before = np.array([5, 4]), np.array([4, 3])
        >>> friday_night.covers(np.array([300, 300]), (day, before), (np.array([1, 1]), np.array([1, 1]))).tolist()
        [True, False]
        """
        begun_today = self._begins_on(days[0], months[0])
        if self.from_minute < self.to_minute:
            return begun_today & (minute >= self.from_minute) & (minute < self.to_minute)
        begun_yesterday = self._begins_on(days[1], months[1])
        return (begun_today & (minute >= self.from_minute)) | (begun_yesterday & (minute < self.to_minute))

    def _begins_on(self, day: IntArray, month: IntArray) -> BoolArray:
        """Return whether the window begins on each date, shape (n,)."""
        begins = np.ones(len(day), dtype=np.bool_)
        if self.days is not None:
            begins &= np.isin(day, list(self.days))
        if self.months is not None:
            begins &= np.isin(month, list(self.months))
        return begins


ALWAYS = TimeWindow()
"""The window that covers all times."""
