"""How closely two solvers have to agree on a night."""

from __future__ import annotations

import numpy as np

from scheduler.nights.night import Night
from scheduler.plans.replay import MONEY_TOLERANCE, Replayed

AGREE_KWH = 0.020
"""Optima agree to the worth of this much energy at the dearest import price [kWh]."""


def money_tolerance(night: Night) -> float:
    """Worth of the agreed energy, and what replay may round: all there is where power is free."""
    return AGREE_KWH * night.highest_price + MONEY_TOLERANCE


def weighted_on_the_way(night: Night, replayed: Replayed) -> float:
    """Energy on the way, earlier trips weighing more."""
    weights = np.arange(len(night.trips), 0, -1)
    return float(weights @ replayed.on_the_way_kwh)
