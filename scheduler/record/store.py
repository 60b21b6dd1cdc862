"""A site's record: every plan, whether it was set, and what the owner told of car and trips."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

from models.site.trips import Trip
from scheduler.record.database import RECORD_FILE, change, open_database, told
from scheduler.textio.errors import single_fault

StateKind = Literal["morning", "return", "evening"]
"""When a state of charge was told: before the drive, on the return, or for the evening's plan."""


@dataclass(frozen=True, slots=True)
class RecordedPlan:
    """A plan as it stands in the record.

    Attributes
    ----------
    start, evening, end : of the plan; `evening` is the start of the evening's first plan. UTC.
    revision : number of replans before it that evening. made_at : UTC.
    document : the whole plan.json. schedule : the whole schedule.csv, as text.
    set_at : when the owner said that it is set; None until then. handed_over_at : likewise.
    """

    start: datetime
    evening: datetime
    end: datetime
    revision: int
    made_at: datetime
    document: dict[str, Any]
    schedule: str
    set_at: datetime | None
    handed_over_at: datetime | None


@dataclass(frozen=True, slots=True)
class ToldState:
    """A state of charge as the owner told it: when (UTC), on what occasion, and how much [%]."""

    at: datetime
    kind: StateKind
    soc_percent: float


@dataclass(frozen=True, slots=True)
class DrivenTrip:
    """A trip as it was driven, with what it took from the battery, and the temperature outside [°C]; None: not told."""

    trip: Trip
    outside_degc: float | None = None


class Record:
    """An open record. Every method that changes it makes one whole change.

    Raises
    ------
    All methods raise RecordDamaged where the file is damaged, and NotWrittenError where it cannot be written.
    """

    def __init__(self, connection: sqlite3.Connection, file: Path) -> None:
        self.connection, self.file = connection, file

    def close(self) -> None:
        """Close the database."""
        self.connection.close()

    def add_plan(self, plan_json: str, schedule_csv: str) -> RecordedPlan:
        """Add a plan, given the text of its two files; a plan of the same instant is replaced, and is not set any more.

        Raises
        ------
        InputFaults : the text is not a plan's.
        """
        row = plan_row(plan_json, schedule_csv, self.file)
        with change(self.connection, self.file):
            insert_plan(self.connection, row)
        return _plan(row | {"set_s": None, "handed_over_s": None})

    def plans(self, most: int | None = None) -> list[RecordedPlan]:
        """Return the plans, the one that starts last first; at most so many."""
        limit = -1 if most is None else most
        return [_plan(row) for row in self._rows("SELECT * FROM plans ORDER BY start_s DESC LIMIT ?", limit)]

    def plan(self, start: datetime) -> RecordedPlan | None:
        """Return the plan that starts at an instant; None if there is none."""
        rows = self._rows("SELECT * FROM plans WHERE start_s = ?", seconds(start))
        return _plan(rows[0]) if rows else None

    def plans_of_evening(self, evening: datetime) -> list[RecordedPlan]:
        """Return the first plan of an evening and its replans, in time order."""
        rows = self._rows("SELECT * FROM plans WHERE evening_s = ? ORDER BY start_s", seconds(evening))
        return [_plan(row) for row in rows]

    def evenings(self) -> list[datetime]:
        """Return the starts of all evenings that were planned, UTC, in time order."""
        return [instant(row[0]) for row in self._rows("SELECT DISTINCT evening_s FROM plans ORDER BY evening_s")]

    def mark_set(self, start: datetime, at: datetime) -> None:
        """Note that the plan that starts at an instant has been set on the charger."""
        self._mark("set_s", start, at)

    def mark_handed_over(self, start: datetime, at: datetime) -> None:
        """Note that the plan was handed over to another program's file."""
        self._mark("handed_over_s", start, at)

    def _mark(self, column: str, start: datetime, at: datetime) -> None:
        with change(self.connection, self.file) as connection:
            done = connection.execute(
                f"UPDATE plans SET {column} = ? WHERE start_s = ?",
                (seconds(at), seconds(start)),
            )
            if done.rowcount == 0:
                raise single_fault(self.file, f"there is no plan that starts at {start:%Y-%m-%d %H:%M} UTC")

    def tell_state(self, at: datetime, kind: StateKind, soc_percent: float) -> None:
        """Note a state of charge [%] as the owner read it off; one told for the same instant is replaced."""
        with change(self.connection, self.file) as connection:
            connection.execute("INSERT OR REPLACE INTO states VALUES (?, ?, ?)", (seconds(at), kind, soc_percent))

    def states(self, after: datetime | None = None, before: datetime | None = None) -> list[ToldState]:
        """Return the states of charge that were told in a span, in time order; None: without limit."""
        rows = self._rows("SELECT * FROM states WHERE at_s >= ? AND at_s < ? ORDER BY at_s", *_span(after, before))
        return [ToldState(instant(row["at_s"]), row["kind"], row["soc_percent"]) for row in rows]

    def tell_trip(self, driven: DrivenTrip) -> None:
        """Note a trip as it was driven; one that departed at the same instant is replaced."""
        trip = driven.trip
        row = (
            seconds(trip.depart_at),
            seconds(trip.return_at),
            trip.distance_km,
            trip.pace,
            driven.outside_degc,
            trip.soc_used_percent,
        )
        with change(self.connection, self.file) as connection:
            connection.execute("INSERT OR REPLACE INTO trips VALUES (?, ?, ?, ?, ?, ?)", row)

    def trips(self, after: datetime | None = None, before: datetime | None = None) -> list[DrivenTrip]:
        """Return the trips that were driven and departed in a span, in time order; None: without limit."""
        rows = self._rows(
            "SELECT * FROM trips WHERE depart_s >= ? AND depart_s < ? ORDER BY depart_s", *_span(after, before)
        )
        return [
            DrivenTrip(
                Trip(
                    instant(row["depart_s"]),
                    instant(row["return_s"]),
                    row["distance_km"],
                    row["pace"],
                    row["soc_used_percent"],
                ),
                row["outside_degc"],
            )
            for row in rows
        ]

    def _rows(self, query: str, *values: object) -> list[sqlite3.Row]:
        with told(self.file):
            return list(self.connection.execute(query, values))


@contextmanager
def opened_record(site: Path) -> Iterator[Record]:
    """Yield the record of a site's folder, made if there is none, and close it at the end.

    Raises
    ------
    As open_database.
    """
    file = site / RECORD_FILE
    record = Record(open_database(file), file)
    try:
        yield record
    finally:
        record.close()


def plan_row(plan_json: str, schedule_csv: str, file: Path) -> dict[str, object]:
    """Return a plan's row, from the text of its two files.

    Raises
    ------
    InputFaults : the text is not a plan's; the fault names `file`.
    """
    try:
        document = json.loads(plan_json)
        start, evening, end, made = (
            seconds(datetime.fromisoformat(document[key])) for key in ("start", "evening", "end", "made_at")
        )
        revision = int(document["revision"])
    except (ValueError, KeyError, TypeError, OverflowError, RecursionError):
        raise single_fault(file, "a plan to be recorded is damaged; expected the text of plan.json") from None
    return {
        "start_s": start,
        "evening_s": evening,
        "end_s": end,
        "revision": revision,
        "made_s": made,
        "document": plan_json,
        "schedule": schedule_csv,
    }


def insert_plan(connection: sqlite3.Connection, row: dict[str, object]) -> None:
    """Insert a plan's row within a change; the plan of the same instant gives way, but only to another text."""
    names = list(row)
    updates = ", ".join(f"{name} = excluded.{name}" for name in names)
    connection.execute(
        f"INSERT INTO plans ({', '.join(names)}) VALUES ({', '.join('?' * len(names))}) "
        f"ON CONFLICT (start_s) DO UPDATE SET {updates}, set_s = NULL, handed_over_s = NULL "
        "WHERE document != excluded.document",
        list(row.values()),
    )


def seconds(at: datetime) -> int:
    """Return an instant as whole seconds since 1970 UTC."""
    return int(at.timestamp())


def instant(at_s: int) -> datetime:
    """Return an instant, UTC, from its seconds since 1970."""
    return datetime.fromtimestamp(at_s, UTC)


def _span(after: datetime | None, before: datetime | None) -> tuple[int, int]:
    return (-(2**62) if after is None else seconds(after)), (2**62 if before is None else seconds(before))


def _plan(row: sqlite3.Row | dict[str, Any]) -> RecordedPlan:
    set_s, handed_s = row["set_s"], row["handed_over_s"]
    return RecordedPlan(
        instant(row["start_s"]),
        instant(row["evening_s"]),
        instant(row["end_s"]),
        row["revision"],
        instant(row["made_s"]),
        _document(row["document"]),
        row["schedule"],
        None if set_s is None else instant(set_s),
        None if handed_s is None else instant(handed_s),
    )


def _document(text: str) -> dict[str, Any]:
    """Return what the text of a plan.json holds; nothing where it is none any more: the plan is then found damaged."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
