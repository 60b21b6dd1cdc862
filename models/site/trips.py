"""Trips: what a drive takes, what must be on board for it, and what is charged on the way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from models.site.car import Car

KM_PER_MILE = 1.609344
"""International mile [km]: 1.609 344 km exactly (NIST Special Publication 811, appendix B.8)."""


@dataclass(frozen=True, slots=True)
class Trip:
    """The car leaves and comes back; 0 km is simply time unplugged.

    Attributes
    ----------
    depart_at, return_at : instants, timezone-aware; return_at is later than depart_at.
    distance_km : distance driven in all [km].
    """

    depart_at: datetime
    return_at: datetime
    distance_km: float


def trip_energy_kwh(car: Car, distance_km: float) -> float:
    """Energy that a trip takes from the battery [kWh], without margin."""
    return distance_km * car.consumption_kwh_per_100km / 100


def departure_target_kwh(car: Car, distance_km: float) -> float:
    """Stored energy wanted when a trip starts [kWh].

    Trip energy × (1 + margin) + return reserve, at most the whole battery.
    """
    wanted = trip_energy_kwh(car, distance_km) * (1 + car.trip_margin_percent / 100) + car.return_reserve_kwh
    return min(wanted, car.battery_kwh)


def on_the_way_kwh(car: Car, distance_km: float, stored_at_departure_kwh: float) -> float:
    """Energy charged away from home before the return [kWh].

    So much that the car comes home with its return reserve; nothing for a trip of 0 km, which is only time
    unplugged.
    """
    if distance_km == 0:
        return 0.0
    short = trip_energy_kwh(car, distance_km) + car.return_reserve_kwh - stored_at_departure_kwh
    return max(0.0, short)
