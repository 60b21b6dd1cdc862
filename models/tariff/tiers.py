"""Steps of quantity: a price that holds on only the first kWh of a day or month."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray

Side = Literal["import", "export"]

NOTHING_KWH = 1e-9
"""Energy below which there is none [kWh]."""


def within_tier_kwh(energy_kwh: FloatArray, holds: BoolArray, period: IntArray, up_to_kwh: float) -> FloatArray:
    """Energy of each row that falls within a step [kWh], shape (n,): the first `up_to_kwh` of each period.

    Parameters
    ----------
    energy_kwh : of each row, in time order [kWh], shape (n,).
    holds : whether the row's energy counts, shape (n,).
    period : number of the day or month of each row, not falling, shape (n,).
    up_to_kwh : [kWh].
    """
    counted = np.where(holds, energy_kwh, 0.0)
    within = np.zeros(len(counted))
    firsts = np.flatnonzero(np.diff(period, prepend=period[:1] - 1)) if len(period) else np.zeros(0, np.int64)
    for first, last in zip(firsts, [*firsts[1:], len(counted)], strict=True):
        reached = np.minimum(np.cumsum(counted[first:last]), up_to_kwh)
        within[first:last] = np.diff(reached, prepend=0.0)
    return within


@dataclass(frozen=True, slots=True, eq=False)
class PriceTier:
    """One step in one day or month of a night of n intervals.

    Attributes
    ----------
    side : whether it is a price of import or of export.
    band : its number among the offer's bands of that side.
    holds : intervals in which energy counts towards it, shape (n,).
    left_kwh : how much of it is left at the first of them [kWh].
    difference : its price less the price of what holds once it is used up [money per kWh], shape (n,), 0 where it does
        not hold; tax included.
    period : number of its day since 1970, or of its month since the year 0, on the local calendar.
    """

    side: Side
    band: int
    holds: BoolArray
    left_kwh: float
    difference: FloatArray
    period: int = 0

    def within_kwh(self, energy_kwh: FloatArray) -> FloatArray:
        """Part of each interval's energy that the step prices [kWh], shape (n,)."""
        return within_tier_kwh(energy_kwh, self.holds, np.zeros(len(energy_kwh), np.int64), self.left_kwh)

    def money(self, energy_kwh: FloatArray) -> FloatArray:
        """What the step changes in each interval's money [money], shape (n,)."""
        return self.difference * self.within_kwh(energy_kwh)

    @property
    def has_constant_difference(self) -> bool:
        """Whether the difference is the same wherever it holds, so that only the sum within it counts."""
        here = self.difference[self.holds]
        return len(here) == 0 or bool(np.ptp(here) < 1e-12)


def possible_prices(beyond: FloatArray, steps: Iterable[PriceTier]) -> FloatArray:
    """Every price that an interval's energy may have [money per kWh], shape (levels, n): from beyond all steps down.

    Parameters
    ----------
    beyond : price once every step is used up, shape (n,).
    steps : of one side, the longest of a stair first.
    """
    levels = [beyond]
    for step in steps:
        levels.append(levels[-1] + step.difference)
    return np.stack(levels)


def paid_prices(beyond: FloatArray, steps: Sequence[PriceTier], energy_kwh: FloatArray) -> FloatArray:
    """Mean price of each interval's energy [money per kWh], shape (n,); where there is none, that of the next kWh."""
    money = beyond * energy_kwh
    following = beyond.copy()
    for step in steps:
        within = step.within_kwh(energy_kwh)
        money = money + step.difference * within
        following = following + np.where(np.cumsum(within) < step.left_kwh - NOTHING_KWH, step.difference, 0.0)
    some = energy_kwh > NOTHING_KWH
    return np.where(some, money / np.where(some, energy_kwh, 1.0), following)


def avoided_prices(beyond: FloatArray, steps: Sequence[PriceTier], energy_kwh: FloatArray) -> FloatArray:
    """What a kWh less saves in each interval [money per kWh], shape (n,).

    That of a step that is not used up; once it is used up, by the end of its day or month, what holds beyond it.
    """
    price = beyond.copy()
    for step in steps:
        if float(step.within_kwh(energy_kwh).sum()) < step.left_kwh - NOTHING_KWH:
            price = price + step.difference
    return price


def price_ranges(
    beyond: FloatArray, steps: Sequence[PriceTier], energy_kwh: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest price that a part of each interval's energy has [money per kWh], each of shape (n,).

    Where there is no energy, the price of the next kWh. Parts are told apart by how many of the steps hold them.

    Parameters
    ----------
    steps : of one side, the longest of a stair first: what is within a shorter one is within the longer ones too.
    """
    within = [step.within_kwh(energy_kwh) for step in steps]
    low = high = paid_prices(beyond, steps, energy_kwh)
    price = beyond + sum((step.difference for step in steps), np.zeros(len(beyond)))
    some = energy_kwh > NOTHING_KWH
    low, high = np.where(some, np.inf, low), np.where(some, -np.inf, high)
    taken = np.zeros(len(beyond))
    for step, inside in zip(reversed(steps), reversed(within), strict=True):  # the shortest first
        used = some & step.holds & (inside - taken > NOTHING_KWH)
        low, high = np.where(used, np.minimum(low, price), low), np.where(used, np.maximum(high, price), high)
        taken = np.where(step.holds, inside, taken)
        price = price - step.difference
    used = some & (energy_kwh - taken > NOTHING_KWH)
    return np.where(used, np.minimum(low, beyond), low), np.where(used, np.maximum(high, beyond), high)
