"""What flows over rolled nights: a table that anyone can bill again, the bill, and the use of the battery."""

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

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.calendars import public_holidays
from models.site.series import recorded_means
from models.tariff.bill import Bill, GridFlows, bill
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.planning_times import midnight
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.replay import battery_flows_kwh
from scheduler.rolling.simulate import RolledNight
from scheduler.textio.format import local_iso

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
FINEST_MINUTES = 5
"""The shortest interval of a meter series, which divides all that an offer counts by [min]."""
NIGHT_COLUMNS = (
    "soc_start_percent",
    "soc_end_percent",
    "charge_kwh",
    "discharge_kwh",
    "import_kwh",
    "export_kwh",
    "wear_cost",
    "planned_total",
    "on_the_way_kwh",
    "missing_kwh",
    "departures",
    "missed_departures",
    "chance_short",
)
OTHER_COLUMNS = ("minutes", "stored_kwh", "wear_cost", "on_the_way_cost", "out_of_battery_kwh")
"""Names of the arrays by interval beside `energy`."""


@dataclass(frozen=True, slots=True, eq=False)
class RolledFlows:
    """Flows of rolled nights between two local midnights, by interval (n, of unequal length) and by night.

    Attributes
    ----------
    start : start of each interval, UTC, shape (n,).
    minutes : length of each interval [min], shape (n,).
    energy : energies by name of COLUMNS [kWh], each of shape (n,).
    stored_kwh : stored energy at the end of each interval [kWh], shape (n,).
    stored_before_kwh : stored energy when the first interval begins [kWh].
    wear_cost : unweighted wear of each interval [money], shape (n,).
    on_the_way_cost : cost of charging away from home [money], shape (n,).
    out_of_battery_kwh : energy taken out by discharging and driving [kWh], shape (n,).
    night_start, night_end : start and end of each night, UTC, shape (nights,).
    night : figures of each night by name of NIGHT_COLUMNS, each of shape (nights,); `planned_total` is NaN where
        nothing was planned, `chance_short` where no chance was told.
    stored_energy_price : mean over the nights [money per kWh].
    """

    start: pd.DatetimeIndex
    minutes: IntArray
    energy: dict[str, FloatArray]
    stored_kwh: FloatArray
    stored_before_kwh: float
    wear_cost: FloatArray
    on_the_way_cost: FloatArray
    out_of_battery_kwh: FloatArray
    night_start: pd.DatetimeIndex
    night_end: pd.DatetimeIndex
    night: dict[str, FloatArray]
    stored_energy_price: float

    @property
    def missed_departures(self) -> int:
        """Return the number of trips that began below their departure target."""
        return int(self.night["missed_departures"].sum())

    @property
    def nights_discharged(self) -> int:
        """Return the number of nights in which the car discharged."""
        return int((self.night["discharge_kwh"] > 0).sum())

    @property
    def self_consumed_solar_kwh(self) -> float:
        """Return the solar energy that the building or the car used at once [kWh]."""
        energy = self.energy
        made = energy["solar_kwh"] - energy["curtailed_kwh"]
        return float(np.minimum(made, energy["load_kwh"] + energy["charge_kwh"]).sum())

    def grid_flows(self) -> GridFlows:
        """Return import and export in equal intervals, as long as divides every interval; energy is spread evenly."""
        minutes = reduce(gcd, self.minutes.tolist())
        parts = self.minutes // minutes
        within = np.concatenate([np.arange(count) for count in parts]) * minutes * 60
        seconds = np.repeat(self.start.as_unit("s").asi8, parts) + within
        return GridFlows(
            pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC"),
            minutes,
            np.repeat(self.energy["import_kwh"] / parts, parts),
            np.repeat(self.energy["export_kwh"] / parts, parts),
        )


def rolled_flows(nights: Iterable[RolledNight], first: date, last: date, timezone: str) -> RolledFlows:
    """Return the flows of the nights within the local days from `first` to `last`; a trip that ends later is left out.

    Raises
    ------
    ValueError : the nights do not cover the days.
    """
    begin, end = (pd.Timestamp(midnight(day, timezone)) for day in (first, last + timedelta(days=1)))
    starts: list[pd.DatetimeIndex] = []
    parts: dict[str, list[FloatArray]] = {name: [] for name in (*COLUMNS, *OTHER_COLUMNS)}
    table: dict[str, list[float]] = {name: [] for name in NIGHT_COLUMNS}
    spans: list[tuple[pd.Timestamp, pd.Timestamp]] = []
    prices: list[float] = []
    before_kwh = 0.0
    for night in nights:
        inside = np.asarray((night.real.boundaries[:-1] >= begin) & (night.real.boundaries[:-1] < end))
        if not starts:
            before_kwh = night.real.stored_now_kwh
        starts.append(night.real.boundaries[:-1][inside])
        for name, column in _columns(night).items():
            parts[name].append(column[inside])
        for name, value in _night_row(night, inside).items():
            table[name].append(value)
        spans.append((night.real.boundaries[0], min(night.real.boundaries[-1], end)))
        prices.append(night.real.stored_energy_price)  # what a refill costs, whatever the policy looks ahead to
    start = _instants([instant for part in starts for instant in part.as_unit("s").asi8.tolist()])
    columns = {name: np.concatenate(arrays) if arrays else np.zeros(0) for name, arrays in parts.items()}
    length = np.rint(columns["minutes"]).astype(np.int64)
    if len(start) == 0 or start[0] != begin or start[-1] + pd.Timedelta(minutes=int(length[-1])) != end:
        raise ValueError(f"the nights do not cover the days from {first} to {last}")
    return RolledFlows(
        start=start,
        minutes=length,
        energy={name: columns[name] for name in COLUMNS},
        stored_kwh=columns["stored_kwh"],
        stored_before_kwh=before_kwh,
        wear_cost=columns["wear_cost"],
        on_the_way_cost=columns["on_the_way_cost"],
        out_of_battery_kwh=columns["out_of_battery_kwh"],
        night_start=_instants([int(span[0].timestamp()) for span in spans]),
        night_end=_instants([int(span[1].timestamp()) for span in spans]),
        night={name: np.array(values) for name, values in table.items()},
        stored_energy_price=float(np.mean(prices)),
    )


def _instants(seconds: list[int]) -> pd.DatetimeIndex:
    """Return UTC instants from seconds since 1970."""
    return pd.DatetimeIndex(np.array(seconds, dtype="datetime64[s]"), tz="UTC")


def _columns(night: RolledNight) -> dict[str, FloatArray]:
    """Return what is kept of a night by interval, by name of COLUMNS and OTHER_COLUMNS, each of shape (n,)."""
    real, done, found = night.real, night.setpoints, night.replayed
    powers = (
        found.import_kw,
        found.export_kw,
        done.charge_kw,
        done.discharge_kw,
        real.load_kw,
        real.solar_kw,
        done.curtailed_kw,
    )
    columns = {name: real.hours * power for name, power in zip(COLUMNS, powers, strict=True)}
    _, out = battery_flows_kwh(real, done, found.on_the_way_kwh)
    on_the_way = np.zeros(real.intervals)
    for number, trip in enumerate(real.trips):
        on_the_way[trip.comeback - 1] += found.on_the_way_kwh[number] * real.car.on_the_way_price_per_kwh
    others = (real.hours * 60, found.stored_kwh[1:], found.wear_cost, on_the_way, out)
    return columns | dict(zip(OTHER_COLUMNS, others, strict=True))


def _night_row(night: RolledNight, inside: BoolArray) -> dict[str, float]:
    """Return the figures of a night by name of NIGHT_COLUMNS, as far as it lies inside the days."""
    real, done, found = night.real, night.setpoints, night.replayed
    trips = [number for number, trip in enumerate(real.trips) if inside[trip.comeback - 1]]
    hours = real.hours * inside
    planned = None if night.expected is None else night.expected.costs
    return {
        "soc_start_percent": real.car.percent(real.stored_now_kwh),
        "soc_end_percent": real.car.percent(float(found.stored_kwh[1:][inside][-1])),
        "charge_kwh": float(hours @ done.charge_kw),
        "discharge_kwh": float(hours @ done.discharge_kw),
        "import_kwh": float(hours @ found.import_kw),
        "export_kwh": float(hours @ found.export_kw),
        "wear_cost": float(found.wear_cost[inside].sum()),
        "planned_total": float("nan") if planned is None else planned.total - planned.settings,
        "on_the_way_kwh": float(sum(found.on_the_way_kwh[number] for number in trips)),
        "missing_kwh": float(sum(found.missing_kwh[number] for number in trips)),
        "departures": float(len(trips)),
        "missed_departures": float(sum(found.missing_kwh[number] >= MISSED_KWH for number in trips)),
        "chance_short": night.chance_short,
    }


def rolled_bill(flows: RolledFlows, inputs: Inputs, first: date, last: date) -> Bill:
    """Return the bill of the days under the offer of the inputs."""
    return _billed(flows.grid_flows(), inputs, first, last)


def building_bill(inputs: Inputs, first: date, last: date) -> float:
    """Return the bill of the days for load less solar as they were recorded, without the car [money]."""
    timezone, load, solar = inputs.site.timezone, inputs.load, inputs.recorded_solar
    begin, end = (pd.Timestamp(midnight(day, timezone)) for day in (first, last + timedelta(days=1)))
    boundaries = pd.date_range(begin, end, freq=f"{FINEST_MINUTES}min").tz_convert("UTC")
    net_kwh = recorded_means(load, boundaries) * FINEST_MINUTES / 60
    if solar is not None:
        net_kwh = net_kwh - recorded_means(solar, boundaries) * FINEST_MINUTES / 60
    metered = GridFlows(
        boundaries[:-1].as_unit("s"), FINEST_MINUTES, np.maximum(net_kwh, 0.0), np.maximum(-net_kwh, 0.0)
    )
    return _billed(metered, inputs, first, last).total


def _billed(flows: GridFlows, inputs: Inputs, first: date, last: date) -> Bill:
    site, offer = inputs.site, inputs.offer
    holidays: frozenset[date] = frozenset()
    if site.holiday_calendar is not None and offer.holidays_count_as is not None:
        holidays = public_holidays(site.holiday_calendar, range(first.year - 1, last.year + 2))
    return bill(offer, flows, site.timezone, first, last + timedelta(days=1), holidays)


def metered_text(flows: RolledFlows, timezone: str) -> str:
    """Return the flows as CSV text: `start`, `hours`, the energies and `stored_kwh`, to bill the days again from."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("start", "hours", *COLUMNS, "stored_kwh"))
    columns = [flows.minutes / 60, *(flows.energy[name] for name in COLUMNS), flows.stored_kwh]
    rounded = [np.round(column, DECIMALS) + 0.0 for column in columns]
    for row, instant in enumerate(flows.start):
        cells = [f"{column[row]:.{DECIMALS}f}" for column in rounded]
        writer.writerow((local_iso(instant.to_pydatetime(), timezone), *cells))
    return text.getvalue()
