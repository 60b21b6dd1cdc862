"""Wear law "flat": each kWh out of the battery costs the same.

Source: W. Kempton and J. Tomić, "Vehicle-to-grid power fundamentals: Calculating capacity and net revenue", Journal of
Power Sources 144, 2005 (figures from memory): wear per kWh is the battery's price over its lifetime throughput, which
is cycles in a life times their depth times the capacity; 2000 cycles of 80 % of 27.4 kWh are 43 840 kWh; the battery
meant is one of nickel metal hydride. Throughput is energy out of the battery. Depth, state of charge and temperature do
not matter to it, nor does time.
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
    """Life by throughput.

    Attributes
    ----------
    life_full_cycles : lifetime throughput in equivalent full cycles [-].
    """

    name: ClassVar[str] = "flat"
    source: ClassVar[str] = "Kempton and Tomić, J. Power Sources 144, 2005"
    valid: ClassVar[ValidRange] = ValidRange(None, None, None)

    life_full_cycles: float

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Share of life of one full cycle [-], shape of depth."""
        return broadcast(np.asarray(depth / self.life_full_cycles), depth)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Share of life of the counted cycles; none of time."""
        return LifeUsed(linear_damage(self, cycles))


def flat_law(settings: LawSettings) -> FlatLaw:
    """The law at the settings' lifetime throughput."""
    return FlatLaw(settings.life_full_cycles)
