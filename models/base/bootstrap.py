"""How sure a sum over weeks is: the range of sums when whole weeks are drawn again and again.

Source: the bootstrap with percentile ranges (Efron and Tibshirani, "An Introduction to the Bootstrap", 1993, chapter
13, from memory), over blocks, since days that follow each other are alike (Künsch, Annals of Statistics 17(3), 1989).
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from models.base.arrays import FloatArray

DRAWS = 4000
SEED = 20260302
LEVEL_PERCENT = 95.0
FEWEST_WEEKS = 4
"""Weeks below which no range is given."""


def week_edges(first: date, last: date) -> list[date]:
    """First day of each whole week from `first` on, and the day after `last`; days left over join the last week."""
    days = (last - first).days + 1
    weeks = max(1, days // 7)
    return [*(first + timedelta(days=7 * week) for week in range(weeks)), last + timedelta(days=1)]


def bootstrap_range(weekly: FloatArray) -> tuple[float, float] | None:
    """Range of the sum of as many weeks, drawn with replacement; None of fewer than four weeks.

    The same weeks always give the same range.

    Parameters
    ----------
    weekly : amount of each week, shape (weeks,).
    """
    if len(weekly) < FEWEST_WEEKS:
        return None
    drawn = np.random.default_rng(SEED).integers(0, len(weekly), (DRAWS, len(weekly)))
    sums = weekly[drawn].sum(axis=1)
    tail = (100 - LEVEL_PERCENT) / 2
    low, high = np.percentile(sums, [tail, 100 - tail])
    return float(low), float(high)


def is_tie(weekly_difference: FloatArray) -> bool | None:
    """Whether a difference is smaller than its own spread: 0 lies in the range; None of fewer than four weeks.

    Parameters
    ----------
    weekly_difference : of two alternatives in the same weeks, shape (weeks,).
    """
    found = bootstrap_range(weekly_difference)
    return None if found is None else found[0] <= 0.0 <= found[1]
