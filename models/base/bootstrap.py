"""The uncertainty of a sum over weeks, by resampling whole weeks.

Source: the bootstrap with percentile intervals (Efron and Tibshirani, "An Introduction to the Bootstrap", 1993, chapter
13, from memory), applied to blocks because consecutive days resemble each other (Künsch, Annals of Statistics 17(3),
1989).
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from models.base.arrays import FloatArray

DRAWS = 4000
SEED = 20260302
LEVEL_PERCENT = 95.0
FEWEST_WEEKS = 4
"""With fewer weeks than this no range is given."""


def week_edges(first: date, last: date) -> list[date]:
    """Split the days from `first` to `last` into whole weeks; days left over join the last week.

    Parameters
    ----------
    first, last : first and last day, both included.

    Returns
    -------
    The first day of each week, and the day after `last`: one date more than there are weeks.

    Examples
    --------
    >>> [str(day) for day in week_edges(date(2026, 3, 2), date(2026, 3, 17))]
    ['2026-03-02', '2026-03-09', '2026-03-18']
    """
    days = (last - first).days + 1
    weeks = max(1, days // 7)
    return [*(first + timedelta(days=7 * week) for week in range(weeks)), last + timedelta(days=1)]


def bootstrap_range(weekly: FloatArray) -> tuple[float, float] | None:
    """Return the 95 % bootstrap range of the sum of weekly amounts.

    As many weeks as there are get drawn with replacement, 4,000 times. The seed is fixed, so the same weeks always give
    the same range.

    Parameters
    ----------
    weekly : amount of each week, shape (weeks,).

    Returns
    -------
    The 2.5th and the 97.5th percentile of the sums, or None for fewer than four weeks.

    Examples
    --------
    >>> bootstrap_range(np.array([2.5, 2.5, 2.5, 2.5]))
    (10.0, 10.0)
    >>> bootstrap_range(np.array([2.5, 2.5])) is None
    True
    """
    if len(weekly) < FEWEST_WEEKS:
        return None
    drawn = np.random.default_rng(SEED).integers(0, len(weekly), (DRAWS, len(weekly)))
    sums = weekly[drawn].sum(axis=1)
    tail = (100 - LEVEL_PERCENT) / 2
    low, high = np.percentile(sums, [tail, 100 - tail])
    return float(low), float(high)


def is_tie(weekly_difference: FloatArray) -> bool | None:
    """Return whether two alternatives cannot be told apart: the range of their difference includes 0.

    Parameters
    ----------
    weekly_difference : difference between two alternatives in each week, shape (weeks,).

    Returns
    -------
    True for a tie, False for a clear difference, None for fewer than four weeks.

    Examples
    --------
    >>> is_tie(np.array([3.0, -2.0, 2.0, -3.0]))
    True
    >>> is_tie(np.array([3.0, 2.0, 2.0, 3.0]))
    False
    """
    found = bootstrap_range(weekly_difference)
    return None if found is None else found[0] <= 0.0 <= found[1]
