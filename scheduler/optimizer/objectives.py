"""What the reference and the compact formulation share: the objectives in their order, and what follows from an offer.

Neither imports the other, so that planning a night needs no Pyomo.
"""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray
from models.site.connection import import_cap_kw
from models.tariff.tiers import PriceTier
from scheduler.nights.night import Night

OBJECTIVES = (
    "least_on_the_way",
    "least_missing_at_departure",
    "least_missing_when_ready",
    "least_money",
    "least_change",
    "charge_late_discharge_early",
)
"""Each is exact before the next."""


def charger_start_worth(night: Night) -> float:
    """Return the money that one start counts for."""
    return night.charger.start_worth_kwh * night.highest_price


def step_ends(step: PriceTier) -> list[int]:
    """Return the intervals at whose end the energy within a tier is a variable.

    That is the last interval in which the tier holds, or each of them where the price differs from one to the next.
    """
    held = [int(t) for t in np.flatnonzero(step.holds)]
    if not held or step.left_kwh <= 0 or not step.difference[held].any():
        return []
    return held[-1:] if step.has_constant_difference else held


def favours_energy_within(step: PriceTier) -> bool:
    """Return whether the least cost puts as much energy within the tier as it may by itself."""
    here = step.difference[step.holds]
    return step.has_constant_difference and bool((here < 0 if step.side == "import" else here > 0).all())


def most_energy_kwh(night: Night, step: PriceTier) -> FloatArray:
    """Return the most energy that can count towards the tier until the end of each interval [kWh], shape (n,)."""
    if step.side == "import":
        most = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
    else:
        most = night.export_limit_kw
    return np.asarray(np.cumsum(night.hours * most * step.holds), dtype=np.float64)
