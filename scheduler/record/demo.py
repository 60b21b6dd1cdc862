"""Invented evenings that a demo site brings along, shown until it has settled nights of its own.

They lie in the site's `demo_record/` as the tables that `overnight record --csv` writes, and are read into a record in
memory: the site's own record never holds one of them.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar, get_args

import numpy as np
import pandas as pd

from models.drive.pace import Pace
from models.site.trips import Trip
from scheduler.record.database import change, open_database
from scheduler.record.export import FLOWS_CSV, NIGHTS_CSV, STATES_CSV, TEXTS, TRIPS_CSV, WHOLE, written_text
from scheduler.record.settled import FIGURES, FLOW_COLUMNS, WAYS, NightFlows, SettledNight, Way, insert_settled
from scheduler.record.store import DrivenTrip, Record, StateKind
from scheduler.textio.errors import single_fault
from scheduler.textio.read_text import read_text

Parsed = TypeVar("Parsed")

DEMO_FOLDER = "demo_record"
MOST_MEGABYTES = 20
OPTIONAL = ("chance_short", "soc_told_percent")


def has_demo(site: Path) -> bool:
    """Return whether a site's folder brings invented evenings."""
    return (site / DEMO_FOLDER / NIGHTS_CSV).is_file()


@contextmanager
def demo_record(site: Path) -> Iterator[Record]:
    """Yield a record in memory that holds a site's invented evenings; it holds no plans.

    Raises
    ------
    InputFaults : a file of them is missing or damaged.
    """
    folder = site / DEMO_FOLDER
    record = Record(open_database(Path(":memory:")), folder)
    try:
        nights = _parsed(folder / NIGHTS_CSV, _night)
        flows = _flows(_parsed(folder / FLOWS_CSV, _flow))
        with change(record.connection, folder):
            for night in nights:
                insert_settled(record.connection, night, flows.get(night.begin, {}), "{}")
        for at, kind, soc_percent in _parsed(folder / STATES_CSV, _state):
            record.tell_state(at, kind, soc_percent)
        for driven in _parsed(folder / TRIPS_CSV, _trip):
            record.tell_trip(driven)
        yield record
    finally:
        record.close()


def _parsed(file: Path, parse: Callable[[dict[str, str]], Parsed]) -> list[Parsed]:
    """Return what each row of a file is parsed to; a fault names the line."""
    reader = csv.DictReader(io.StringIO(read_text(file, MOST_MEGABYTES), newline=""))
    try:
        return [parse(row) for row in reader]
    except (ValueError, KeyError, TypeError, AttributeError, csv.Error):
        raise single_fault(file, "this row of the demo's record is damaged", reader.line_num) from None


def _night(row: dict[str, str]) -> SettledNight:
    figures: dict[str, Any] = {}
    for name in FIGURES:
        if name in TEXTS:
            figures[name] = written_text(row[name])
        elif name in WHOLE:
            figures[name] = int(row[name])
        else:
            figures[name] = _number(row[name]) if name in OPTIONAL else float(row[name])
    return SettledNight(_instant(row["begin"]), _instant(row["end"]), **figures | {"was_set": row["was_set"] == "1"})


def _flow(row: dict[str, str]) -> tuple[datetime, Way, datetime, int, list[float]]:
    way = row["way"]
    if way not in WAYS:
        raise ValueError(way)
    numbers = [float(row[name]) for name in FLOW_COLUMNS]
    return _instant(row["night"]), way, _instant(row["start"]), int(row["minutes"]), numbers


def _flows(rows: list[tuple[datetime, Way, datetime, int, list[float]]]) -> dict[datetime, dict[Way, NightFlows]]:
    """Return the flows of each night, each way."""
    grouped: dict[tuple[datetime, Way], list[tuple[datetime, int, list[float]]]] = {}
    for night, way, *rest in rows:
        grouped.setdefault((night, way), []).append(tuple(rest))  # type: ignore[arg-type]
    found: dict[datetime, dict[Way, NightFlows]] = {}
    for (night, way), those in grouped.items():
        table = np.array([numbers for _, _, numbers in those])
        found.setdefault(night, {})[way] = NightFlows(
            pd.DatetimeIndex([start for start, _, _ in those]).as_unit("s"),
            np.array([minutes for _, minutes, _ in those], dtype=np.int64),
            {name: table[:, number] for number, name in enumerate(FLOW_COLUMNS)},
        )
    return found


def _state(row: dict[str, str]) -> tuple[datetime, StateKind, float]:
    kind = row["kind"]
    if kind not in get_args(StateKind):
        raise ValueError(kind)
    return _instant(row["at"]), kind, float(row["soc_percent"])  # type: ignore[return-value]


def _trip(row: dict[str, str]) -> DrivenTrip:
    pace = row["pace"]
    if pace not in get_args(Pace):
        raise ValueError(pace)
    trip = Trip(
        _instant(row["depart"]),
        _instant(row["return"]),
        float(row["distance_km"]),
        pace,  # type: ignore[arg-type]
        _number(row["soc_used_percent"]),
    )
    return DrivenTrip(trip, _number(row["outside_degc"]))


def _number(text: str) -> float | None:
    return float(text) if text else None


def _instant(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone(UTC)
