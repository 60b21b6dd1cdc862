"""The site as its folder describes it: one frozen record per table of `site.toml`."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from models.drive.pace import Pace
from models.site.car import Car
from models.site.charger import Charger
from models.site.connection import Connection
from models.wear.law import LawSettings
from models.wear.segments import PowerLaw
from scheduler.inputs.control_mode import Setting

EVENING_MINUTE = 17 * 60 + 30
"""When nights are planned unless the site says otherwise: 17:30 [minutes since midnight]."""

TRIP_NOTICE_HOURS = 12.0
SHORT_CHANCE_PERCENT = 0.5
"""How long before its departure a trip that is not as usual becomes known, unless the site says otherwise [h]."""


@dataclass(frozen=True, slots=True)
class UsualTrip:
    """A trip made every week, used when none is given for tonight.

    Attributes
    ----------
    days : days of the week on which it departs, 0 for Monday.
    depart_minute, return_minute : local clock, minutes since midnight; a return at or before the departure is on
        the next day.
    distance_km : [km]. pace : how fast it is driven.
    """

    days: frozenset[int]
    depart_minute: int
    return_minute: int
    distance_km: float
    pace: Pace = "usual"


@dataclass(frozen=True, slots=True)
class WearSettings:
    """Battery wear.

    Attributes
    ----------
    battery_price : of a replacement [money]. weight : factor on wear in the objective [-].
    segment_edges_percent : [% of depth].
    law, calendar_law : names of laws in models.wear.laws; None: calendar ageing is left out.
    depth_law, life_full_cycles : parameters of the laws "depth" and "flat"; None: the published ones.
    battery_age_years : [years]; None: not given.
    battery_temp_degc : for January to December [°C]; None: not given.
    """

    battery_price: float
    segment_edges_percent: tuple[float, ...]
    weight: float
    law: str = "depth"
    depth_law: PowerLaw | None = None
    life_full_cycles: float | None = None
    calendar_law: str | None = None
    battery_age_years: float | None = None
    battery_temp_degc: tuple[float, ...] | None = None

    @property
    def law_settings(self) -> LawSettings:
        """Return the parameters of wear laws, with defaults where nothing is given."""
        given = {
            "age_years": self.battery_age_years,
            "depth_law": self.depth_law,
            "life_full_cycles": self.life_full_cycles,
        }
        return LawSettings(**{name: value for name, value in given.items() if value is not None})  # type: ignore[arg-type]


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """How to plan.

    Attributes
    ----------
    step_minutes : length of the plan's intervals [min].
    horizon_hours : [h].
    stored_energy_price_per_kwh : worth of a kWh left at the end [money per kWh]; None: the usual one.
    evening_minute : local clock time at which a year's nights are planned [minutes since midnight].
    short_chance_percent : share of past days on which a departure may be short of its target [%].
    trip_notice_hours : how long before its departure a trip that is not as usual becomes known in a year's nights [h].
    emissions_price_per_tonne : price of the grid's emissions in the objective [money per tonne].
    """

    step_minutes: int
    horizon_hours: float
    stored_energy_price_per_kwh: float | None = None
    evening_minute: int = EVENING_MINUTE
    trip_notice_hours: float = TRIP_NOTICE_HOURS
    short_chance_percent: float = SHORT_CHANCE_PERCENT
    emissions_price_per_tonne: float = 0.0


@dataclass(frozen=True, slots=True)
class Site:
    """The building, its grid connection, car and charger; one folder with `site.toml`.

    The solar scale is a factor on the recorded solar series [-]. The file paths are absolute or
    relative to the working directory, not to the site folder.
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
    emissions_file: Path | None = None
    setting: Setting = field(default_factory=Setting)
    solar_scale: float = 1.0
