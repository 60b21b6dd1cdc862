"""The night: one planning problem, with every number that the program needs and nothing else."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.drive.factor import EXACT, Factor
from models.site.car import Car
from models.site.charger import Charger
from models.site.connection import Connection, solar_charge_limit_kw
from models.site.trips import Trip
from models.tariff.demand import DemandMonth
from models.tariff.tiers import PriceTier, Side, possible_prices
from models.wear.calendar_ageing import CalendarPrice
from models.wear.segments import WearSegments
from scheduler.inputs.control_mode import USUAL_SETTING_KWH, Setting
from scheduler.nights.stored_energy import SegmentValue, StoredEnergyValue

SCHEDULE = Setting()
"""A power for every interval."""

STORED_ENERGY_MARGIN = 1.05
"""Factor on the cost of putting a kWh back, for the worth of a kWh left in the battery; so that it is put back."""


@dataclass(frozen=True, slots=True)
class NightTrip:
    """A trip of the night, its boundaries and its energies.

    Attributes
    ----------
    trip : as entered.
    ready, depart, comeback : boundary indices, ready <= depart < comeback; the car is away in the intervals
        depart to comeback - 1.
    energy_kwh : taken from the battery, in interval comeback - 1.
    target_kwh : departure target, wanted at the boundaries ready to depart.
    consumption : factor on the car's usual consumption; energy_kwh is that of its middle, and a sample of the drive
        takes energy_kwh times a quantile over the middle.
    """

    trip: Trip
    ready: int
    depart: int
    comeback: int
    energy_kwh: float
    target_kwh: float
    consumption: Factor = EXACT


BY_ITSELF_PERCENT = 1.0
"""A block that ends this near to floor or ceiling ends there by itself, as far as a car's display tells [% of the
battery]."""
SAME_KWH = 1e-3
"""Stored energies closer than this are one [kWh]."""
UNITS_A_SECOND = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}


@dataclass(frozen=True, slots=True, eq=False)
class Night:
    """One planning problem over n intervals between n + 1 boundaries.

    Attributes
    ----------
    boundaries : UTC instants, shape (n + 1,).
    timezone : IANA name, for times that are shown.
    at_home : whether the car is plugged in during the interval, shape (n,).
    load_kw, solar_kw : means over each interval, which preserve energy [kW], shape (n,).
    import_price, export_price : price once every tier is used up, tax included [money per kWh], shape (n,).
    car, charger, connection, solar_can_be_limited : the site.
    wear : segments of the battery's depth. wear_weight : factor on wear in the objective [-].
    initial_fill_kwh : energy in each wear segment at the first boundary [kWh].
    trips : in time order, not overlapping.
    stored_now_kwh : at the first boundary [kWh]; with a car still away, on arrival.
    stored_energy : what energy left at the end is worth.
    setting : how the charger is set.
    tiers : the offer's tiers, one for each day or month in which one holds; of nested ones, the longest first.
    demand : the offer's demand charge, one for each month.
    no_grid_charging : where the offer forbids charging from the grid, shape (n,); None: nowhere.
    export_limits_kw : [kW], shape (n,); None: the connection's, everywhere.
    calendar : what calendar ageing costs per hour by stored energy, times wear_weight; None: nothing.
    segment_value : what energy left at the end is worth by how it fills the segments, where that matters; stored_energy
        then says what a kWh more or less is worth near the end that the plan is likely to have. None: stored_energy.
    grid_g_per_kwh : emissions of the grid [g per kWh], shape (n,); None: not known.
    emissions_price : what a gram costs in the objective [money per g]; import and export price contain it.
    """

    boundaries: pd.DatetimeIndex
    timezone: str
    at_home: BoolArray
    load_kw: FloatArray
    solar_kw: FloatArray
    import_price: FloatArray
    export_price: FloatArray
    car: Car
    charger: Charger
    connection: Connection
    solar_can_be_limited: bool
    wear: WearSegments
    wear_weight: float
    initial_fill_kwh: FloatArray
    trips: tuple[NightTrip, ...]
    stored_now_kwh: float
    stored_energy: StoredEnergyValue
    setting: Setting = SCHEDULE
    tiers: tuple[PriceTier, ...] = ()
    demand: tuple[DemandMonth, ...] = ()
    no_grid_charging: BoolArray | None = None
    export_limits_kw: FloatArray | None = None
    calendar: CalendarPrice | None = None
    segment_value: SegmentValue | None = None
    grid_g_per_kwh: FloatArray | None = None
    emissions_price: float = 0.0

    @property
    def hours(self) -> FloatArray:
        """Return the length of each interval [h], shape (n,)."""
        return np.asarray(np.diff(self.boundaries.asi8) / (3600 * UNITS_A_SECOND[self.boundaries.unit]))

    @property
    def hours_around(self) -> FloatArray:
        """Return half the hours before and after each boundary [h], shape (n + 1,), for means over interval ends."""
        half = self.hours / 2
        return np.asarray(np.append(half, 0.0) + np.insert(half, 0, 0.0), dtype=np.float64)

    @property
    def intervals(self) -> int:
        """Return the number of intervals, n."""
        return len(self.boundaries) - 1

    @property
    def stored_energy_price(self) -> float:
        """Return what a kWh left between floor and ceiling is worth on average [money per kWh]."""
        return self.stored_energy.mean_price(self.car.floor_kwh, self.car.ceiling_kwh)

    def price_left_at(self, stored_kwh: float) -> float:
        """Return what a kWh more or less is worth where the night ends with a stored energy [kWh] [money per kWh].

        At the floor or below it that is the kWh above the floor: those under it are not to be had.
        """
        return self.stored_energy.price_at(max(stored_kwh, self.car.floor_kwh + SAME_KWH))

    def worth_gained(self, stored_kwh: float, fill_kwh: FloatArray) -> float:
        """Return what it is worth that the night ends with a stored energy and not with what it began with [money].

        Parameters
        ----------
        stored_kwh, fill_kwh : energy in the battery, and in each wear segment [kWh], shape (segments,), at the end.
        """
        if self.segment_value is not None:
            return self.segment_value.worth(fill_kwh) - self.segment_value.worth(self.initial_fill_kwh)
        return self.stored_energy.worth(stored_kwh) - self.stored_energy.worth(self.stored_now_kwh)

    @property
    def highest_price(self) -> float:
        """Return the highest import price of the night [money per kWh], at least 0."""
        return max(0.0, float(self.possible_prices("import").max()))

    @property
    def export_limit_kw(self) -> FloatArray:
        """Return the export limit of each interval [kW], shape (n,)."""
        if self.export_limits_kw is not None:
            return self.export_limits_kw
        return np.full(self.intervals, self.connection.export_limit_kw)

    @property
    def only_solar(self) -> BoolArray:
        """Return whether charging may use only the solar surplus, shape (n,)."""
        if self.no_grid_charging is not None:
            return self.no_grid_charging
        return np.zeros(self.intervals, dtype=np.bool_)

    @property
    def most_charge_kw(self) -> FloatArray:
        """Return the highest charging power that charger and offer allow in each interval [kW], shape (n,)."""
        return solar_charge_limit_kw(self.load_kw, self.solar_kw, self.only_solar, self.charger.charge_max_kw)

    def tiers_of(self, side: Side) -> tuple[PriceTier, ...]:
        """Return the tiers of import, or of export."""
        return tuple(tier for tier in self.tiers if tier.side == side)

    def possible_prices(self, side: Side) -> FloatArray:
        """Return every price that energy may have in each interval [money per kWh], shape (number of tiers + 1, n)."""
        beyond = self.import_price if side == "import" else self.export_price
        return possible_prices(beyond, self.tiers_of(side))

    @property
    def amounts_now_change_prices_later(self) -> BoolArray:
        """Return where a tier holds whose difference changes: using it up now may change what a later kWh costs.

        There it can pay to import and export at once, or to curtail what could be exported, and constraints must forbid
        it. Shape (n,).
        """
        changes = np.zeros(self.intervals, dtype=np.bool_)
        for tier in self.tiers:
            if not tier.has_constant_difference:
                changes |= tier.holds
        return changes

    @property
    def prices_depend_on_amounts(self) -> bool:
        """Return whether the cost of an interval's energy depends on other intervals."""
        return bool(self.tiers or self.demand)

    @property
    def setting_worth(self) -> float:
        """Return what one setting by a person counts for [money]; 0 for a schedule."""
        if not self.setting.by_hand:
            return 0.0
        worth = self.setting.worth
        return USUAL_SETTING_KWH * self.highest_price if worth is None else worth

    @property
    def counts_settings(self) -> bool:
        """Return whether it matters when or how often a person sets the charger."""
        return self.setting_worth > 0 or self.setting.keeps_hours

    @property
    def is_waking(self) -> BoolArray:
        """Return whether a person may set the charger at each boundary, shape (n + 1,).

        Always now, and whenever the car comes home: then somebody plugs it in.
        """
        found = np.ones(self.intervals + 1, dtype=np.bool_)
        if self.setting.keeps_hours:
            local = self.boundaries.tz_convert(self.timezone)
            minutes = np.asarray(local.hour * 60 + local.minute)
            found[1:] = [self.setting.is_at(int(minute)) for minute in minutes[1:]]
            found[1:-1] |= self.at_home[1:] & ~self.at_home[:-1]
        return found

    @property
    def end_is_set(self) -> BoolArray:
        """Return whether a person ends a block that ends at a boundary away from floor and ceiling, shape (n + 1,).

        Not where the car departs or the night ends, nor where charger or car stop at a state of charge that was set.
        """
        found = np.zeros(self.intervals + 1, dtype=np.bool_)
        found[1:-1] = self.at_home[1:] & self.at_home[:-1] & (not self.charger.can_stop_at_percent)
        return found

    @property
    def full_from_kwh(self) -> FloatArray:
        """Return from which stored energy on charging ends by itself at each boundary [kWh], shape (n + 1,)."""
        return self.ceiling_kwh - BY_ITSELF_PERCENT / 100 * self.car.battery_kwh

    @property
    def empty_until_kwh(self) -> float:
        """Return up to which stored energy discharging ends by itself [kWh]."""
        return self.car.floor_kwh + BY_ITSELF_PERCENT / 100 * self.car.battery_kwh

    @property
    def ceiling_kwh(self) -> FloatArray:
        """Return the most stored energy that charging may lead to at each boundary [kWh], shape (n + 1,).

        This is the car's ceiling; before a trip whose departure target is higher, it is the target, from the previous
        return (or now) until departure.
        """
        ceiling = np.full(self.intervals + 1, self.car.ceiling_kwh)
        home_since = 0
        for trip in self.trips:
            before = slice(home_since, trip.depart + 1)
            ceiling[before] = np.maximum(ceiling[before], trip.target_kwh)
            home_since = trip.comeback
        return ceiling


def usual_stored_energy_price(charger: Charger, import_price: FloatArray, at_home: BoolArray) -> float:
    """Return slightly more than it costs to put a kWh back into the battery [money per kWh]; 0 if that is unknown.

    1.05 × the lowest import price above zero among intervals at home, divided by the charger's efficiency at full
    power. Without that margin a car is drained evening after evening and never refilled.

    Parameters
    ----------
    import_price : price of each interval [money per kWh], shape (n,).
    at_home : whether the car can be charged in the interval, shape (n,).
    """
    payable = import_price[at_home & (import_price > 0)]
    if len(payable) == 0:
        return 0.0
    return STORED_ENERGY_MARGIN * float(payable.min()) * charger.charge_max_kw / charger.max_into_battery_kw
