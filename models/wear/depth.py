"""Wear law "depth": a power of the cycle's depth, as in `models.wear.segments`.

Source: B. Xu, J. Zhao, T. Zheng, E. Litvinov and D. S. Kirschen, IEEE Transactions on Power Systems 33(2), 2018 (arXiv
1707.04567). Life lost by a full cycle of depth d is 5.24e-4 × d ** 2.03 in its case study (from memory), for cells of
lithium nickel manganese cobalt oxide. State of charge, temperature and time do not matter to it. The paper states no
range of depths.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from models.base.arrays import FloatArray
from models.wear.cycles import Cycles
from models.wear.law import LawSettings, LifeUsed, ValidRange, broadcast, linear_damage
from models.wear.segments import PowerLaw
from models.wear.soc_trace import TimeSpent


@dataclass(frozen=True, slots=True)
class DepthLaw:
    """Life by a power of depth.

    Attributes
    ----------
    power_law : coefficient and exponent.
    """

    name: ClassVar[str] = "depth"
    source: ClassVar[str] = "Xu, Zhao, Zheng, Litvinov and Kirschen, IEEE Trans. Power Systems 33(2), 2018"
    valid: ClassVar[ValidRange] = ValidRange(None, None, None)

    power_law: PowerLaw

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Share of life of one full cycle [-], shape of depth."""
        return broadcast(np.asarray(self.power_law.life_lost(depth)), depth)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Share of life of the counted cycles; none of time."""
        return LifeUsed(linear_damage(self, cycles))


def depth_law(settings: LawSettings) -> DepthLaw:
    """The law with the settings' coefficient and exponent."""
    return DepthLaw(settings.depth_law)
