"""A trace of state of charge from CSV: `start,soc_percent`, with `temp_degc` or without, or a year's metered table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray, IntArray
from models.wear.soc_trace import SocTrace
from scheduler.plan_output.schedule_csv import COLUMNS as SCHEDULE_COLUMNS
from scheduler.rolling.flows import COLUMNS as ENERGY_COLUMNS
from scheduler.textio.bounds import TRACE_DEGC, TRACE_HOURS, TRACE_KWH, TRACE_PERCENT
from scheduler.textio.csv_rows import NUMBER, STAMP, CsvRow, number_problem, read_rows, stamp_problem
from scheduler.textio.errors import MOST_FOUND, Fault, InputFaults, in_line_order, listed, shown, single_fault
from scheduler.textio.read_text import beginning_of

TRACE_COLUMNS = ("start", "soc_percent")
WARM_COLUMNS = (*TRACE_COLUMNS, "temp_degc")
METERED_COLUMNS = ("start", "hours", *ENERGY_COLUMNS, "stored_kwh")
FEWEST_ROWS, MOST_ROWS = 2, 1_000_000
LONG_HOURS = 6.0
"""A longer gap between two rows is reported: what the battery did in between is not known [h]."""
OVER_FULL = 1e-4
"""Share of the capacity by which rounding may put a metered table above full or below empty [-]."""
SAME_SECONDS = 30


@dataclass(frozen=True, slots=True, eq=False)
class ReadTrace:
    """A trace and what it was read from.

    Attributes
    ----------
    trace : state of charge and temperature over time. layout : a phrase on the file's layout.
    notes : what the reader should know, one sentence each.
    trips : rows of departure and return of each drive, where it is known of any.
    """

    trace: SocTrace
    layout: str
    notes: tuple[str, ...]
    trips: tuple[tuple[int, int], ...] = ()


def temperature_problem(value: float, found: str | None = None) -> str | None:
    """Return what is wrong with a temperature in degrees C, or None; `found` is how it was written, else the number."""
    problem = TRACE_DEGC.problem(value, found)
    if problem is not None and TRACE_DEGC.most < value < np.inf:
        return problem.replace(";", ", perhaps kelvin;", 1)
    return problem


def _temperature_cell_problem(cell: str) -> str | None:
    return temperature_problem(float(cell), shown(cell)) if NUMBER.fullmatch(cell) else number_problem(cell, TRACE_DEGC)


def percent_problem(cell: str) -> str | None:
    """Return what is wrong with a state of charge in percent, or None."""
    return number_problem(cell, TRACE_PERCENT)


def read_trace(path: Path, temp_degc: float, battery_kwh: float | None) -> ReadTrace:
    """Return the trace in a file.

    Parameters
    ----------
    temp_degc : temperature of the battery, where the file has none [degrees C].
    battery_kwh : capacity, which a metered table needs [kWh], or None.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    first_line = beginning_of(path).decode("utf-8-sig", errors="replace").splitlines()[0]
    header = tuple(cell.strip().strip('"') for cell in first_line.split(","))
    if header == SCHEDULE_COLUMNS:
        raise single_fault(path, "this is the schedule of a plan; expected the plan's folder", 1)
    if header == METERED_COLUMNS:
        return _read_metered(path, temp_degc, battery_kwh)
    if header == WARM_COLUMNS:
        return _read_percent(path, WARM_COLUMNS, temp_degc)
    if header[0] == "start" and ("hours" in header or "stored_kwh" in header):
        raise single_fault(path, f"the header is {shown(first_line)}; expected {','.join(METERED_COLUMNS)}", 1)
    if header != TRACE_COLUMNS and len(header) > 1:
        message = f"the header is {shown(first_line)}; expected start,soc_percent or start,soc_percent,temp_degc"
        raise single_fault(path, message, 1)
    return _read_percent(path, TRACE_COLUMNS, temp_degc)


def _read_percent(path: Path, columns: tuple[str, ...], temp_degc: float) -> ReadTrace:
    problems = (percent_problem, _temperature_cell_problem)[: len(columns) - 1]
    rows, start, (soc, *temps) = _read(path, columns, dict(zip(columns[1:], problems, strict=True)))
    seconds = np.asarray(start.asi8, dtype=np.int64)
    _check_order(path, rows, seconds)
    notes = list(_long_gaps(rows, seconds))
    if soc.max() <= 1:
        notes.append("No state of charge is over 1 %; are these shares and not percent?")
    temp = temps[0] if temps else np.full(len(soc), temp_degc)
    layout = f"{len(rows)} rows of {','.join(columns)}"
    return ReadTrace(SocTrace(start, soc / 100, temp), layout, tuple(notes))


def _read_metered(path: Path, temp_degc: float, battery_kwh: float | None) -> ReadTrace:
    if battery_kwh is None:
        message = "a metered table has kWh and not percent; expected --site or --battery-kwh"
        raise single_fault(path, message, key="stored_kwh")

    def stored_problem(cell: str) -> str | None:
        problem = number_problem(cell, TRACE_KWH)
        if problem is None and not -OVER_FULL <= float(cell) / battery_kwh <= 1 + OVER_FULL:
            problem = f"{shown(cell)} kWh do not fit the battery; expected 0 to {battery_kwh:g}"
        return problem

    wanted: dict[str, Callable[[str], str | None]] = {
        "hours": partial(number_problem, bound=TRACE_HOURS),
        "stored_kwh": stored_problem,
    }
    rows, start, (hours, stored_kwh) = _read(path, METERED_COLUMNS, wanted)
    begins = np.asarray(start.asi8, dtype=np.int64)
    _check_order(path, rows, begins)
    ends = begins + np.rint(3600 * hours).astype(np.int64)
    apart = np.flatnonzero(np.abs(begins[1:] - ends[:-1]) > SAME_SECONDS)
    if len(apart) or hours.min() <= 0:
        row = int(apart[0]) + 1 if len(apart) else int(np.argmin(hours))
        message = "this row does not follow the one above; expected a start where the hours of the row above end"
        raise single_fault(path, message if len(apart) else "found 0 hours; expected more", rows[row].line, "hours")
    soc = np.clip(stored_kwh / battery_kwh, 0.0, 1.0)
    note = "A metered table tells the stored energy at each row's end, so the trace begins at the end of the first row."
    layout = f"{len(rows)} rows of a metered table"
    instants = pd.DatetimeIndex(ends.view("datetime64[s]"), tz="UTC")
    return ReadTrace(SocTrace(instants, soc, np.full(len(soc), temp_degc)), layout, (note,))


def _read(
    path: Path, columns: tuple[str, ...], wanted: Mapping[str, Callable[[str], str | None]]
) -> tuple[list[CsvRow], pd.DatetimeIndex, list[FloatArray]]:
    """Return rows, their instants (UTC, in seconds) and the wanted columns of numbers, every cell checked."""
    faults: list[Fault] = []
    rows: list[CsvRow] = []
    for row in read_rows(path, columns, faults):
        if len(rows) == MOST_ROWS:
            raise single_fault(path, f"found over {MOST_ROWS} rows; expected up to that many", row.line)
        rows.append(row)
    stamps = [row.cells[0] for row in rows]
    readable = [cell if STAMP.fullmatch(cell) else "" for cell in stamps]
    start = pd.to_datetime(readable, format="ISO8601", utc=True, errors="coerce").as_unit("s")
    faults += [
        Fault(str(path), rows[row].line, columns[0], stamp_problem(stamps[row]))
        for row in np.flatnonzero(start.isna())[:MOST_FOUND]
    ]
    values = []
    for name, problem_of in wanted.items():
        at = columns.index(name)
        cells = [row.cells[at] for row in rows]
        found = ((row.line, problem_of(cell)) for row, cell in zip(rows, cells, strict=True))
        faulty = ((line, problem) for line, problem in found if problem is not None)
        wrong = [Fault(str(path), line, name, problem) for line, problem in islice(faulty, MOST_FOUND)]
        faults += wrong
        values.append(np.zeros(0) if wrong else np.array(cells, dtype=np.float64) + 0.0)
    if not faults and len(rows) < FEWEST_ROWS:
        message = f"rows under the header: {len(rows)}; expected {FEWEST_ROWS} or more"
        faults.append(Fault(str(path), None, None, message))
    if faults:
        raise InputFaults(listed(in_line_order(faults)))
    return rows, start, values


def _check_order(path: Path, rows: list[CsvRow], seconds: IntArray) -> None:
    """Raise faults for rows that are not later than the row above."""
    between = np.diff(seconds)
    faults = []
    for row in np.flatnonzero(between <= 0)[:MOST_FOUND]:
        what = "duplicate: the same start as" if between[row] == 0 else "not in time order: before"
        message = f"{what} the row above; expected rows in time order, each start once"
        faults.append(Fault(str(path), rows[row + 1].line, "start", message))
    if faults:
        raise InputFaults(listed(faults))


def _long_gaps(rows: list[CsvRow], seconds: IntArray) -> list[str]:
    """Return a sentence on the longest gap between rows, where it is long; else nothing."""
    hours = np.diff(seconds) / 3600
    longest = int(np.argmax(hours))
    if hours[longest] <= LONG_HOURS:
        return []
    return [
        f"Line {rows[longest + 1].line} is {hours[longest]:.3g} hours after the line above, the longest of "
        f"{int((hours > LONG_HOURS).sum())} over {LONG_HOURS:g} hours; in between the state of charge is taken as "
        "straight, so cycles there are not seen."
    ]
