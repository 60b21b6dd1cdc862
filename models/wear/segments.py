"""Battery wear: what taking a kWh out of the battery costs, by the depth of the cycle it belongs to.

Source: B. Xu, J. Zhao, T. Zheng, E. Litvinov and D. S. Kirschen, "Factoring the Cycle Aging Cost of Batteries
Participating in Electricity Markets", IEEE Transactions on Power Systems 33(2), 2018 (arXiv 1707.04567). The
battery's depth is cut into segments, each with its own price; here the segments may differ in size, since most
nights are shallow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """Life lost by one full cycle of a depth: coefficient × depth ** exponent.

    Attributes
    ----------
    coefficient : life lost by one full cycle over the whole battery [-].
    exponent : at least 1, so that deeper cycles never cost less per kWh [-].
    """

    coefficient: float
    exponent: float

    def life_lost(self, depth: float | FloatArray) -> float | FloatArray:
        """Share of the battery's life lost by one full cycle of this depth [0 to 1]."""
        return self.coefficient * depth**self.exponent


@dataclass(frozen=True, slots=True, eq=False)
class WearSegments:
    """The battery's depth in segments, the shallowest first.

    Attributes
    ----------
    size_kwh : what each segment holds [kWh], shape (segments,).
    price_per_kwh : money for a kWh taken from it, at the battery side [money per kWh], shape (segments,).
    """

    size_kwh: FloatArray
    price_per_kwh: FloatArray


def wear_segments(
    law: PowerLaw, battery_price: float, battery_kwh: float, edges_percent: Sequence[float]
) -> WearSegments:
    """Cut the battery's depth at the edges and price each segment by the law.

    Parameters
    ----------
    law : cycle-depth law.
    battery_price : money for a replacement battery [money].
    battery_kwh : usable capacity [kWh].
    edges_percent : upper edge of each segment [% of depth], rising, the last 100.

    Raises
    ------
    ValueError : edges that do not rise to 100, or an exponent under 1.
    """
    edges = np.asarray([0.0, *edges_percent]) / 100
    if not (np.all(np.diff(edges) > 0) and edges[-1] == 1.0):
        raise ValueError("segment edges must rise to 100 percent")
    if law.exponent < 1:
        raise ValueError("the depth exponent must be at least 1")
    size_kwh = np.diff(edges) * battery_kwh
    price = battery_price * np.diff(np.asarray(law.life_lost(edges))) / size_kwh
    return WearSegments(size_kwh, price)


def initial_fill_kwh(segments: WearSegments, stored_kwh: float, highest_today_kwh: float | None = None) -> FloatArray:
    """Energy in each segment before the night [kWh], shape (segments,).

    The cheapest segments are full. If today's highest stored energy is given, the segments that today's driving
    emptied start empty and the next ones hold what is left: a discharge on top of a drive deepens the same cycle.

    Raises
    ------
    ValueError : highest_today_kwh below stored_kwh.
    """
    driven = 0.0 if highest_today_kwh is None else highest_today_kwh - stored_kwh
    if driven < 0:
        raise ValueError("today's highest state of charge is below the present one")
    upper = np.cumsum(segments.size_kwh)
    lower = upper - segments.size_kwh
    fill = np.clip(driven + stored_kwh, lower, upper) - np.clip(driven, lower, upper)
    return np.asarray(np.minimum(fill, segments.size_kwh), dtype=np.float64)


def taken_from_segments_kwh(
    segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray
) -> FloatArray:
    """Energy taken from each segment in each interval [kWh], shape (n, segments).

    Energy leaves the cheapest segment that holds some and enters the cheapest that has room. In an interval with
    both (a trip charged on the way) what passes through does so by the cheapest segment, as in the program.

    Parameters
    ----------
    initial_kwh : energy in each segment at the start [kWh], shape (segments,).
    into_kwh, out_kwh : energy into and out of the battery in each interval [kWh], shape (n,). Below zero, as when
        charging does not cover the fixed loss, what goes in counts as coming out.
    """
    return _through_segments(segments, initial_kwh, into_kwh, out_kwh)[0]


def final_fill_kwh(
    segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray
) -> FloatArray:
    """Energy in each segment at the end [kWh], shape (segments,); parameters as in taken_from_segments_kwh."""
    return _through_segments(segments, initial_kwh, into_kwh, out_kwh)[1]


def _through_segments(
    segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What is taken from each segment in each interval, and what each holds at the end."""
    held = initial_kwh.copy()
    taken = np.zeros((len(out_kwh), len(held)))
    put_in, taken_out = np.maximum(into_kwh, 0.0), out_kwh + np.maximum(-into_kwh, 0.0)
    for interval, (into, out) in enumerate(zip(put_in, taken_out, strict=True)):
        if into > out:
            room = np.cumsum(segments.size_kwh - held)
            held += np.diff(np.minimum(room, into - out), prepend=0.0)
        elif out > into:
            there = np.cumsum(held)
            taken[interval] = np.diff(np.minimum(there, out - into), prepend=0.0)
            held -= taken[interval]
        taken[interval, 0] += min(into, out)
    return taken, held


def wear_cost(segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray) -> FloatArray:
    """Money for wear in each interval, shape (n,), unweighted; parameters as in taken_from_segments_kwh."""
    taken = taken_from_segments_kwh(segments, initial_kwh, into_kwh, out_kwh)
    return np.asarray(taken @ segments.price_per_kwh, dtype=np.float64)
