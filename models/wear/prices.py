"""Segment prices of any wear law: what a linear program takes for wear.

Segments as in Xu, Zhao et al. 2018 (`models.wear.segments`). They fill and empty in order by themselves only where
deeper energy never costs less, so a law that is not convex in depth is priced by its lower convex envelope.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from models.base.arrays import FloatArray
from models.wear.convex_envelope import convex_envelope
from models.wear.law import WearLaw
from models.wear.segments import WearSegments
from models.wear.stress import REFERENCE_SOC

GRID_STEPS = 1000
"""Depths at which the envelope is taken, every 0.1 % of the battery."""
REFERENCE_DEGC = 25.0


def envelope_of_law(
    law: WearLaw, depth: FloatArray, mean_soc: float = REFERENCE_SOC, temp_degc: float = REFERENCE_DEGC
) -> FloatArray:
    """The convex envelope of the law's life lost by depth, at depths in [0, 1] of any order [-], shape (n,)."""
    grid = np.union1d(np.linspace(0, 1, GRID_STEPS + 1), depth)
    return np.asarray(np.interp(depth, grid, convex_envelope(grid, law.life_lost(grid, mean_soc, temp_degc))))


def wear_segments_of_law(
    law: WearLaw,
    battery_price: float,
    battery_kwh: float,
    edges_percent: Sequence[float],
    mean_soc: float = REFERENCE_SOC,
    temp_degc: float = REFERENCE_DEGC,
) -> WearSegments:
    """Cut the battery's depth at the edges and price each segment by the law's convex envelope.

    Parameters
    ----------
    law : any wear law, at its age.
    battery_price : money for a replacement battery [money].
    battery_kwh : usable capacity [kWh].
    edges_percent : upper edge of each segment [% of depth], rising, the last 100.
    mean_soc : middle of the cycles to be priced [0 to 1].
    temp_degc : temperature of the battery [degrees C].

    Raises
    ------
    ValueError : edges that do not rise to 100.
    """
    edges = np.asarray([0.0, *edges_percent]) / 100
    if not (np.all(np.diff(edges) > 0) and edges[-1] == 1.0):
        raise ValueError("segment edges must rise to 100 percent")
    size_kwh = np.diff(edges) * battery_kwh
    price = battery_price * np.diff(envelope_of_law(law, edges, mean_soc, temp_degc)) / size_kwh
    # slopes of a convex function rise; rounding between equal ones must not undo that
    return WearSegments(size_kwh, np.maximum.accumulate(price))
