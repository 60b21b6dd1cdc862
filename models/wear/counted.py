"""What a trace cost the battery after the fact: its cycles counted, and each law's total.

Counting sees the whole trace, so it is what prices in segments are held against. A half cycle counts half: a discharge
that is never put back costs half of what the segments charge for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray
from models.wear.cycles import Cycles, count_cycles
from models.wear.law import LifeUsed, WearLaw, range_warnings
from models.wear.soc_trace import SocTrace, time_spent

HISTOGRAM_EDGES_PERCENT = (2.0, 5.0, 10.0, 20.0, 30.0, 45.0, 60.0, 80.0, 100.0)


@dataclass(frozen=True, slots=True)
class WearByLaw:
    """One law's total for a trace.

    Attributes
    ----------
    law, source : its name, and where it was published.
    used : life and capacity, by cycles and by calendar.
    cost : share of life times the battery's price [money]; None where no price is known.
    warnings : what lies outside the range in which the law was measured.
    """

    law: str
    source: str
    used: LifeUsed
    cost: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class DepthHistogram:
    """Cycles by depth, in b bins.

    Attributes
    ----------
    edges_percent : upper edge of each bin [% of depth], rising, shape (b,).
    cycles : counted in each bin, halves as 0.5, shape (b,).
    full_cycles : their depth together, in equivalent full cycles, shape (b,).
    """

    edges_percent: FloatArray
    cycles: FloatArray
    full_cycles: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class CountedWear:
    """What was counted in a trace.

    Attributes
    ----------
    cycles : each counted cycle.
    hours : from the first instant to the last [h].
    histogram : the cycles by depth.
    by_law : each law's total, in the order in which the laws were given.
    """

    cycles: Cycles
    hours: float
    histogram: DepthHistogram
    by_law: tuple[WearByLaw, ...]


def counted_wear(trace: SocTrace, laws: Iterable[WearLaw], battery_price: float | None) -> CountedWear:
    """Count a trace's cycles and price them, and the time spent, by each law.

    Parameters
    ----------
    trace : state of charge and temperature.
    laws : at the age of the battery when the trace begins.
    battery_price : money for a replacement battery [money], or None.
    """
    cycles, time = count_cycles(trace), time_spent(trace)
    by_law = []
    for law in laws:
        used = law.life_used(cycles, time)
        cost = None if battery_price is None else battery_price * used.total
        told = tuple(range_warnings(law, cycles.depth, trace.soc, trace.temp_degc))
        by_law.append(WearByLaw(law.name, law.source, used, cost, told))
    return CountedWear(cycles, float(time.hours.sum()), depth_histogram(cycles), tuple(by_law))


def depth_histogram(cycles: Cycles, edges_percent: Sequence[float] = HISTOGRAM_EDGES_PERCENT) -> DepthHistogram:
    """Cycles by depth; a depth on an edge belongs to the bin under it.

    Parameters
    ----------
    edges_percent : upper edge of each bin [% of depth], rising, the last 100.
    """
    edges = np.asarray(edges_percent, dtype=np.float64)
    # a depth that rounding put just over an edge stays under it
    into = np.minimum(np.searchsorted(edges / 100 + 1e-12, cycles.depth), len(edges) - 1)
    count, full = (
        np.asarray(np.bincount(into, weights, len(edges)), dtype=np.float64)
        for weights in (cycles.count, cycles.count * cycles.depth)
    )
    return DepthHistogram(edges, count, full)
