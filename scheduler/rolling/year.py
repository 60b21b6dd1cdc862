"""Rolled days as one would ask of them from Python: the bill, what it comes to, and tables of nights and intervals."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

import pandas as pd

from models.tariff.bill import Bill
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import ForecastKind
from scheduler.rolling.flows import RolledFlows, rolled_bill
from scheduler.rolling.period import days_to_roll
from scheduler.rolling.run import RolledRun, roll
from scheduler.rolling.simulate import Policy


@dataclass(frozen=True, slots=True, eq=False)
class Year:
    """Local days, each night of which was planned, carried out and billed; a year or any other stretch.

    Attributes
    ----------
    inputs : the site, its series and offer. first, last : local days, both included.
    flows : what went where, by interval and by night. bill : from the meter.
    """

    inputs: Inputs = field(repr=False)
    first: date
    last: date
    flows: RolledFlows = field(repr=False)
    bill: Bill = field(repr=False)

    @property
    def cash(self) -> float:
        """Bill and charging on the way [money]."""
        return self.bill.total + float(self.flows.on_the_way_cost.sum())

    @property
    def wear_cost(self) -> float:
        """Unweighted [money]."""
        return float(self.flows.wear_cost.sum())

    @property
    def stored_energy(self) -> float:
        """Worth of what the battery gained, at the mean stored-energy price of the nights [money]."""
        gained_kwh = float(self.flows.stored_kwh[-1]) - self.flows.stored_before_kwh
        return gained_kwh * self.flows.stored_energy_price

    @property
    def in_all(self) -> float:
        """cash + wear_cost - stored_energy [money]."""
        return self.cash + self.wear_cost - self.stored_energy

    @property
    def discharged_kwh(self) -> float:
        """AC energy out of the car at home [kWh]."""
        return float(self.flows.energy["discharge_kwh"].sum())

    @property
    def nights(self) -> pd.DataFrame:
        """One row a night, by its start in local time: energies [kWh], states of charge [%], wear [money]."""
        start = self.flows.night_start.tz_convert(self.inputs.site.timezone)
        return pd.DataFrame(self.flows.night, index=start.rename("night_start"))

    @property
    def intervals(self) -> pd.DataFrame:
        """One row an interval, by its start in local time: its hours, energies and stored energy at its end [kWh]."""
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
) -> Year:
    """Roll the days; None for as far as the series go, and for a car that begins at its ceiling.

    Raises
    ------
    InputFaults : days that the series do not cover. NoPlanError, PlanRefused : of a night.
    """
    first, last = days_to_roll([inputs], first_day, last_day)
    soc = inputs.site.car.ceiling_percent if soc_percent is None else soc_percent
    flows = roll(RolledRun(inputs.offer.name, inputs, first, last, soc, forecast, policy))
    return Year(inputs, first, last, flows, rolled_bill(flows, inputs, first, last))
