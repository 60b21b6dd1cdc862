"""Tiered prices: a price for only the first so many kWh of a day or month.

An offer's tiers of one side are kept as differences. Every kWh costs the price beyond all tiers, and a kWh that falls
within a tier costs that tier's difference on top. Tiers that hold together are nested: what lies within a shorter one
lies within every longer one too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray

Side = Literal["import", "export"]

NOTHING_KWH = 1e-9
"""Energy up to this counts as none [kWh]."""


def within_tier_kwh(energy_kwh: FloatArray, holds: BoolArray, period: IntArray, up_to_kwh: float) -> FloatArray:
    """Return the energy of each row that falls within a tier: the first `up_to_kwh` of each period.

    Parameters
    ----------
    energy_kwh : energy of each row, in time order [kWh], shape (n,).
    holds : whether the row's energy counts towards the tier, shape (n,).
    period : number of each row's day or month, never decreasing, shape (n,).
    up_to_kwh : size of the tier [kWh].

    Returns
    -------
    Energy within the tier [kWh], shape (n,).

    Examples
    --------
    Two rows a day, and a tier of 5 kWh a day:

    >>> always = np.ones(4, dtype=bool)
    >>> within_tier_kwh(np.array([3.0, 4.0, 1.0, 9.0]), always, np.array([0, 0, 1, 1]), 5.0).tolist()
    [3.0, 2.0, 1.0, 4.0]
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
    """One tier in one day or month of a night of n intervals.

    Attributes
    ----------
    side : whether it prices import or export.
    band : number of its band among the offer's bands of that side.
    holds : intervals whose energy counts towards it, shape (n,).
    left_kwh : what is left of it at the first of them [kWh].
    difference : its price minus the price once it is used up [money per kWh], tax included, shape (n,); 0 where it does
        not hold.
    period : number of its day since 1970, or of its month since the year 0, on the local calendar.

    Examples
    --------
    The first 5 kWh cost 0.10 less:

    >>> tier = PriceTier("import", 0, np.ones(3, dtype=bool), 5.0, np.full(3, -0.10))
    >>> tier.within_kwh(np.array([2.0, 4.0, 1.0])).tolist()
    [2.0, 3.0, 0.0]
    >>> tier.money(np.array([2.0, 4.0, 1.0])).round(2).tolist()
    [-0.2, -0.3, -0.0]
    """

    side: Side
    band: int
    holds: BoolArray
    left_kwh: float
    difference: FloatArray
    period: int = 0

    def within_kwh(self, energy_kwh: FloatArray) -> FloatArray:
        """Return the part of each interval's energy that falls within the tier [kWh], shape (n,)."""
        return within_tier_kwh(energy_kwh, self.holds, np.zeros(len(energy_kwh), np.int64), self.left_kwh)

    def money(self, energy_kwh: FloatArray) -> FloatArray:
        """Return what the tier adds to each interval's cost of import or credit for export [money], shape (n,)."""
        return self.difference * self.within_kwh(energy_kwh)

    @property
    def has_constant_difference(self) -> bool:
        """Return whether the difference is the same wherever the tier holds: only the total within it then matters."""
        here = self.difference[self.holds]
        return len(here) == 0 or bool(np.ptp(here) < 1e-12)


def possible_prices(beyond: FloatArray, tiers: Iterable[PriceTier]) -> FloatArray:
    """Return every price that an interval's energy may have, from the price beyond all tiers down to the shortest tier.

    Parameters
    ----------
    beyond : price once every tier is used up [money per kWh], shape (n,).
    tiers : tiers of one side; of nested ones, the longest first.

    Returns
    -------
    Prices [money per kWh], shape (number of tiers + 1, n).

    Examples
    --------
    0.20 for the first 3 kWh, 0.30 up to 8 kWh, then 0.40:

    >>> always = np.ones(1, dtype=bool)
    >>> tiers = [PriceTier("import", band, always, kwh, np.array([-0.10])) for band, kwh in enumerate((8.0, 3.0))]
    >>> possible_prices(np.array([0.40]), tiers).round(2).ravel().tolist()
    [0.4, 0.3, 0.2]
    """
    levels = [beyond]
    for tier in tiers:
        levels.append(levels[-1] + tier.difference)
    return np.stack(levels)


def paid_prices(beyond: FloatArray, tiers: Sequence[PriceTier], energy_kwh: FloatArray) -> FloatArray:
    """Return the mean price of each interval's energy.

    Parameters
    ----------
    beyond : price once every tier is used up [money per kWh], shape (n,).
    tiers : tiers of one side.
    energy_kwh : energy of each interval [kWh], shape (n,).

    Returns
    -------
    Prices [money per kWh], shape (n,); for an interval without energy, the price of the next kWh.

    Examples
    --------
    0.20 for the first 3 kWh, 0.30 up to 8 kWh, then 0.40:

    >>> always = np.ones(3, dtype=bool)
    >>> tiers = [PriceTier("import", band, always, kwh, np.full(3, -0.10)) for band, kwh in enumerate((8.0, 3.0))]
    >>> paid_prices(np.full(3, 0.40), tiers, np.array([2.0, 2.0, 0.0])).round(2).tolist()
    [0.2, 0.25, 0.3]
    """
    money = beyond * energy_kwh
    following = beyond.copy()
    for tier in tiers:
        within = tier.within_kwh(energy_kwh)
        money = money + tier.difference * within
        following = following + np.where(np.cumsum(within) < tier.left_kwh - NOTHING_KWH, tier.difference, 0.0)
    some = energy_kwh > NOTHING_KWH
    return np.where(some, money / np.where(some, energy_kwh, 1.0), following)


def avoided_prices(beyond: FloatArray, tiers: Sequence[PriceTier], energy_kwh: FloatArray) -> FloatArray:
    """Return what one kWh less saves in each interval.

    A kWh less at any time leaves the day or month with one kWh less in its last tier. So it saves the price of a tier
    that is not used up by the end, and otherwise the price beyond.

    Parameters
    ----------
    beyond : price once every tier is used up [money per kWh], shape (n,).
    tiers : tiers of one side.
    energy_kwh : energy of each interval [kWh], shape (n,).

    Returns
    -------
    Prices [money per kWh], shape (n,).

    Examples
    --------
    0.20 for the first 3 kWh, 0.30 up to 8 kWh, then 0.40:

    >>> always = np.ones(2, dtype=bool)
    >>> tiers = [PriceTier("import", band, always, kwh, np.full(2, -0.10)) for band, kwh in enumerate((8.0, 3.0))]
    >>> avoided_prices(np.full(2, 0.40), tiers, np.array([2.0, 5.0])).round(2).tolist()
    [0.3, 0.3]
    """
    price = beyond.copy()
    for tier in tiers:
        if float(tier.within_kwh(energy_kwh).sum()) < tier.left_kwh - NOTHING_KWH:
            price = price + tier.difference
    return price


def price_ranges(
    beyond: FloatArray, tiers: Sequence[PriceTier], energy_kwh: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and the highest price that any part of each interval's energy has.

    Parameters
    ----------
    beyond : price once every tier is used up [money per kWh], shape (n,).
    tiers : tiers of one side; of nested ones, the longest first.
    energy_kwh : energy of each interval [kWh], shape (n,).

    Returns
    -------
    Lowest and highest price [money per kWh], each of shape (n,); for an interval without energy, the price of the next
    kWh.

    Examples
    --------
    0.20 for the first 3 kWh, 0.30 up to 8 kWh, then 0.40:

    >>> always = np.ones(2, dtype=bool)
    >>> tiers = [PriceTier("import", band, always, kwh, np.full(2, -0.10)) for band, kwh in enumerate((8.0, 3.0))]
    >>> lowest, highest = price_ranges(np.full(2, 0.40), tiers, np.array([2.0, 2.0]))
    >>> lowest.round(2).tolist(), highest.round(2).tolist()
    ([0.2, 0.2], [0.2, 0.3])
    """
    within = [tier.within_kwh(energy_kwh) for tier in tiers]
    low = high = paid_prices(beyond, tiers, energy_kwh)
    price = beyond + sum((tier.difference for tier in tiers), np.zeros(len(beyond)))
    some = energy_kwh > NOTHING_KWH
    low, high = np.where(some, np.inf, low), np.where(some, -np.inf, high)
    taken = np.zeros(len(beyond))
    for tier, inside in zip(reversed(tiers), reversed(within), strict=True):  # the shortest first
        used = some & tier.holds & (inside - taken > NOTHING_KWH)
        low, high = np.where(used, np.minimum(low, price), low), np.where(used, np.maximum(high, price), high)
        taken = np.where(tier.holds, inside, taken)
        price = price - tier.difference
    used = some & (energy_kwh - taken > NOTHING_KWH)
    return np.where(used, np.minimum(low, beyond), low), np.where(used, np.maximum(high, beyond), high)
