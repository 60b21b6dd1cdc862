"""Wear of a trace after the fact: its cycles counted, and the total by each law.

Counting sees the whole trace, so segment prices are checked against it. A half cycle counts half: a discharge that is
never put back costs half of what the segments charge for it.
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
    law, source : name of the law, and where it was published.
    used : life and capacity used, by cycle ageing and by calendar ageing.
    cost : share of life times the battery's price [money]; None if no price is known.
    warnings : values outside the range in which the law was measured.
    """

    law: str
    source: str
    used: LifeUsed
    cost: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class DepthHistogram:
    """Numbers of cycles by depth, in b bins.

    Attributes
    ----------
    edges_percent : upper edge of each bin, rising [% of depth], shape (b,).
    cycles : number of cycles in each bin, half cycles as 0.5, shape (b,).
    full_cycles : the same in equivalent full cycles, shape (b,).
    """

    edges_percent: FloatArray
    cycles: FloatArray
    full_cycles: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class CountedWear:
    """The wear counted in a trace.

    Attributes
    ----------
    cycles : counted cycles.
    hours : time from the first instant to the last [h].
    histogram : cycles by depth.
    by_law : total by each law, in the order in which the laws were given.
    """

    cycles: Cycles
    hours: float
    histogram: DepthHistogram
    by_law: tuple[WearByLaw, ...]


def counted_wear(trace: SocTrace, laws: Iterable[WearLaw], battery_price: float | None) -> CountedWear:
    """Count the cycles of a trace, and price them and the time spent by each law.

    Parameters
    ----------
    trace : state of charge and temperature.
    laws : wear laws, at the age of the battery when the trace begins.
    battery_price : price of a replacement battery [money], or None.

    Examples
    --------
    A full cycle of half the battery, by a law that gives the battery 1600 cycles:

    >>> import pandas as pd
    >>> from models.wear.flat import FlatLaw
    >>> hours = pd.date_range("2026-03-02T18:00", periods=3, freq="h", tz="UTC")
    >>> trace = SocTrace(hours, np.array([0.8, 0.3, 0.8]), np.full(3, 20.0))
    >>> wear = counted_wear(trace, [FlatLaw(1600.0)], 8000.0)
    >>> wear.hours, wear.by_law[0].cost
    (2.0, 2.5)
    """
    cycles, time = count_cycles(trace), time_spent(trace)
    by_law = []
    for law in laws:
        used = law.life_used(cycles, time)
        cost = None if battery_price is None else battery_price * used.total
        warnings = tuple(range_warnings(law, cycles.depth, trace.soc, trace.temp_degc))
        by_law.append(WearByLaw(law.name, law.source, used, cost, warnings))
    return CountedWear(cycles, float(time.hours.sum()), depth_histogram(cycles), tuple(by_law))


def depth_histogram(cycles: Cycles, edges_percent: Sequence[float] = HISTOGRAM_EDGES_PERCENT) -> DepthHistogram:
    """Sort cycles into bins by depth; a depth on an edge belongs to the bin below it.

    Parameters
    ----------
    cycles : counted cycles.
    edges_percent : upper edge of each bin, rising to 100 [% of depth].

    Examples
    --------
    >>> depth, rows = np.array([0.08, 0.1, 0.5]), np.zeros(3, dtype=np.int64)
    >>> cycles = Cycles(depth, depth, np.array([1.0, 0.5, 1.0]), rows, rows, np.full(3, 20.0))
    >>> depth_histogram(cycles, [10.0, 100.0]).cycles.tolist()
    [1.5, 1.0]
    """
    edges = np.asarray(edges_percent, dtype=np.float64)
    # a depth that is just over an edge by rounding stays below it
    into = np.minimum(np.searchsorted(edges / 100 + 1e-12, cycles.depth), len(edges) - 1)
    count, full = (
        np.asarray(np.bincount(into, weights, len(edges)), dtype=np.float64)
        for weights in (cycles.count, cycles.count * cycles.depth)
    )
    return DepthHistogram(edges, count, full)
