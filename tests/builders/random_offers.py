"""Seeded random nights whose offer has steps, a demand charge, clock-varying export limits or a ban on grid charging.

All figures are invented; the same night for the same seed.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from models.tariff.demand import DemandMonth
from models.tariff.tiers import PriceTier, Side
from scheduler.nights.night import Night
from tests.builders.random_nights import random_night

Random = np.random.Generator

EVERY_SEED = range(120)
SOME_SEEDS = sorted({*EVERY_SEED[::3], 1, 4, 32, 35, 37, 44, 116})
"""Every third seed, and what it takes for each feature in test_offers_solved.py to occur in 8 nights or more."""


def random_offer_night(seed: int) -> Night:
    """A random night with one or more rules that make a price depend on amounts."""
    night = random_night(seed)
    random = np.random.default_rng([seed, 3])
    steps: list[PriceTier] = []
    for side in ("import", "export"):
        if random.random() < 0.6:
            steps += _stair(random, night, side)
    demand = _demand(random, night) if random.random() < 0.5 else ()
    parts = np.random.default_rng([seed, 4])
    if parts.random() < 0.3:  # a second demand charge, as of another season or of the year
        demand += tuple(replace(month, charge=1) for month in _demand(parts, night))
    if parts.random() < 0.2:  # tiers of another part of the price, not nested with the first part's
        steps += [replace(step, band=step.band + 10) for step in _stair(parts, night, "import")]
    only_solar = None if random.random() < 0.4 else _stretch(random, night.intervals)
    limits = None
    if random.random() < 0.4:
        limits = np.where(_stretch(random, night.intervals), 0.0, night.connection.export_limit_kw)
        if random.random() < 0.5:
            limits = limits + 1.0
    return replace(night, tiers=tuple(steps), demand=demand, no_grid_charging=only_solar, export_limits_kw=limits)


def _stretch(random: Random, intervals: int) -> BoolArray:
    first, last = sorted(random.integers(0, intervals + 1, 2))
    index = np.arange(intervals)
    return np.asarray((index >= first) & (index < max(last, first + 1)))


def _stair(random: Random, night: Night, side: Side) -> list[PriceTier]:
    """One or two steps over a stretch, in one period or two; differences of either sign, one number or many."""
    holds = _stretch(random, night.intervals)
    middle = int(random.integers(1, night.intervals))
    periods = [holds]
    if random.random() < 0.5:
        first = np.arange(night.intervals) < middle
        periods = [part for part in (holds & first, holds & ~first) if part.any()]
    sizes = sorted(random.uniform(0, 15, int(random.integers(1, 3))), reverse=True)
    assert all(longer >= shorter for longer, shorter in pairwise(sizes))
    counted = float(random.choice([0.0, 2.0, 20.0]))
    found = []
    for band, size in enumerate(sizes):
        difference = _difference(random, night.intervals)
        for number, period in enumerate(periods):
            left = size if number else max(0.0, size - counted)
            found.append(PriceTier(side, band, period, left, np.where(period, difference, 0.0)))
    return found


def _difference(random: Random, intervals: int) -> FloatArray:
    if random.random() < 0.6:
        return np.full(intervals, round(float(random.uniform(-0.3, 0.3)), 3))
    pieces = np.round(random.uniform(-0.3, 0.3, 3), 3)
    return np.asarray(pieces[np.minimum(np.arange(intervals) * 3 // intervals, 2)])


def _demand(random: Random, night: Night) -> tuple[DemandMonth, ...]:
    """Means over one or two intervals in a stretch, in one month or on both sides of a month's end."""
    window, together = _stretch(random, night.intervals), int(random.integers(1, 3))
    mean = np.arange(night.intervals) // together
    split = int(random.integers(0, night.intervals)) if random.random() < 0.6 else 0
    price = float(random.choice([0.0, 0.5, 6.0]))
    months = []
    for part in (mean * together < split, mean * together >= split):
        here = window & part
        if here.any():
            mean_of = np.full(night.intervals, -1, dtype=np.int64)
            mean_of[here] = np.unique(mean[here], return_inverse=True)[1]
            months.append(DemandMonth(mean_of, price, float(random.choice([0.0, 1.5, 6.0]))))
    return tuple(months)
