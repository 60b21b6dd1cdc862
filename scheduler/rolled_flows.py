"""What rolled nights leave at the meter: a table anyone can bill again, the bill, and the battery's use."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import reduce
from math import gcd

import numpy as np
import pandas as pd

from models.arrays import FloatArray, IntArray
from models.bill import Bill, GridFlows, bill
from models.calendars import public_holidays
from models.charger import out_of_battery_kwh
from scheduler.inputs import Inputs
from scheduler.outcomes import MISSED_KWH
from scheduler.plan_json import local_iso
from scheduler.rolling import RolledNight

COLUMNS = (
    "import_kwh",
    "export_kwh",
    "charge_kwh",
    "discharge_kwh",
    "load_kwh",
    "solar_kwh",
    "curtailed_kwh",
)
DECIMALS = 9


@dataclass(frozen=True, slots=True, eq=False)
class RolledFlows:
    """Rolled nights between two local midnights, over n intervals of unequal length.

    Attributes
    ----------
    start : of each interval, UTC. minutes : its length [min]. Both of shape (n,).
    energy : by name of COLUMNS [kWh], each of shape (n,).
    stored_kwh : at the end of each interval [kWh], shape (n,).
    wear_cost : unweighted [money]. on_the_way_cost : of charging away from home [money].
    out_of_battery_kwh : by discharging and driving [kWh].
    missed_departures, nights_discharged : counts.
    """

    start: pd.DatetimeIndex
    minutes: IntArray
    energy: dict[str, FloatArray]
    stored_kwh: FloatArray
    wear_cost: float
    on_the_way_cost: float
    out_of_battery_kwh: float
    missed_departures: int
    nights_discharged: int

    def grid_flows(self) -> GridFlows:
        """Import and export at a regular step, the longest that divides every interval; energy spread evenly."""
        step = reduce(gcd, self.minutes.tolist())
        parts = self.minutes // step
        within = np.concatenate([np.arange(count) for count in parts]) * step * 60
        seconds = np.repeat(self.start.as_unit("s").asi8, parts) + within
        return GridFlows(
            pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC"),
            step,
            np.repeat(self.energy["import_kwh"] / parts, parts),
            np.repeat(self.energy["export_kwh"] / parts, parts),
        )


def rolled_flows(nights: Iterable[RolledNight], first: date, last: date, timezone: str) -> RolledFlows:
    """The part of the nights that lies in the local days from first to last.

    Raises
    ------
    ValueError : the nights do not cover the days.
    """
    begin, end = (
        pd.Timestamp(day).tz_localize(timezone, ambiguous=True, nonexistent="shift_forward").tz_convert("UTC")
        for day in (first, last + timedelta(days=1))
    )
    starts: list[pd.DatetimeIndex] = []
    columns: dict[str, list[FloatArray]] = {name: [] for name in COLUMNS}
    minutes: list[FloatArray] = []
    stored: list[FloatArray] = []
    wear = on_the_way = out_kwh = 0.0
    missed = discharged = 0
    for night in nights:
        real, done, found = night.real, night.setpoints, night.replayed
        inside = np.asarray((real.boundaries[:-1] >= begin) & (real.boundaries[:-1] < end))
        starts.append(real.boundaries[:-1][inside])
        minutes.append((real.hours * 60)[inside])
        stored.append(found.stored_kwh[1:][inside])
        powers = (
            found.import_kw,
            found.export_kw,
            done.charge_kw,
            done.discharge_kw,
            real.load_kw,
            real.solar_kw,
            done.curtailed_kw,
        )
        for name, power in zip(COLUMNS, powers, strict=True):
            columns[name].append((real.hours * power)[inside])
        wear += float(found.wear_cost[inside].sum())
        out = out_of_battery_kwh(real.charger, real.hours, done.discharge_kw, done.discharge_share)
        out_kwh += float(out[inside].sum())
        discharged += bool((done.discharge_kw * inside).any())
        for number, trip in enumerate(real.trips):
            if inside[trip.comeback - 1]:
                out_kwh += trip.energy_kwh
                on_the_way += float(found.on_the_way_kwh[number]) * real.car.on_the_way_price_per_kwh
                missed += int(found.missing_kwh[number] >= MISSED_KWH)
    start = pd.DatetimeIndex(
        np.concatenate([part.as_unit("s").asi8 for part in starts]).view("datetime64[s]"), tz="UTC"
    )
    length = np.rint(np.concatenate(minutes)).astype(np.int64)
    if len(start) == 0 or start[0] != begin or start[-1] + pd.Timedelta(minutes=int(length[-1])) != end:
        raise ValueError(f"the nights do not cover the days from {first} to {last}")
    return RolledFlows(
        start=start,
        minutes=length,
        energy={name: np.concatenate(parts) for name, parts in columns.items()},
        stored_kwh=np.concatenate(stored),
        wear_cost=wear,
        on_the_way_cost=on_the_way,
        out_of_battery_kwh=out_kwh,
        missed_departures=missed,
        nights_discharged=discharged,
    )


def rolled_bill(flows: RolledFlows, inputs: Inputs, first: date, last: date) -> Bill:
    """The bill of the days, under the offer of the inputs."""
    site, offer = inputs.site, inputs.offer
    holidays: frozenset[date] = frozenset()
    if site.holiday_calendar is not None and offer.holidays_count_as is not None:
        holidays = public_holidays(site.holiday_calendar, range(first.year - 1, last.year + 2))
    return bill(offer, flows.grid_flows(), site.timezone, first, last + timedelta(days=1), holidays)


def metered_text(flows: RolledFlows, timezone: str) -> str:
    """The flows as CSV: `start, hours`, the energies and `stored_kwh`, from which anyone can bill the days again."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("start", "hours", *COLUMNS, "stored_kwh"))
    columns = [flows.minutes / 60, *(flows.energy[name] for name in COLUMNS), flows.stored_kwh]
    rounded = [np.round(column, DECIMALS) + 0.0 for column in columns]
    for row, instant in enumerate(flows.start):
        cells = [f"{column[row]:.{DECIMALS}f}" for column in rounded]
        writer.writerow((local_iso(instant.to_pydatetime(), timezone), *cells))
    return text.getvalue()
