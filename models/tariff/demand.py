"""Demand charges: the highest mean import of a month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class DemandMonth:
    """The demand charge of one month, over the part of it that lies in a night of n intervals.

    Attributes
    ----------
    mean_of : number of the mean that each interval belongs to, from 0 on, shape (n,); -1 outside the window.
    price_per_kw : [money per kW], tax included.
    so_far_kw : the month's highest mean before now [kW].
    month : months since the year 0, on the local calendar.
    """

    mean_of: IntArray
    price_per_kw: float
    so_far_kw: float
    month: int = 0

    def peak_kw(self, hours: FloatArray, import_kw: FloatArray) -> float:
        """The month's highest mean, this night's included [kW]."""
        means = demand_means_kw(self.mean_of, hours, import_kw)
        return max(self.so_far_kw, float(means.max())) if len(means) else self.so_far_kw

    def cost(self, hours: FloatArray, import_kw: FloatArray) -> float:
        """What the night adds to the month's demand charge [money]."""
        return self.price_per_kw * (self.peak_kw(hours, import_kw) - self.so_far_kw)


def demand_means_kw(mean_of: IntArray, hours: FloatArray, import_kw: FloatArray) -> FloatArray:
    """Mean import over each demand interval [kW], shape (means,), over what is there of it.

    Parameters
    ----------
    mean_of : number of each row's mean, from 0 on, shape (n,); -1: none.
    hours : [h]; import_kw : [kW]; both of shape (n,).
    """
    inside = mean_of >= 0
    if not inside.any():
        return np.zeros(0)
    energy = np.bincount(mean_of[inside], weights=(hours * import_kw)[inside])
    length = np.bincount(mean_of[inside], weights=hours[inside])
    return np.asarray(energy[length > 0] / length[length > 0], dtype=np.float64)
