"""A settled night: what a night really came to, beside what it would have come to without the plan.

Amounts of a night are rounded to the currency's minor unit once, when it is settled, so that totals are the sums of
what is shown. Its flows by interval are exact.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, Literal

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray, IntArray
from scheduler.record.database import change, told
from scheduler.record.store import Record, instant, seconds

Way = Literal["plan", "charge-on-return", "charge-only"]
"""How the car was used: as the plan said, or as it would have been without it."""
WAYS: tuple[Way, ...] = ("plan", "charge-on-return", "charge-only")


@dataclass(frozen=True, slots=True)
class SettledNight:
    """A night as it was carried out, and the same real night otherwise, from the same state of charge.

    Money is in the offer's currency; wear is unweighted, of cycles and calendar ageing together.

    Attributes
    ----------
    begin, end : of the night, UTC: from the evening's first plan to the next evening's, or to the end of the plan where
        that begins many hours later or not at all.
    was_set : whether the owner said that the plan, or its last revision, was set; where it was not, the night is
        settled as if it was, and is told apart.
    cost : grid, charging on the way, wear, and the value of energy by which the battery ended emptier [money].
    cost_on_return, cost_charge_only : the same if the car had been charged on return, or charged at the best times and
        never discharged [money].
    grid_cost : what the grid alone came to, import less export [money].
    wear, wear_low, wear_high : by the site's wear law, and the least and most by any [money].
    imported_kwh, exported_kwh, charged_kwh, discharged_kwh : energies [kWh].
    load_kwh, solar_kwh, load_forecast_kwh, solar_forecast_kwh : as they were, and as the plan had them [kWh].
    departures, short : how many, and how many of them began below their target.
    chance_short : the chance that was told that any is short [-]; None where none was told.
    soc_begin_percent, soc_end_percent : as carried out [%].
    soc_told_percent : at the end, as the owner told it [%]; None where it was not told.
    why : what made the night good or bad, a sentence.
    on_the_way_cost : charging away from home [money].
    stored_energy : worth of the energy by which the battery ended fuller than it began, taken off the cost [money].
    earned_low, earned_high : the least and the most that `earned_on_return` comes to by any wear law [money].
    earned_only_low, earned_only_high : the same of `earned_charge_only` [money].
    offer, currency : the offer's name, and the currency of all money.
    """

    begin: datetime
    end: datetime
    was_set: bool
    cost: float
    cost_on_return: float
    cost_charge_only: float
    grid_cost: float
    wear: float
    wear_low: float
    wear_high: float
    imported_kwh: float
    exported_kwh: float
    charged_kwh: float
    discharged_kwh: float
    load_kwh: float
    solar_kwh: float
    load_forecast_kwh: float
    solar_forecast_kwh: float
    departures: int
    short: int
    chance_short: float | None
    soc_begin_percent: float
    soc_end_percent: float
    soc_told_percent: float | None
    why: str
    on_the_way_cost: float = 0.0
    stored_energy: float = 0.0
    earned_low: float = 0.0
    earned_high: float = 0.0
    earned_only_low: float = 0.0
    earned_only_high: float = 0.0
    offer: str = ""
    currency: str = ""

    @property
    def earned_on_return(self) -> float:
        """Return what the night cost less than if the car had been charged on return [money]."""
        return self.cost_on_return - self.cost

    @property
    def earned_charge_only(self) -> float:
        """Return what the night cost less than if the car had only been charged, at the best times [money]."""
        return self.cost_charge_only - self.cost


@dataclass(frozen=True, slots=True, eq=False)
class NightFlows:
    """What flowed in a settled night, one way, over n intervals of unequal length.

    Attributes
    ----------
    start : start of each interval, UTC, shape (n,). minutes : their lengths [min], shape (n,).
    columns : by name of FLOW_COLUMNS, each of shape (n,); stored_kwh is at the end of the interval.
    """

    start: pd.DatetimeIndex
    minutes: IntArray
    columns: Mapping[str, FloatArray]


FLOW_COLUMNS = (
    "import_kwh",
    "export_kwh",
    "charge_kwh",
    "discharge_kwh",
    "load_kwh",
    "solar_kwh",
    "curtailed_kwh",
    "stored_kwh",
    "import_cost",
    "export_credit",
    "demand_cost",
    "wear_cost",
    "on_the_way_cost",
)
"""Energies [kWh] and money of an interval; each sum of money is exact."""


def settled_nights(record: Record) -> list[SettledNight]:
    """Return the settled nights of a record, in time order."""
    with told(record.file):
        rows = record.connection.execute("SELECT * FROM nights ORDER BY begin_s").fetchall()
    return [_night(row) for row in rows]


def settled_from(record: Record) -> dict[datetime, str]:
    """Return what each settled night was settled from, as `keep_settled` was told, by its begin."""
    with told(record.file):
        rows = record.connection.execute("SELECT begin_s, settled_from FROM nights").fetchall()
    return {instant(row["begin_s"]): row["settled_from"] for row in rows}


def night_flows(record: Record, begin: datetime, way: Way = "plan") -> NightFlows:
    """Return what flowed in the settled night that begins at an instant; no intervals if there is no such night."""
    return flows_between(record, way, begin, None, night=begin)


def flows_between(
    record: Record,
    way: Way,
    begin: datetime | None = None,
    end: datetime | None = None,
    *,
    night: datetime | None = None,
) -> NightFlows:
    """Return what flowed one way in the intervals that start in a span, in time order; None: without limit.

    Parameters
    ----------
    night : only in the night that begins then; None for all.
    """
    where, values = ["way = ?"], [way]
    for condition, at in (("start_s >= ?", begin), ("start_s < ?", end), ("night_s = ?", night)):
        if at is not None:
            where.append(condition)
            values.append(seconds(at))  # type: ignore[arg-type]
    names = ", ".join(("start_s", "minutes", *FLOW_COLUMNS))
    with told(record.file):
        rows = record.connection.execute(
            f"SELECT {names} FROM flows WHERE {' AND '.join(where)} ORDER BY start_s", values
        ).fetchall()
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(len(rows), 2 + len(FLOW_COLUMNS))
    starts = table[:, 0].astype("int64").view("datetime64[s]")
    return NightFlows(
        pd.DatetimeIndex(starts, tz="UTC"),
        table[:, 1].astype(np.int64),
        {name: table[:, 2 + number] for number, name in enumerate(FLOW_COLUMNS)},
    )


def keep_settled(record: Record, night: SettledNight, flows: Mapping[Way, NightFlows], made_from: str) -> None:
    """Keep a settled night with its flows, in one change; the night that begins at the same instant gives way.

    Parameters
    ----------
    made_from : what it was settled from, to know whether it is to be settled again.
    """
    with change(record.connection, record.file) as connection:
        insert_settled(connection, night, flows, made_from)


def note_told_soc(record: Record, begin: datetime, soc_percent: float | None, made_from: str) -> None:
    """Note the state of charge told at the end of a settled night [%]; what the night came to does not change."""
    with change(record.connection, record.file) as connection:
        connection.execute(
            "UPDATE nights SET soc_told_percent = ?, settled_from = ? WHERE begin_s = ?",
            (soc_percent, made_from, seconds(begin)),
        )


def remove_settled(record: Record, begins: Iterable[datetime]) -> None:
    """Remove the settled nights that begin at some instants, in one change."""
    with change(record.connection, record.file) as connection:
        connection.executemany("DELETE FROM nights WHERE begin_s = ?", [(seconds(begin),) for begin in begins])


def insert_settled(
    connection: sqlite3.Connection, night: SettledNight, flows: Mapping[Way, NightFlows], made_from: str
) -> None:
    """Insert a settled night within a change; otherwise as keep_settled."""
    row = {"begin_s": seconds(night.begin), "end_s": seconds(night.end), "settled_from": made_from}
    row |= {name: getattr(night, name) for name in FIGURES}
    connection.execute("DELETE FROM nights WHERE begin_s = ?", (row["begin_s"],))
    connection.execute(_insert("nights", row), list(row.values()))
    names = ("night_s", "way", "start_s", "minutes", *FLOW_COLUMNS)
    for way, flow in flows.items():
        starts = flow.start.as_unit("s").asi8.tolist()
        columns = [flow.minutes.tolist(), *(flow.columns[name].tolist() for name in FLOW_COLUMNS)]
        connection.executemany(
            _insert("flows", names),
            [(row["begin_s"], way, start, *rest) for start, *rest in zip(starts, *columns, strict=True)],
        )


def _insert(table: str, names: Iterable[str]) -> str:
    listed = tuple(names)
    return f"INSERT INTO {table} ({', '.join(listed)}) VALUES ({', '.join('?' * len(listed))})"


def _night(row: sqlite3.Row) -> SettledNight:
    figures: dict[str, Any] = {name: row[name] for name in FIGURES}
    return SettledNight(instant(row["begin_s"]), instant(row["end_s"]), **figures | {"was_set": bool(row["was_set"])})


FIGURES = tuple(field.name for field in fields(SettledNight) if field.name not in ("begin", "end"))
"""Names of a settled night's columns besides its span."""
