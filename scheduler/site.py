"""The site as its folder describes it: one frozen record per table of `site.toml`."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from models.car import Car
from models.charger import Charger
from models.connection import Connection
from models.wear import PowerLaw
from scheduler.setting import Setting

EVENING_MINUTE = 17 * 60 + 30
"""When nights are planned unless the site says otherwise: half past five [min since midnight]."""


@dataclass(frozen=True, slots=True)
class UsualTrip:
    """A trip that happens every week, used when tonight names none.

    Attributes
    ----------
    days : days of the week on which it departs, 0 for Monday.
    depart_minute, return_minute : local clock, minutes since midnight; a return at or before the departure is on
        the next day.
    distance_km : [km].
    """

    days: frozenset[int]
    depart_minute: int
    return_minute: int
    distance_km: float


@dataclass(frozen=True, slots=True)
class WearSettings:
    """Battery wear: price of a replacement [money], depth law, segment edges [% of depth], weight [-]."""

    battery_price: float
    law: PowerLaw
    segment_edges_percent: tuple[float, ...]
    weight: float


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """How to plan: step [min], horizon [h], stored-energy price [money per kWh] or None for the usual one.

    `evening_minute` is the local clock time at which a year's nights are planned [min since midnight].
    """

    step_minutes: int
    horizon_hours: float
    stored_energy_price_per_kwh: float | None = None
    evening_minute: int = EVENING_MINUTE


@dataclass(frozen=True, slots=True)
class Site:
    """The building, its grid connection, car and charger; one folder with `site.toml`.

    The four file paths are absolute or relative to the working directory, not to the site folder.
    """

    folder: Path
    name: str
    timezone: str
    holiday_calendar: str | None
    connection: Connection
    car: Car
    charger: Charger
    solar_can_be_limited: bool
    wear: WearSettings
    plan: PlanSettings
    usual_trips: tuple[UsualTrip, ...]
    offer_file: Path
    load_file: Path
    solar_file: Path | None = None
    trips_file: Path | None = None
    setting: Setting = field(default_factory=Setting)
