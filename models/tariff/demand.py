"""Demand charges: a price on the highest mean import of a month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class DemandMonth:
    """The demand charge of one month, for the part of the month within a night of n intervals.

    Attributes
    ----------
    mean_of : number of the demand interval that each interval belongs to, from 0, shape (n,); -1 outside the window.
    price_per_kw : price of the month's highest mean, discount and taxes included, over all the months in which it is
        billed [money per kW].
    so_far_kw : the highest mean before now that is billed in any case [kW].
    month : months since the year 0, on the local calendar.
    charge : number of the demand charge among the offer's.
    billed_months : number of months in which a highest mean is billed.

    Examples
    --------
    Four half hours, two to a demand interval; the month's highest mean so far is 3 kW:

    >>> month = DemandMonth(np.array([0, 0, 1, 1]), 6.0, so_far_kw=3.0)
    >>> half_hours, draw = np.full(4, 0.5), np.array([2.0, 3.0, 5.0, 4.0])
    >>> month.peak_kw(half_hours, draw), month.cost(half_hours, draw)
    (4.5, 9.0)
    """

    mean_of: IntArray
    price_per_kw: float
    so_far_kw: float
    month: int = 0
    charge: int = 0
    billed_months: int = 1

    def peak_kw(self, hours: FloatArray, import_kw: FloatArray) -> float:
        """Return the month's highest mean, this night included [kW].

        Parameters
        ----------
        hours : length of each interval [h], shape (n,).
        import_kw : mean import in each interval [kW], shape (n,).
        """
        means = demand_means_kw(self.mean_of, hours, import_kw)
        return max(self.so_far_kw, float(means.max())) if len(means) else self.so_far_kw

    def cost(self, hours: FloatArray, import_kw: FloatArray) -> float:
        """Return what the night adds to the month's demand charge [money]; parameters as in peak_kw."""
        return self.price_per_kw * (self.peak_kw(hours, import_kw) - self.so_far_kw)


def demand_means_kw(mean_of: IntArray, hours: FloatArray, import_kw: FloatArray) -> FloatArray:
    """Return the mean import over each demand interval, or over the part of it that is covered.

    Parameters
    ----------
    mean_of : number of the demand interval that each row belongs to, from 0, shape (n,); -1 for none.
    hours : length of each row [h], shape (n,).
    import_kw : mean import in each row [kW], shape (n,).

    Returns
    -------
    Means [kW], one for each demand interval with a row.

    Examples
    --------
    >>> demand_means_kw(np.array([-1, 0, 0]), np.array([1.0, 0.25, 0.25]), np.array([9.0, 2.0, 4.0])).tolist()
    [3.0]
    """
    inside = mean_of >= 0
    if not inside.any():
        return np.zeros(0)
    energy = np.bincount(mean_of[inside], weights=(hours * import_kw)[inside])
    length = np.bincount(mean_of[inside], weights=hours[inside])
    return np.asarray(energy[length > 0] / length[length > 0], dtype=np.float64)
