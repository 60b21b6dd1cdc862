"""Wear law "flat": every kWh out of the battery costs the same.

Source: W. Kempton and J. Tomić, "Vehicle-to-grid power fundamentals: Calculating capacity and net revenue", Journal of
Power Sources 144, 2005 (figures from memory). Wear per kWh is the battery's price divided by its lifetime throughput,
which is the number of cycles in a life times their depth times the capacity: 2000 cycles of 80 % of 27.4 kWh are
43 840 kWh, for a nickel metal hydride battery. Throughput is the energy out of the battery. The law does not depend on
depth, state of charge, temperature or time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from models.base.arrays import FloatArray
from models.wear.cycles import Cycles
from models.wear.law import LawSettings, LifeUsed, ValidRange, broadcast, linear_damage
from models.wear.soc_trace import TimeSpent


@dataclass(frozen=True, slots=True)
class FlatLaw:
    """A wear law by throughput.

    Attributes
    ----------
    life_full_cycles : lifetime throughput in equivalent full cycles [-].
    """

    name: ClassVar[str] = "flat"
    source: ClassVar[str] = "Kempton and Tomić, J. Power Sources 144, 2005"
    valid: ClassVar[ValidRange] = ValidRange(None, None, None)

    life_full_cycles: float

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Return the share of the battery's life that one full cycle uses [-], shape of depth."""
        return broadcast(np.asarray(depth / self.life_full_cycles), depth)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Return the life that the counted cycles use; time uses none."""
        return LifeUsed(linear_damage(self, cycles))


def flat_law(settings: LawSettings) -> FlatLaw:
    """Return the law with the lifetime throughput of the settings.

    Examples
    --------
    A battery of 27.4 kWh for 9890 costs 9890 / 43 840 = 0.2256 per kWh (Kempton and Tomić 2005):

    >>> full_cycle = flat_law(LawSettings()).life_lost(np.array([1.0]), 0.5, 25.0)
    >>> round(9890 * float(full_cycle[0]) / 27.4, 4)
    0.2256
    """
    return FlatLaw(settings.life_full_cycles)
