"""What energy left in the battery is worth at the end of a night: a concave function of stored energy."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import numpy as np

from models.base.arrays import FloatArray

UseKind = Literal["covers", "sells", "charges-less"]
"""Energy left covers the building, is sold, or need not be charged again."""


@dataclass(frozen=True, slots=True)
class EnergyUse:
    """What gives energy left its worth.

    Attributes
    ----------
    kind : what is done with it.
    price_per_kwh : the price that this spares or earns [money per kWh].
    at : when it first does, UTC.
    """

    kind: UseKind
    price_per_kwh: float
    at: datetime


@dataclass(frozen=True, slots=True, eq=False)
class StoredEnergyValue:
    """Worth of stored energy, in straight pieces from an empty battery up, none steeper than one before.

    Above the last piece, a kWh more is worth nothing.

    Attributes
    ----------
    width_kwh : width of each piece [kWh], shape (pieces,), each above 0.
    price_per_kwh : what a kWh in each piece is worth [money per kWh], shape (pieces,), none above the one before.
    uses : what most of each piece's worth comes from, where that was looked for, one for each piece.

    Examples
    --------
    >>> value = StoredEnergyValue(np.array([10.0, 30.0]), np.array([0.30, 0.12]))
    >>> round(value.worth(20.0), 6)
    4.2
    >>> value.price_at(20.0)
    0.12
    """

    width_kwh: FloatArray
    price_per_kwh: FloatArray
    uses: tuple[EnergyUse | None, ...] = ()

    def __post_init__(self) -> None:
        """Refuse pieces without width, and prices that rise.

        Raises
        ------
        ValueError : the function is not concave, or its pieces are not pieces.
        """
        if len(self.width_kwh) == 0 or len(self.width_kwh) != len(self.price_per_kwh) or (self.width_kwh <= 0).any():
            raise ValueError("the value of stored energy needs pieces wider than 0, each with a price")
        if (np.diff(self.price_per_kwh) > 0).any():
            raise ValueError("the value of stored energy must be concave: no kWh may be worth more than the one before")

    @property
    def edges_kwh(self) -> FloatArray:
        """Return where the pieces begin and end [kWh], shape (pieces + 1,)."""
        return np.concatenate([[0.0], np.cumsum(self.width_kwh)])

    def worth(self, stored_kwh: float) -> float:
        """Return what a stored energy [kWh] is worth [money]."""
        return float(self.worths(np.array([stored_kwh]))[0])

    def worths(self, stored_kwh: FloatArray) -> FloatArray:
        """Return what stored energies [kWh] are worth [money], of their shape."""
        edges = self.edges_kwh
        worth = np.concatenate([[0.0], np.cumsum(self.width_kwh * self.price_per_kwh)])
        return np.asarray(np.interp(stored_kwh, edges, worth))

    def price_at(self, stored_kwh: float) -> float:
        """Return what the kWh below a stored energy [kWh] is worth [money per kWh]."""
        return float(self.price_per_kwh[self._piece(stored_kwh)])

    def use_at(self, stored_kwh: float) -> EnergyUse | None:
        """Return what the kWh below a stored energy [kWh] is worth something for; None if that is not known."""
        return self.uses[self._piece(stored_kwh)] if self.uses else None

    def _piece(self, stored_kwh: float) -> int:
        """Return the number of the piece that holds the kWh below a stored energy [kWh]."""
        piece = int(np.searchsorted(self.edges_kwh[1:], stored_kwh - 1e-4))
        return min(piece, len(self.price_per_kwh) - 1)

    def mean_price(self, least_kwh: float, most_kwh: float) -> float:
        """Return the mean worth of a kWh between two stored energies [money per kWh]."""
        if most_kwh - least_kwh < 1e-9:
            return self.price_at(most_kwh)
        return (self.worth(most_kwh) - self.worth(least_kwh)) / (most_kwh - least_kwh)

    def scaled(self, factor: float) -> StoredEnergyValue:
        """Return the value with every price multiplied by a factor."""
        return replace(self, price_per_kwh=self.price_per_kwh * factor)


@dataclass(frozen=True, slots=True, eq=False)
class SegmentValue:
    """Worth of stored energy by how it fills the wear segments: the least of some planes, and so concave.

    Attributes
    ----------
    constant : height of each plane at an empty battery [money], shape (planes,).
    price_per_kwh : its slope in the energy of each segment [money per kWh], shape (planes, segments).

    Examples
    --------
    A kWh in the first of two segments is worth 0.2, and 0.1 in the second; nothing is worth more than 3:

    >>> value = SegmentValue(np.array([0.0, 3.0]), np.array([[0.2, 0.1], [0.0, 0.0]]))
    >>> value.worth(np.array([5.0, 10.0])), value.worth(np.array([10.0, 20.0]))
    (2.0, 3.0)
    """

    constant: FloatArray
    price_per_kwh: FloatArray

    def worth(self, fill_kwh: FloatArray) -> float:
        """Return what energy in the segments [kWh] is worth [money], shape (segments,)."""
        return float((self.constant + self.price_per_kwh @ fill_kwh).min())

    def scaled(self, factor: float) -> SegmentValue:
        """Return the value with all of its money multiplied by a factor."""
        return SegmentValue(self.constant * factor, self.price_per_kwh * factor)

    def limits(self, size_kwh: FloatArray) -> tuple[float, float]:
        """Return what the worth lies between, whatever is in segments of these sizes [kWh] [money]."""
        low, high = (part(self.price_per_kwh, 0.0) @ size_kwh for part in (np.minimum, np.maximum))
        return float((self.constant + low).min()), float((self.constant + high).max())


def one_price(price_per_kwh: float, ceiling_kwh: float) -> StoredEnergyValue:
    """Return the value of stored energy where every kWh up to the ceiling is worth the same.

    Parameters
    ----------
    price_per_kwh : worth of a kWh [money per kWh].
    ceiling_kwh : stored energy from which on a kWh more is worth nothing [kWh].
    """
    return StoredEnergyValue(np.array([ceiling_kwh]), np.array([price_per_kwh]))
