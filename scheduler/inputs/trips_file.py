"""Read recorded trips from CSV `depart,return,distance_km` strictly; `pace` and `soc_used_percent` may follow."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from models.drive.pace import PACES
from models.site.trips import Trip
from scheduler.textio.bounds import DISTANCE_KM, USED_PERCENT
from scheduler.textio.csv_rows import STAMP, CsvRow, number_problem, read_rows, stamp_problem
from scheduler.textio.errors import Fault, InputFaults, in_line_order, listed, shown

COLUMNS = ("depart", "return", "distance_km")
OPTIONAL = ("pace", "soc_used_percent")


def read_trips(path: Path) -> tuple[Trip, ...]:
    """Read the trips in a file, in time order; a file with only a header has none.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    faults: list[Fault] = []
    trips: list[Trip] = []
    for row in read_rows(path, COLUMNS, faults, OPTIONAL):
        trip = _trip(path, row, faults)
        if trip is None:
            continue
        if trips and trip.depart_at < trips[-1].return_at:
            message = "departs before the trip above is back; expected trips in time order that do not overlap"
            faults.append(Fault(str(path), row.line, "depart", message))
        trips.append(trip)
    if faults:
        raise InputFaults(listed(in_line_order(faults)))
    return tuple(trips)


def _trip(path: Path, row: CsvRow, faults: list[Fault]) -> Trip | None:
    """Return the trip of one row, or None after adding the row's faults."""
    depart, comeback = _instant(row.cells[0]), _instant(row.cells[1])
    pace, used = row.cells[3] or "usual", row.cells[4]
    problems = {
        "depart": stamp_problem(row.cells[0]) if depart is None else None,
        "return": stamp_problem(row.cells[1]) if comeback is None else None,
        "distance_km": number_problem(row.cells[2], DISTANCE_KM),
        "pace": None if pace in PACES else f"{shown(pace)} is not a pace; expected slow, usual or fast, or nothing",
        "soc_used_percent": None if used == "" else number_problem(used, USED_PERCENT),
    }
    if depart is not None and comeback is not None and comeback <= depart:
        problems["return"] = "is not after the departure; expected a later instant"
    new = [Fault(str(path), row.line, key, problem) for key, problem in problems.items() if problem is not None]
    faults += new
    if new or depart is None or comeback is None:
        return None
    known_pace = next(each for each in PACES if each == pace)
    return Trip(depart, comeback, float(row.cells[2]) + 0.0, known_pace, None if used == "" else float(used) + 0.0)


def _instant(cell: str) -> datetime | None:
    """Parse an instant; return it in UTC, or None if it cannot be read."""
    if not STAMP.fullmatch(cell):
        return None
    try:
        return datetime.fromisoformat(cell).astimezone(UTC)
    except ValueError:
        return None
