"""Trips: the energy they take, the energy that must be on board at departure, and charging on the way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from models.drive.pace import Pace
from models.site.car import Car


@dataclass(frozen=True, slots=True)
class Trip:
    """A trip: the car leaves and comes back. A trip of 0 km is simply time unplugged.

    Attributes
    ----------
    depart_at, return_at : instants, timezone-aware; return_at is the later one.
    distance_km : total distance driven [km].
    pace : how fast it is driven.
    soc_used_percent : what it really took from the battery, of a recorded trip [%]; None if that is not known.
    """

    depart_at: datetime
    return_at: datetime
    distance_km: float
    pace: Pace = "usual"
    soc_used_percent: float | None = None


def trip_energy_kwh(car: Car, distance_km: float, factor: float = 1.0) -> float:
    """Return the energy that a trip takes from the battery, without margin [kWh].

    Parameters
    ----------
    factor : of its consumption against the usual one [-], see `models.drive`.

    Examples
    --------
    >>> car = Car(52.0, 20, 80, 16.5, 10, 20, 30, 0.60, 0.1)
    >>> trip_energy_kwh(car, 100)
    16.5
    """
    return distance_km * car.consumption_kwh_per_100km / 100 * factor


def departure_target_kwh(car: Car, distance_km: float, factor: float = 1.0) -> float:
    """Return the stored energy wanted when a trip starts [kWh].

    It is trip energy × (1 + margin) + return reserve, but at most the whole battery.

    Parameters
    ----------
    factor : of its consumption against the usual one [-].

    Examples
    --------
    >>> car = Car(52.0, 20, 80, 16.5, 10, 20, 30, 0.60, 0.1)
    >>> round(departure_target_kwh(car, 100), 2)  # 16.5 × 1.1 + 10.4
    28.55
    >>> departure_target_kwh(car, 400)
    52.0
    """
    wanted = trip_energy_kwh(car, distance_km, factor) * (1 + car.trip_margin_percent / 100) + car.return_reserve_kwh
    return min(wanted, car.battery_kwh)


def on_the_way_kwh(car: Car, distance_km: float, stored_at_departure_kwh: float, factor: float = 1.0) -> float:
    """Return the energy charged away from home before the return [kWh].

    It is what the car needs to come home with its return reserve. A trip of 0 km is only time unplugged and needs none.

    Parameters
    ----------
    factor : of its consumption against the usual one [-].

    Examples
    --------
    >>> car = Car(52.0, 20, 80, 16.5, 10, 20, 30, 0.60, 0.1)
    >>> round(on_the_way_kwh(car, 200, stored_at_departure_kwh=40.0), 2)  # 33 + 10.4 − 40
    3.4
    """
    if distance_km == 0:
        return 0.0
    short = trip_energy_kwh(car, distance_km, factor) + car.return_reserve_kwh - stored_at_departure_kwh
    return max(0.0, short)
