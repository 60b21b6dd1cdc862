"""Wear in segments: the price of taking a kWh out of the battery, by the depth of the cycle that it belongs to.

Source: B. Xu, J. Zhao, T. Zheng, E. Litvinov and D. S. Kirschen, "Factoring the Cycle Aging Cost of Batteries
Participating in Electricity Markets", IEEE Transactions on Power Systems 33(2), 2018 (arXiv 1707.04567). The battery's
depth is cut into segments, each with its own price. Unlike in the source the segments may differ in size, since the
cycles of most nights are shallow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class PowerLaw:
    """The life that a full cycle uses as a power of its depth: coefficient × depth ** exponent.

    Attributes
    ----------
    coefficient : share of the life that a full cycle of the whole battery uses [-].
    exponent : at least 1, so that deeper cycles never cost less per kWh [-].

    Examples
    --------
    >>> round(PowerLaw(5.24e-4, 2.0).life_lost(0.5), 6)
    0.000131
    """

    coefficient: float
    exponent: float

    def life_lost(self, depth: float | FloatArray) -> float | FloatArray:
        """Return the share of the battery's life that a full cycle of a depth [0 to 1] uses [-], shape of depth."""
        return self.coefficient * depth**self.exponent


@dataclass(frozen=True, slots=True, eq=False)
class WearSegments:
    """The segments of the battery's depth, the shallowest first.

    Attributes
    ----------
    size_kwh : energy that each segment can hold [kWh], shape (segments,).
    price_per_kwh : cost of a kWh taken from each, at the battery side [money per kWh], shape (segments,).
    """

    size_kwh: FloatArray
    price_per_kwh: FloatArray


def wear_segments(
    law: PowerLaw, battery_price: float, battery_kwh: float, edges_percent: Sequence[float]
) -> WearSegments:
    """Cut the battery's depth at the edges and price each segment by the law.

    Parameters
    ----------
    law : coefficient and exponent of the wear law.
    battery_price : price of a replacement battery [money].
    battery_kwh : usable capacity [kWh].
    edges_percent : upper edge of each segment, rising to 100 [% of depth].

    Raises
    ------
    ValueError : the edges do not rise to 100, or the exponent is under 1.

    Examples
    --------
    >>> segments = wear_segments(PowerLaw(5e-4, 2.0), 8000.0, 40.0, [50, 100])
    >>> segments.size_kwh.tolist(), segments.price_per_kwh.round(3).tolist()
    ([20.0, 20.0], [0.05, 0.15])
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
    """Return the energy in each segment before the night [kWh], shape (segments,).

    The cheapest segments are full. If today's highest stored energy is given, the segments that today's driving has
    emptied start empty and the next ones hold the stored energy, since a discharge after a drive deepens the same
    cycle.

    Parameters
    ----------
    segments : sizes of the segments.
    stored_kwh : energy in the battery now [kWh].
    highest_today_kwh : highest stored energy of today [kWh]; None to ignore today's driving.

    Raises
    ------
    ValueError : highest_today_kwh is below stored_kwh.

    Examples
    --------
    >>> segments = wear_segments(PowerLaw(5e-4, 2.0), 8000.0, 40.0, [25, 50, 75, 100])
    >>> initial_fill_kwh(segments, 15.0).tolist()
    [10.0, 5.0, 0.0, 0.0]
    >>> initial_fill_kwh(segments, 15.0, highest_today_kwh=27.0).tolist()
    [0.0, 8.0, 7.0, 0.0]
    """
    driven = 0.0 if highest_today_kwh is None else highest_today_kwh - stored_kwh
    if driven < 0:
        raise ValueError("today's highest state of charge is below the present one")
    upper = np.cumsum(segments.size_kwh)
    lower = upper - segments.size_kwh
    fill = np.clip(driven + stored_kwh, lower, upper) - np.clip(driven, lower, upper)
    return np.asarray(np.minimum(fill, segments.size_kwh), dtype=np.float64)


def fill_after_kwh(segments: WearSegments, states_kwh: Sequence[float]) -> FloatArray:
    """Return the energy in each segment after the battery went through some states [kWh], shape (segments,).

    Parameters
    ----------
    segments : sizes of the segments.
    states_kwh : stored energy where charging and discharging took turns, in order, at least one [kWh]; the cheapest
        segments are full at the first.

    Examples
    --------
    Down from 30 to 10 kWh, up to 15 and down to 12 kWh: a cycle of 3 kWh within one of 20 kWh.

    >>> segments = wear_segments(PowerLaw(5e-4, 2.0), 8000.0, 40.0, [25, 50, 75, 100])
    >>> fill_after_kwh(segments, [30.0, 10.0, 15.0, 12.0]).tolist()
    [2.0, 0.0, 10.0, 0.0]
    """
    moves = np.diff(np.asarray(states_kwh, dtype=np.float64))
    full = initial_fill_kwh(segments, states_kwh[0])
    return final_fill_kwh(segments, full, np.maximum(moves, 0.0), np.maximum(-moves, 0.0))


def taken_from_segments_kwh(
    segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray
) -> FloatArray:
    """Return the energy taken from each segment in each interval.

    Energy leaves the cheapest segment that is not empty and enters the cheapest one that is not full. In an interval
    with both (a trip charged on the way) the energy that passes through uses the cheapest segment, as in the program.

    Parameters
    ----------
    segments : sizes of the segments.
    initial_kwh : energy in each segment at the start [kWh], shape (segments,).
    into_kwh, out_kwh : energy into and out of the battery in each interval [kWh], each of shape (n,). Negative energy
        into it, as when charging does not cover the fixed loss, counts as energy out of it.

    Returns
    -------
    Energy [kWh], shape (n, segments).

    Examples
    --------
    >>> segments = wear_segments(PowerLaw(5e-4, 2.0), 8000.0, 40.0, [50, 100])
    >>> full, nothing = initial_fill_kwh(segments, 40.0), np.zeros(2)
    >>> taken_from_segments_kwh(segments, full, nothing, np.array([12.0, 12.0])).tolist()
    [[12.0, 0.0], [8.0, 4.0]]
    """
    return through_segments_kwh(segments, initial_kwh, into_kwh, out_kwh)[0]


def final_fill_kwh(
    segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray
) -> FloatArray:
    """Return the energy in each segment at the end [kWh], shape (segments,); parameters as in taken_from_segments_kwh.

    Examples
    --------
    >>> segments = wear_segments(PowerLaw(5e-4, 2.0), 8000.0, 40.0, [50, 100])
    >>> full, nothing = initial_fill_kwh(segments, 40.0), np.zeros(2)
    >>> final_fill_kwh(segments, full, nothing, np.array([12.0, 12.0])).tolist()
    [0.0, 16.0]
    """
    return through_segments_kwh(segments, initial_kwh, into_kwh, out_kwh)[1]


def through_segments_kwh(
    segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the energy taken from each segment in each interval, and that in each at the end, as the two above.

    Returns
    -------
    Energies [kWh], shapes (n, segments) and (segments,).

    Examples
    --------
    >>> segments = wear_segments(PowerLaw(5e-4, 2.0), 8000.0, 40.0, [50, 100])
    >>> full, nothing = initial_fill_kwh(segments, 40.0), np.zeros(2)
    >>> taken, left = through_segments_kwh(segments, full, nothing, np.array([12.0, 12.0]))
    >>> taken.tolist(), left.tolist()
    ([[12.0, 0.0], [8.0, 4.0]], [0.0, 16.0])
    """
    size, held = segments.size_kwh.tolist(), initial_kwh.tolist()
    put_in, taken_out = np.maximum(into_kwh, 0.0), out_kwh + np.maximum(-into_kwh, 0.0)
    taken = np.zeros((len(out_kwh), len(held)))
    taken[:, 0] = np.minimum(put_in, taken_out)
    change = put_in - taken_out
    moving = np.flatnonzero(change)
    for interval, left in zip(moving.tolist(), np.abs(change[moving]).tolist(), strict=True):
        charges = bool(change[interval] > 0)
        for segment, kwh in enumerate(held):
            most = size[segment] - kwh if charges else kwh
            part = left if left < most else most
            if part <= 0:
                continue
            if charges:
                held[segment] = kwh + part
            else:
                held[segment] = kwh - part
                taken[interval, segment] += part
            left -= part
            if left <= 0:
                break
    return taken, np.array(held)


def wear_cost(segments: WearSegments, initial_kwh: FloatArray, into_kwh: FloatArray, out_kwh: FloatArray) -> FloatArray:
    """Return the cost of wear in each interval, without the wear weight; parameters as in taken_from_segments_kwh.

    Returns
    -------
    Cost [money], shape (n,).

    Examples
    --------
    20 kWh out of a full battery of 40 kWh at 150 per kWh, with segments of 10 %:

    >>> segments = wear_segments(PowerLaw(5.24e-4, 2.03), 6000.0, 40.0, [10, 20, 30, 40, 50, 60, 70, 80, 90, 100])
    >>> cost = wear_cost(segments, initial_fill_kwh(segments, 40.0), np.zeros(1), np.array([20.0]))
    >>> cost.round(3).tolist()
    [0.77]
    """
    taken = taken_from_segments_kwh(segments, initial_kwh, into_kwh, out_kwh)
    return np.asarray(taken @ segments.price_per_kwh, dtype=np.float64)
