"""Segment prices for any wear law: the prices that a linear program uses for wear.

The segments are those of Xu, Zhao et al. 2018 (`models.wear.segments`). They fill and empty in the right order on their
own only if deeper energy never costs less. So a law that is not convex in depth is priced by its lower convex envelope.

Two laws depend on the state of charge at which a cycle happens. A segment is a stretch of depth and its price holds at
any state of charge, so the state has to be tied to the depth. A car stands at its ceiling and cycles down from it, so a
cycle of depth d is priced at a mean of the ceiling less d / 2 (`DownFrom`). Where cycles begin elsewhere the price is
an approximation; counted wear (`models.wear.counted`) takes each cycle's own states. Over four weeks on the demo sites
charged wear is 0.98 to 1.05 of counted wear, but for the law "stress" where the envelope leaves out much of shallow
drives (0.83 to 0.97 where the car only charges) or cycles begin well below the ceiling (1.08 on one site).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from models.base.arrays import FloatArray
from models.wear.convex_envelope import convex_envelope
from models.wear.law import WearLaw
from models.wear.segments import WearSegments
from models.wear.stress import REFERENCE_SOC

GRID_STEPS = 1000
"""Number of steps of the grid of depths for the envelope, each 0.1 % of the battery."""
REFERENCE_DEGC = 25.0
"""Temperature at which segments are priced by default [degrees C]."""


@dataclass(frozen=True, slots=True)
class DownFrom:
    """The states of cycles that all begin at one state of charge and go down from there.

    A cycle deeper than that state begins at its own depth, for it ends at an empty battery.

    Attributes
    ----------
    highest_soc : state of charge at which they begin [0 to 1].

    Examples
    --------
    >>> DownFrom(0.8).mean_soc(np.array([0.0, 0.2, 0.6, 1.0])).round(2).tolist()
    [0.8, 0.7, 0.5, 0.5]
    """

    highest_soc: float

    def mean_soc(self, depth: FloatArray) -> FloatArray:
        """Return the middle of a cycle of each depth [0 to 1], shape of depth."""
        return np.asarray(np.maximum(self.highest_soc, depth) - depth / 2, dtype=np.float64)


States = float | DownFrom
"""The mean state of charge of cycles by depth: one for all depths [0 to 1], or down from one state."""


def mean_soc_at(states: States, depth: FloatArray) -> FloatArray:
    """Return the mean state of charge of a cycle of each depth [0 to 1], shape of depth."""
    return states.mean_soc(depth) if isinstance(states, DownFrom) else np.full(np.shape(depth), states)


def envelope_of_law(
    law: WearLaw, depth: FloatArray, states: States = REFERENCE_SOC, temp_degc: float = REFERENCE_DEGC
) -> FloatArray:
    """Return the convex envelope of the life that a full cycle uses by depth.

    Parameters
    ----------
    law : any law of cycle ageing.
    depth : depths at which to evaluate it, in any order [0 to 1], shape (n,).
    states : the mean state of charge of a cycle by its depth.
    temp_degc : temperature of the battery [degrees C].

    Returns
    -------
    Share of the battery's life [-], shape (n,).

    Examples
    --------
    S_d is concave for shallow cycles, where the envelope lies below it:

    >>> from models.wear.stress import StressLaw
    >>> depth = np.array([0.05, 0.5])
    >>> (envelope_of_law(StressLaw(), depth) / StressLaw().life_lost(depth, 0.5, 25.0)).round(2).tolist()
    [0.63, 1.0]
    """
    grid = np.union1d(np.linspace(0, 1, GRID_STEPS + 1), depth)
    life = law.life_lost(grid, mean_soc_at(states, grid), temp_degc)
    return np.asarray(np.interp(depth, grid, convex_envelope(grid, life)))


def wear_segments_of_law(
    law: WearLaw,
    battery_price: float,
    battery_kwh: float,
    edges_percent: Sequence[float],
    states: States = REFERENCE_SOC,
    temp_degc: float = REFERENCE_DEGC,
) -> WearSegments:
    """Cut the battery's depth at the edges and price each segment by the law's convex envelope.

    Parameters
    ----------
    law : any law of cycle ageing, at its age.
    battery_price : price of a replacement battery [money].
    battery_kwh : usable capacity [kWh].
    edges_percent : upper edge of each segment, rising to 100 [% of depth].
    states : the mean state of charge of a cycle by its depth.
    temp_degc : temperature of the battery [degrees C].

    Raises
    ------
    ValueError : the edges do not rise to 100.

    Examples
    --------
    By the flat law every segment has the same price, here 8000 / (1600 × 40 kWh):

    >>> from models.wear.flat import FlatLaw
    >>> wear_segments_of_law(FlatLaw(1600.0), 8000.0, 40.0, [20, 60, 100]).price_per_kwh.round(4).tolist()
    [0.125, 0.125, 0.125]
    """
    edges = np.asarray([0.0, *edges_percent]) / 100
    if not (np.all(np.diff(edges) > 0) and edges[-1] == 1.0):
        raise ValueError("segment edges must rise to 100 percent")
    size_kwh = np.diff(edges) * battery_kwh
    price = battery_price * np.diff(_envelope_at_edges(law, tuple(edges.tolist()), states, temp_degc)) / size_kwh
    # the slopes of a convex function rise; rounding between equal ones must not change that
    return WearSegments(size_kwh, np.maximum.accumulate(price))


@lru_cache(maxsize=64)
def _envelope_at_edges(law: WearLaw, edges: tuple[float, ...], states: States, temp_degc: float) -> FloatArray:
    """Return the envelope at the edges of segments, kept for the nights to come; shape (edges,)."""
    return envelope_of_law(law, np.array(edges), states, temp_degc)
