"""The full-horizon optimum: a whole period at once with perfect knowledge, and a bound that no rolled policy undercuts.

The period is the one that `rolled_nights` rolls: the same state at its start, the recorded load, solar, prices and
trips, the same limits, wear carried through, and the same costs as in each night's program. Only foresight differs. The
plan found is carried out night by night and replayed as every rolled policy is, so that its total is a real one.

Totals here are those that a program minimises: the bill, charging on the way and unweighted wear, less what the energy
gained is worth, and besides what the owner pays nobody for but the program avoids, starts and time outside the window.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray
from scheduler.inputs.site_file import SITE_FILE
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.planning_times import midnight, trips_between, trips_overlapping
from scheduler.nights.request import LOOK_AHEAD, Request
from scheduler.nights.stored_energy import StoredEnergyValue
from scheduler.nights.todays_cycle import with_todays_cycle
from scheduler.nights.wear_prices import WearTonight, wear_tonight
from scheduler.optimizer.certificate.period_bound import Period, bound_period
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.dispatch import follow_plan
from scheduler.plans.replay import PlanRefused, verify_constraints
from scheduler.rolling.emissions import KG_A_TONNE, rolled_emissions
from scheduler.rolling.flows import RolledFlows, rolled_bill, rolled_flows
from scheduler.rolling.run import flows_content, flows_from_content
from scheduler.rolling.simulate import (
    CarryOver,
    RolledNight,
    carry_over_from,
    planning_times,
    recorded_until,
    with_state,
)
from scheduler.textio.array_cache import load_arrays, save_arrays
from scheduler.textio.errors import single_fault
from scheduler.textio.fingerprint import fingerprint, program_fingerprint

MOST_PERIOD_INTERVALS = 20_000
"""Most intervals of a period that is bounded at once: a year of half hours."""
WEIGHT = 1.0
"""Factor on wear in every total here, whatever weight the plans are made with."""
_NUMBERS = ("bound", "gap", "highest_price")
_VALUE = ("width_kwh", "price_per_kwh")


@dataclass(frozen=True, slots=True, eq=False)
class FullHorizon:
    """The full-horizon plan of a period and its bound.

    Attributes
    ----------
    flows : of the best plan found.
    gap : by how much the total of that plan exceeds the bound [money].
    bound : no policy that sets the charger once an interval, and serves the trips as well, has a lower total [money].
    part_bound : nor one that may stop inside an interval, a lower total than this; None: not known.
    relaxed : whether the bound is that of a linear relaxation, as where tiers or a demand charge hold.
    highest_price : of the period; starts and time outside the window are counted at it [money per kWh].
    stored_energy : what energy left at the end is worth, in this plan and in every policy's total.
    """

    flows: RolledFlows
    bound: float
    gap: float
    part_bound: float | None
    relaxed: bool
    highest_price: float
    stored_energy: StoredEnergyValue

    def total(self, flows: RolledFlows, inputs: Inputs, first: date, last: date) -> float:
        """Return the total of any policy over the period, as the bound counts it [money]."""
        bill = rolled_bill(flows, inputs, first, last).total
        worth = self.stored_energy.worth
        gained = worth(float(flows.stored_kwh[-1])) - worth(flows.stored_before_kwh)
        paid = bill + float(flows.on_the_way_cost.sum()) + WEIGHT * float(flows.wear_cost.sum())
        emissions = rolled_emissions(inputs, flows)
        if emissions is not None:
            paid += inputs.site.plan.emissions_price_per_tonne * emissions.net_kg / KG_A_TONNE
        return paid + self.soft_cost(flows, inputs) - gained

    def soft_cost(self, flows: RolledFlows, inputs: Inputs) -> float:
        """Return what starts and time outside the window count for [money]."""
        site, starts, outside = inputs.site, starts_of(flows), outside_window_kwh_hours(flows, inputs)
        return self.highest_price * (starts * site.charger.start_worth_kwh + site.car.outside_window_factor * outside)


@dataclass(frozen=True, slots=True, eq=False)
class FullHorizonRun:
    """A period to bound.

    Attributes
    ----------
    name : what it is called in messages. inputs : the site, its series and one offer. first, last : local days.
    soc_percent : state of charge when the first day begins [%].
    """

    name: str
    inputs: Inputs
    first: date
    last: date
    soc_percent: float

    @property
    def nights(self) -> int:
        """Return the number of nights of the period."""
        return len(planning_times(self.inputs, self.first, self.last)) - 1

    def key(self) -> str:
        """Return a hash of everything that decides the result, the source of the tool included."""
        inputs = self.inputs
        content = (inputs.site, inputs.offer, inputs.load, inputs.solar, inputs.recorded_trips)
        asked = ("full horizon", self.first, self.last, self.soc_percent)
        return fingerprint(content, asked, program_fingerprint())

    def do(self, tick: Callable[[], None]) -> FullHorizon:
        """Return the period's plan and bound; `tick` is called for each night, once all are done."""
        return full_horizon(self.inputs, self.first, self.last, self.soc_percent, tick=tick)

    @staticmethod
    def save(result: FullHorizon, key: str, file: Path) -> None:
        """Write a result into its file, whole or not at all.

        Raises
        ------
        NotWrittenError : nothing was written.
        """
        numbers: dict[str, object] = {name: getattr(result, name) for name in _NUMBERS}
        part = float("nan") if result.part_bound is None else result.part_bound
        content = {**flows_content(result.flows), "part_bound": part, "relaxed": result.relaxed}
        value = {f"value.{name}": getattr(result.stored_energy, name) for name in _VALUE}
        save_arrays({**content, **value, **{f"period.{name}": each for name, each in numbers.items()}}, key, file)

    @staticmethod
    def load(key: str, file: Path) -> FullHorizon | None:
        """Return a saved result; None if there is none, or if it was saved under another key or is damaged."""
        content = load_arrays(key, file)
        if content is None:
            return None
        try:
            part = float(content["part_bound"])
            numbers = {name: float(content[f"period.{name}"]) for name in _NUMBERS}
            flows, relaxed = flows_from_content(content), bool(content["relaxed"])
            value = StoredEnergyValue(content["value.width_kwh"], content["value.price_per_kwh"])
            found = FullHorizon(flows, part_bound=part, relaxed=relaxed, stored_energy=value, **numbers)
            return replace(found, part_bound=None) if np.isnan(part) else found
        except (KeyError, ValueError, TypeError):
            return None


def full_horizon(
    inputs: Inputs,
    first: date,
    last: date,
    soc_percent: float,
    stored_energy: StoredEnergyValue | None = None,
    may_discharge: bool = True,
    tick: Callable[[], None] = lambda: None,
) -> FullHorizon:
    """Return the optimum of the local days from `first` to `last` at once, with perfect knowledge, and its bound.

    Parameters
    ----------
    soc_percent : state of charge when `first` begins, or on the return from a trip that is then under way [%].
    stored_energy : what energy left at the end is worth; None: by the days that follow, as at the end of one night.
    may_discharge : whether the car gives energy.
    tick : called for each night, once all are done.

    Raises
    ------
    InputFaults : a series does not cover the days, or the period has more than MOST_PERIOD_INTERVALS intervals.
    NoPlanError, PlanRefused : as for a plan.
    """
    period = period_of(inputs, first, last, soc_percent, stored_energy)
    night = period.night
    found = bound_period(period, may_discharge)
    nights = []
    for each in _carried_out(inputs, first, last, soc_percent, night, found.setpoints):
        nights.append(each)
        tick()
    site = inputs.site
    flows = replace(rolled_flows(nights, first, last, site.timezone), stored_energy_price=night.stored_energy_price)
    nothing = replace(flows, energy={name: np.zeros_like(column) for name, column in flows.energy.items()})
    fees = rolled_bill(nothing, inputs, first, last).total
    part = None if found.part_bound is None else found.part_bound + fees
    whole = FullHorizon(flows, found.bound + fees, 0.0, part, found.relaxed, night.highest_price, night.stored_energy)
    return replace(whole, gap=max(0.0, whole.total(flows, inputs, first, last) - whole.bound))


def starts_of(flows: RolledFlows) -> int:
    """Return how often the charger starts to charge or to discharge."""
    return _starts(flows.energy["charge_kwh"] > 0) + _starts(flows.energy["discharge_kwh"] > 0)


def outside_window_kwh_hours(flows: RolledFlows, inputs: Inputs) -> float:
    """Return for how much energy and how long the car at home is outside its floor and ceiling [kWh × h]."""
    car = inputs.site.car
    outside = np.maximum(0.0, car.floor_kwh - flows.stored_kwh) + np.maximum(0.0, flows.stored_kwh - car.ceiling_kwh)
    return float((flows.minutes / 60 * outside)[_at_home(flows, inputs)].sum())


def period_of(
    inputs: Inputs, first: date, last: date, soc_percent: float, stored_energy: StoredEnergyValue | None = None
) -> Period:
    """Return the days as one problem with perfect knowledge; parameters and faults as for `full_horizon`."""
    site, times = inputs.site, planning_times(inputs, first, last)
    now, until = times[0], times[-1]
    away = [trip.return_at for trip in trips_overlapping(inputs, now, now)]
    asked = Request(
        now=now,
        soc_percent=soc_percent,
        trips=trips_between(inputs, now, until),
        home_at=max(away, default=None),
        wear_weight=WEIGHT,
        forecast="recorded",
        until=until,
        boundaries=tuple(times[1:-1]),
        peak_of_charge_kw=dict.fromkeys(range(len(inputs.offer.demand_charges)), 0.0),
        imported_so_far_kwh={},
        exported_so_far_kwh={},
        later_trips=trips_between(inputs, until, until + LOOK_AHEAD),
        whole_period=True,
    )
    asked = with_todays_cycle(asked, inputs, recorded=True)
    night = _until(build_night(inputs, asked)[0], pd.Timestamp(midnight(last + timedelta(days=1), site.timezone)))
    if night.intervals > MOST_PERIOD_INTERVALS:
        raise single_fault(
            site.folder / SITE_FILE,
            f"the period has {night.intervals} intervals; expected up to {MOST_PERIOD_INTERVALS} for its full-horizon "
            "bound; give fewer days or a longer step_minutes",
            key="plan.step_minutes",
        )
    demand = tuple(
        replace(month, price_per_kw=month.price_per_kw / month.billed_months * _billed_share(month.month, first, last))
        for month in night.demand  # of months that a charge looks back on, each bears its own: the bound stays one
    )
    night = replace(night, demand=demand)
    if stored_energy is None:
        night = with_look_ahead(inputs, asked, night, until=recorded_until(inputs), by_segment=False)
    else:
        night = replace(night, stored_energy=stored_energy)
    starts = [time for time in times[:-1] if pd.Timestamp(time) < night.boundaries[-1]]
    begun = [pd.Timestamp(time) for time in starts]
    wear = _wear_by_night(inputs, starts)
    return Period(
        night,
        np.asarray(np.searchsorted(night.boundaries.asi8, pd.DatetimeIndex(begun).as_unit(night.boundaries.unit).asi8)),
        np.stack([each.segments.price_per_kwh for each in wear]),
        tuple(each.calendar for each in wear),
        site.car.discharge_limit_kwh,
    )


def _billed_share(month: int, first: date, last: date) -> float:
    """Return the share of a month's days that is billed, to which its demand charge is in proportion [0 to 1].

    Parameters
    ----------
    month : its year × 12 + its number from 1.
    """
    begins = date((month - 1) // 12, (month - 1) % 12 + 1, 1)
    following = (begins + timedelta(days=32)).replace(day=1)
    days = (min(following, last + timedelta(days=1)) - max(begins, first)).days
    return max(0, days) / (following - begins).days


def _wear_by_night(inputs: Inputs, starts: list[datetime]) -> list[WearTonight]:
    """Return the wear prices of nights that begin at these instants: those of the local month."""
    found: dict[tuple[int, int], WearTonight] = {}
    nights = []
    for start in starts:
        local = pd.Timestamp(start).tz_convert(inputs.site.timezone)
        month = local.year, local.month
        if month not in found:
            found[month] = wear_tonight(inputs.site, start)
        nights.append(found[month])
    return nights


def _until(night: Night, end: pd.Timestamp) -> Night:
    """Return the night until an instant, one of its boundaries; a trip then under way takes no energy before it."""
    count = int(night.boundaries.searchsorted(end))
    if count >= night.intervals:
        return night
    within = slice(0, count)
    trips = tuple(
        trip if trip.comeback <= count else replace(trip, comeback=count, energy_kwh=0.0)
        for trip in night.trips
        if trip.depart < count
    )
    banned, limits = night.no_grid_charging, night.export_limits_kw
    return replace(
        night,
        boundaries=night.boundaries[: count + 1],
        at_home=night.at_home[within],
        load_kw=night.load_kw[within],
        solar_kw=night.solar_kw[within],
        import_price=night.import_price[within],
        export_price=night.export_price[within],
        trips=trips,
        tiers=tuple(
            replace(tier, holds=tier.holds[within], difference=tier.difference[within])
            for tier in night.tiers
            if tier.holds[within].any()
        ),
        demand=tuple(
            replace(month, mean_of=month.mean_of[within])
            for month in night.demand
            if (month.mean_of[within] >= 0).any()
        ),
        grid_g_per_kwh=None if night.grid_g_per_kwh is None else night.grid_g_per_kwh[within],
        no_grid_charging=None if banned is None else banned[within],
        export_limits_kw=None if limits is None else limits[within],
    )


def _carried_out(
    inputs: Inputs, first: date, last: date, soc_percent: float, period: Night, setpoints: Setpoints
) -> Iterator[RolledNight]:
    """Yield the nights of a period as its setpoints make them, each replayed and checked as a rolled night is."""
    site, times = inputs.site, planning_times(inputs, first, last)
    carry_over = CarryOver(site.car.kwh(soc_percent))
    begins = period.boundaries.as_unit("s").asi8
    for now, following in pairwise(times):
        inside = (period.boundaries > pd.Timestamp(now)) & (period.boundaries < pd.Timestamp(following))
        away = [trip.return_at for trip in trips_overlapping(inputs, now, now)]
        happened = Request(
            now=now,
            soc_percent=site.car.percent(carry_over.stored_kwh),
            trips=trips_between(inputs, now, following),
            home_at=max(away, default=None),
            wear_weight=WEIGHT,
            forecast="recorded",
            until=following,
            boundaries=tuple(instant.to_pydatetime() for instant in period.boundaries[inside]),
        )
        if carry_over.fill_kwh is None:
            happened = with_todays_cycle(happened, inputs, recorded=True)
        real = with_state(build_night(inputs, happened)[0], carry_over)
        at = np.searchsorted(begins[1:], real.boundaries[:-1].as_unit("s").asi8, side="right")
        known = at < period.intervals  # the car is away afterwards
        at = np.minimum(at, period.intervals - 1)
        asked = Setpoints(
            *(
                np.where(known, column[at], 0.0)
                for column in (
                    setpoints.charge_kw,
                    setpoints.discharge_kw,
                    setpoints.charge_share,
                    setpoints.discharge_share,
                    setpoints.curtailed_kw,
                )
            )
        )
        try:
            night = RolledNight(real, None, None, real, asked, verify_constraints(real, asked))
        except PlanRefused:  # by a rounding error: then it is followed as far as a charger would
            done = follow_plan(real, real, asked, ())
            night = RolledNight(real, None, None, real, done, verify_constraints(real, done))
        yield night
        carry_over = carry_over_from(night, carry_over)


def _starts(running: BoolArray) -> int:
    """Return how often the charger starts; it is idle before the first interval."""
    return int(np.sum(running & ~np.concatenate([[False], running[:-1]])))


def _at_home(flows: RolledFlows, inputs: Inputs) -> BoolArray:
    """Return whether the car is at home in each interval of flows, shape (n,)."""
    end = flows.start[-1] + pd.Timedelta(minutes=int(flows.minutes[-1]))
    home = np.ones(len(flows.start), dtype=np.bool_)
    for trip in trips_overlapping(inputs, flows.start[0].to_pydatetime(), end.to_pydatetime()):
        away = (flows.start >= pd.Timestamp(trip.depart_at)) & (flows.start < pd.Timestamp(trip.return_at))
        home &= ~np.asarray(away)
    return home
