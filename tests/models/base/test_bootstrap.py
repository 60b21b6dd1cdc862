"""Ranges of sums over weeks: against scipy's bootstrap and against what is known of simple cases."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import bootstrap

from models.base.bootstrap import bootstrap_range, is_tie, week_edges


def test_weeks_cover_every_day_once() -> None:
    """A year has 52 weeks, the last with the day that is left over; a few days are one week."""
    edges = week_edges(date(2025, 7, 1), date(2026, 6, 30))
    lengths = [(later - earlier).days for earlier, later in pairwise(edges)]
    assert lengths == [7] * 51 + [8]
    assert week_edges(date(2026, 1, 1), date(2026, 1, 3)) == [date(2026, 1, 1), date(2026, 1, 4)]


def test_the_range_is_that_of_scipy() -> None:
    """scipy.stats.bootstrap with percentile ranges, its own draws: the same within sampling noise."""
    weekly = np.random.default_rng(5).gamma(2.0, 8.0, 52)
    theirs = bootstrap(
        (weekly,), np.sum, method="percentile", n_resamples=20_000, rng=np.random.default_rng(1)
    ).confidence_interval
    ours = bootstrap_range(weekly)
    assert ours is not None
    width = theirs.high - theirs.low
    assert ours[0] == pytest.approx(theirs.low, abs=0.05 * width)
    assert ours[1] == pytest.approx(theirs.high, abs=0.05 * width)


def test_equal_weeks_have_a_range_of_one_point() -> None:
    """The sum of equal weeks is certain; a difference in every week is not a tie, however small."""
    assert bootstrap_range(np.full(10, 2.5)) == pytest.approx((25.0, 25.0))
    assert is_tie(np.full(10, 1e-3)) is False
    assert is_tie(np.zeros(10)) is True


def test_a_difference_that_changes_sign_is_a_tie() -> None:
    """More expensive as often as cheaper, by about the same amount: the sum says nothing."""
    weekly = np.array([5.0, -4.0] * 20)
    assert is_tie(weekly) is True
    assert is_tie(weekly + 6) is False


def test_few_weeks_are_not_judged() -> None:
    """Under four weeks there is neither a range nor a verdict."""
    assert bootstrap_range(np.array([1.0, 2.0, 3.0])) is None
    assert is_tie(np.array([1.0, 2.0, 3.0])) is None


def test_weeks_follow_the_calendar_over_a_clock_change() -> None:
    """Edges are days, not hours: a week with a clock change begins and ends at midnight like any other."""
    edges = week_edges(date(2026, 3, 23), date(2026, 4, 12))
    assert edges == [date(2026, 3, 23) + timedelta(days=7 * week) for week in range(4)]
