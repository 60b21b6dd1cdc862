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
    "ready_soonest",
)
"""Each is exact before the next."""
ABOVE_CEILING = 10.0
"""What an hour of a kWh above the ceiling weighs beside a kWh that is charged an hour later: nothing is charged above
the ceiling sooner than it need be for the sake of being ready."""


def charger_start_worth(night: Night) -> float:
    """Return the money that one start counts for."""
    return night.charger.start_worth_kwh * night.highest_price


def hours_waited(night: Night) -> FloatArray:
    """Return how many hours a kWh waits that is charged, or discharged, in each interval, shape (n,).

    To the middle of the interval. Charged early, the car is ready with time to spare before the drive.
    """
    return np.asarray(np.cumsum(night.hours) - night.hours / 2, dtype=np.float64)


def tier_ends(tier: PriceTier) -> list[int]:
    """Return the intervals at whose end the energy within a tier is a variable.

    That is the last interval in which the tier holds, or each of them where the price differs from one to the next.
    """
    held = [int(t) for t in np.flatnonzero(tier.holds)]
    if not held or tier.left_kwh <= 0 or not tier.difference[held].any():
        return []
    return held[-1:] if tier.has_constant_difference else held


def favours_energy_within(tier: PriceTier) -> bool:
    """Return whether the least cost puts as much energy within the tier as it may by itself."""
    here = tier.difference[tier.holds]
    return tier.has_constant_difference and bool((here < 0 if tier.side == "import" else here > 0).all())


def most_energy_kwh(night: Night, tier: PriceTier) -> FloatArray:
    """Return the most energy that can count towards the tier until the end of each interval [kWh], shape (n,)."""
    if tier.side == "import":
        most = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
    else:
        most = night.export_limit_kw
    return np.asarray(np.cumsum(night.hours * most * tier.holds), dtype=np.float64)
