"""Nights put together by hand, plain enough to follow with pencil and paper; all figures are invented.

`flat_night()` is eight hours from Monday 2 March 2026, 18:00 in Dublin (winter time, so local time is UTC): the car
is home at 50 %, the building draws 1 kW, nothing changes and nothing is lost. A test changes what it is about:

    flat_night(import_price=[0.40] * 3 + [0.10] * 5, load_kw=2.0, trips=[Drive(depart=6, comeback=8, distance_km=100)])

A battery of 50 kWh makes a percent half a kWh: floor 10 kWh, ceiling 40 kWh; 100 km take 20 kWh.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.site.car import Car
from models.site.charger import Charger
from models.site.connection import Connection
from models.site.trips import Trip, departure_target_kwh, trip_energy_kwh
from models.wear.segments import WearSegments, initial_fill_kwh
from scheduler.nights.night import Night, NightTrip
from scheduler.nights.stored_energy import StoredEnergyValue, one_price
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers

START = datetime(2026, 3, 2, 18, 0, tzinfo=UTC)
DUBLIN = "Europe/Dublin"

PLAIN_CAR = Car(
    battery_kwh=50.0,
    floor_percent=20,
    ceiling_percent=80,
    consumption_kwh_per_100km=20.0,
    trip_margin_percent=0,
    return_reserve_percent=20,
    ready_minutes_before=60,
    on_the_way_price_per_kwh=0.6,
    outside_window_factor=0.1,
)
PLAIN_CHARGER = Charger(
    charge_min_kw=1.0,
    charge_max_kw=7.0,
    discharge_min_kw=1.0,
    discharge_max_kw=7.0,
    charge_efficiency_percent=100,
    discharge_efficiency_percent=100,
    fixed_loss_kw=0.0,
    discharge_to="building-and-grid",
    start_worth_kwh=0.1,
    volts=230,
    phases=1,
)
PLAIN_CONNECTION = Connection(import_limit_kw=14.0, export_limit_kw=5.0)

Each = float | Sequence[float]
"""One value for every interval, or one for each."""


@dataclass(frozen=True, slots=True)
class Drive:
    """A trip by its boundaries; ready one boundary before it departs unless given."""

    depart: int
    comeback: int
    distance_km: float = 50.0
    ready: int | None = None


def plain_car(**changes: Any) -> Car:
    """The plain car, changed."""
    return replace(PLAIN_CAR, **changes)


def plain_charger(**changes: Any) -> Charger:
    """The plain charger, changed."""
    return replace(PLAIN_CHARGER, **changes)


def flat_night(
    intervals: int = 8,
    *,
    start: datetime = START,
    hours: Each = 1.0,
    timezone: str = DUBLIN,
    load_kw: Each = 1.0,
    solar_kw: Each = 0.0,
    import_price: Each = 0.30,
    export_price: Each = 0.05,
    trips: Sequence[Drive] = (),
    home_from: int = 0,
    soc_percent: float = 50.0,
    highest_soc_percent: float | None = None,
    stored_energy_price: float = 0.15,
    stored_energy: StoredEnergyValue | None = None,
    wear_price_per_kwh: float = 0.02,
    wear: WearSegments | None = None,
    wear_weight: float = 1.0,
    solar_can_be_limited: bool = False,
    car: Car = PLAIN_CAR,
    charger: Charger = PLAIN_CHARGER,
    connection: Connection = PLAIN_CONNECTION,
) -> Night:
    """A night of so many intervals, the plain one unless a keyword says otherwise.

    Parameters
    ----------
    hours, load_kw, solar_kw, import_price, export_price : one value, or one for each interval; hours in whole minutes.
    home_from : the car is away before this boundary.
    wear_price_per_kwh : of one segment for the whole battery; or `wear`, other segments.
    """
    minutes = np.rint(_each(hours, intervals) * 60)
    offsets = pd.to_timedelta(np.concatenate([[0.0], np.cumsum(minutes)]), unit="min")
    boundaries = (pd.Timestamp(start) + offsets).as_unit("s")
    at_home = np.arange(intervals) >= home_from
    for drive in trips:
        at_home[drive.depart : drive.comeback] = False
    segments = wear or WearSegments(np.array([car.battery_kwh]), np.array([wear_price_per_kwh]))
    stored = car.kwh(soc_percent)
    highest = None if highest_soc_percent is None else car.kwh(highest_soc_percent)
    return Night(
        boundaries=boundaries,
        timezone=timezone,
        at_home=at_home,
        load_kw=_each(load_kw, intervals),
        solar_kw=_each(solar_kw, intervals),
        import_price=_each(import_price, intervals),
        export_price=_each(export_price, intervals),
        car=car,
        charger=charger,
        connection=connection,
        solar_can_be_limited=solar_can_be_limited,
        wear=segments,
        wear_weight=wear_weight,
        initial_fill_kwh=initial_fill_kwh(segments, stored, highest),
        trips=tuple(_night_trip(drive, boundaries, car, home_from) for drive in trips),
        stored_now_kwh=stored,
        stored_energy=stored_energy or one_price(stored_energy_price, car.ceiling_kwh),
    )


def powers(night: Night, *setpoint_kw: float) -> Setpoints:
    """Setpoints from signed powers [kW], positive for charging; the intervals that are left out are idle."""
    signed = np.zeros(night.intervals)
    signed[: len(setpoint_kw)] = setpoint_kw
    charge, discharge = np.maximum(signed, 0.0), np.maximum(-signed, 0.0)
    return setpoints_from_powers(
        night, charge, discharge, (charge > 0).astype(np.float64), (discharge > 0).astype(np.float64)
    )


def _each(value: Each, intervals: int) -> FloatArray:
    return np.array(np.broadcast_to(np.asarray(value, dtype=np.float64), (intervals,)))


def _night_trip(drive: Drive, boundaries: pd.DatetimeIndex, car: Car, home_from: int) -> NightTrip:
    leaves, returns = (boundaries[at].to_pydatetime() for at in (drive.depart, drive.comeback))
    return NightTrip(
        trip=Trip(leaves, returns, drive.distance_km),
        ready=max(home_from, drive.depart - 1) if drive.ready is None else drive.ready,
        depart=drive.depart,
        comeback=drive.comeback,
        energy_kwh=trip_energy_kwh(car, drive.distance_km),
        target_kwh=departure_target_kwh(car, drive.distance_km),
    )
