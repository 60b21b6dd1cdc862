"""Wear law "depth": a power of the cycle's depth, as in `models.wear.segments`.

Source: B. Xu, J. Zhao, T. Zheng, E. Litvinov and D. S. Kirschen, IEEE Transactions on Power Systems 33(2), 2018 (arXiv
1707.04567). In its case study (from memory) a full cycle of depth d uses the share 5.24e-4 × d ** 2.03 of the life, for
cells of lithium nickel manganese cobalt oxide. The law does not depend on state of charge, temperature or time. The
paper states no range of depths.
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
    """A wear law by a power of depth.

    Attributes
    ----------
    power_law : coefficient and exponent.
    """

    name: ClassVar[str] = "depth"
    source: ClassVar[str] = "Xu, Zhao, Zheng, Litvinov and Kirschen, IEEE Trans. Power Systems 33(2), 2018"
    valid: ClassVar[ValidRange] = ValidRange(None, None, None)

    power_law: PowerLaw

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Return the share of the battery's life that one full cycle uses [-], shape of depth."""
        return broadcast(np.asarray(self.power_law.life_lost(depth)), depth)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Return the life that the counted cycles use; time uses none."""
        return LifeUsed(linear_damage(self, cycles))


def depth_law(settings: LawSettings) -> DepthLaw:
    """Return the law with the coefficient and the exponent of the settings.

    Examples
    --------
    >>> law = depth_law(LawSettings())
    >>> law.life_lost(np.array([1.0, 0.5]), 0.5, 25.0).round(6).tolist()
    [0.000524, 0.000128]
    """
    return DepthLaw(settings.depth_law)
