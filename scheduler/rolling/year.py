"""Rolled days for use from Python: the bill, the total cost, and tables of nights and intervals."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from models.tariff.bill import Bill
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.known_trips import trips_kind
from scheduler.nights.request import ForecastKind, TripsKind
from scheduler.rolling.flows import RolledFlows, rolled_bill
from scheduler.rolling.period import days_to_roll
from scheduler.rolling.run import RolledRun, roll
from scheduler.rolling.simulate import Policy


@dataclass(frozen=True, slots=True, eq=False)
class Year:
    """Any number of local days: each night planned, its plan followed, and the energy billed.

    Attributes
    ----------
    inputs : the site, its series and offer.
    first, last : local days, both included.
    flows : energies, stored energy and costs by interval and by night.
    bill : the bill of the energy at the meter.
    trips : which trips each plan expected, "usual" or "recorded".
    """

    inputs: Inputs = field(repr=False)
    first: date
    last: date
    flows: RolledFlows = field(repr=False)
    bill: Bill = field(repr=False)
    trips: TripsKind = "recorded"

    @property
    def cash(self) -> float:
        """Return the bill plus charging on the way [money]."""
        return self.bill.total + float(self.flows.on_the_way_cost.sum())

    @property
    def wear_cost(self) -> float:
        """Return the unweighted wear [money]."""
        return float(self.flows.wear_cost.sum())

    @property
    def stored_energy(self) -> float:
        """Return the worth of the energy that the battery gained, at the nights' mean stored-energy price [money]."""
        gained_kwh = float(self.flows.stored_kwh[-1]) - self.flows.stored_before_kwh
        return gained_kwh * self.flows.stored_energy_price

    @property
    def in_all(self) -> float:
        """Return the total: cash + wear_cost - stored_energy [money]."""
        return self.cash + self.wear_cost - self.stored_energy

    @property
    def discharged_kwh(self) -> float:
        """Return the AC energy that the car discharged at home [kWh]."""
        return float(self.flows.energy["discharge_kwh"].sum())

    @property
    def nights(self) -> pd.DataFrame:
        """Return one row per night, by its start in local time: energies [kWh], states of charge [%], wear [money]."""
        start = self.flows.night_start.tz_convert(self.inputs.site.timezone)
        return pd.DataFrame(self.flows.night, index=start.rename("night_start"))

    @property
    def intervals(self) -> pd.DataFrame:
        """Return one row per interval, by its local start: length [h], energies and stored energy at its end [kWh]."""
        flows = self.flows
        start = flows.start.tz_convert(self.inputs.site.timezone)
        columns = {"hours": flows.minutes / 60, **flows.energy, "stored_kwh": flows.stored_kwh}
        return pd.DataFrame(columns, index=start.rename("start"))


def rolled_year(
    inputs: Inputs,
    first_day: str | date | None,
    last_day: str | date | None,
    policy: Policy,
    forecast: ForecastKind,
    soc_percent: float | None,
    trips: TripsKind | None = None,
) -> Year:
    """Roll the days: plan each night, follow its plan, and bill the energy.

    Parameters
    ----------
    inputs : the site, its series and offer.
    first_day, last_day : local days, both included; None for as far as the series go.
    policy : how the car is used.
    forecast : what each plan knows; `recorded` is perfect foresight.
    soc_percent : state of charge when the first day begins [%]; None for the ceiling.
    trips : which trips each plan expects; None for usual ones where the site has some.

    Raises
    ------
    InputFaults : the series do not cover the days.
    NoPlanError, PlanRefused : as for a plan.
    """
    first, last = days_to_roll([inputs], first_day, last_day)
    soc = inputs.site.car.ceiling_percent if soc_percent is None else soc_percent
    kind = trips_kind(inputs.site, trips, forecast)
    flows = roll(RolledRun(inputs.offer.name, inputs, first, last, soc, forecast, policy, kind))
    return Year(inputs, first, last, flows, rolled_bill(flows, inputs, first, last), kind)
