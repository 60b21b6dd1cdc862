"""Read a meter series from CSV `start,kw` strictly."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray, IntArray
from models.site.series import Series
from scheduler.textio.bounds import G_PER_KWH, METERED_KW, Bound
from scheduler.textio.csv_rows import MOST_MEGABYTES, NUMBER, STAMP, CsvRow, number_problem, read_rows, stamp_problem
from scheduler.textio.errors import MOST_FOUND, Fault, InputFaults, in_line_order, listed
from scheduler.textio.read_text import BYTES_A_MEGABYTE, MOST_LINE_CHARACTERS

COLUMNS = ("start", "kw")
EMISSIONS_COLUMNS = ("start", "g_per_kwh")
LEAST_STEP_MINUTES, MOST_STEP_MINUTES = 5, 60
FEWEST_ROWS = 2
ROWS_AT_ONCE = 5000
"""Number of rows held as text at a time, so that a large file takes little more memory than its numbers."""
BYTES_AT_ONCE = 200_000
"""The same of a file without quotes, blanks and faults, in bytes."""
PLAIN_ROW = re.compile(rf"^({STAMP.pattern}),({NUMBER.pattern})\r?$", re.ASCII | re.MULTILINE)
"""A row of an instant and a number, written without quotes and blanks; at most one of them is in a line."""


def read_series(path: Path) -> Series:
    """Read a meter series: mean power over regular intervals [kW], `start` with its offset from UTC.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    return read_regular(path, COLUMNS, METERED_KW)


def read_emissions(path: Path) -> Series:
    """Read the grid's emissions: means over regular intervals [g per kWh], in `kw` of the series; else as read_series.

    Raises
    ------
    InputFaults : as read_series.
    """
    return read_regular(path, EMISSIONS_COLUMNS, G_PER_KWH)


def read_regular(path: Path, columns: tuple[str, str], bound: Bound) -> Series:
    """Read a regular series of numbers from CSV of two columns, `start` and a value.

    Parameters
    ----------
    columns : the header that the file must have.
    bound : what a value may be.

    Raises
    ------
    InputFaults : as read_series.
    """
    faults: list[Fault] = []
    plain = _plain_rows(path, columns, bound)
    lines, seconds, values = _rows(path, columns, bound, faults) if plain is None else plain
    # a row that cannot be read has no interval before or after it
    readable = seconds != pd.NaT.value
    follows = np.flatnonzero(readable[:-1] & readable[1:] & (np.diff(lines) == 1 if faults else True)) + 1
    minutes_between = (seconds[follows] - seconds[follows - 1]) // 60
    step_minutes = _usual_step(minutes_between)
    if len(follows):
        faults += [
            Fault(str(path), int(lines[follows[index - 1]]), columns[0], message)
            for index, message in islice(_order_problems(minutes_between, step_minutes), MOST_FOUND)
        ]
    if faults:
        raise InputFaults(listed(in_line_order(faults)))
    start = pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC")
    return Series(start, values + 0.0, step_minutes)  # a written -0 becomes 0


def _plain_rows(path: Path, columns: tuple[str, str], bound: Bound) -> tuple[IntArray, IntArray, FloatArray] | None:
    """Return the rows as `_rows` does, in a fifth of the time, of a file without quotes, blanks and faulty cells.

    Returns
    -------
    None for any other file, which is then read cell by cell; nothing is said here of what is wrong with it.
    """
    parts = []
    try:
        if not path.is_file() or path.stat().st_size > MOST_MEGABYTES * BYTES_A_MEGABYTE:
            return None
        with path.open("rb") as file:
            header = file.readline(MOST_LINE_CHARACTERS).removeprefix(b"\xef\xbb\xbf")
            if header.rstrip(b"\r\n") != ",".join(columns).encode():
                return None
            while part := file.read(BYTES_AT_ONCE):
                text = (part + file.readline(MOST_LINE_CHARACTERS)).decode("ascii").removesuffix("\n")
                rows = PLAIN_ROW.findall(text)
                if len(rows) != text.count("\n") + 1:
                    return None
                stamps, numbers = zip(*rows, strict=True)
                start = pd.to_datetime(list(stamps), format="ISO8601", utc=True, errors="coerce").as_unit("s")
                parts.append((np.asarray(start.asi8), np.array([float(number) for number in numbers])))
    except (OSError, ValueError):
        return None
    if not parts:
        return None
    seconds, values = (np.concatenate(each) for each in zip(*parts, strict=True))
    # what is accepted lies between two numbers, unless 0 is accepted besides
    accepted = not bound.zero and bound.accepts(float(values.min())) and bound.accepts(float(values.max()))
    if not accepted or len(values) < FEWEST_ROWS or (seconds == pd.NaT.value).any():
        return None
    return np.arange(2, len(values) + 2), seconds, values


def _rows(
    path: Path, columns: tuple[str, str], bound: Bound, faults: list[Fault]
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return line, start [s since 1970] and value of all rows, each of shape (n,); add the faults of their cells.

    Raises
    ------
    InputFaults : there are too few rows to go on.
    """
    parts = []
    stream = read_rows(path, columns, faults)
    while rows := tuple(islice(stream, ROWS_AT_ONCE)):
        parts.append(_checked(path, columns, bound, rows, faults))
    count = sum(len(lines) for lines, _, _ in parts)
    if not faults and count < FEWEST_ROWS:
        message = f"found {count} rows under the header; expected {FEWEST_ROWS} or more"
        faults.append(Fault(str(path), None, None, message))
    if count < FEWEST_ROWS:
        raise InputFaults(listed(in_line_order(faults)))
    lines, seconds, values = (np.concatenate(each) for each in zip(*parts, strict=True))
    return lines, seconds, values


def _checked(
    path: Path,
    columns: tuple[str, str],
    bound: Bound,
    rows: tuple[CsvRow, ...],
    faults: list[Fault],
) -> tuple[IntArray, IntArray, FloatArray]:
    """Return line, start [s since 1970] and value of some rows, each of shape (n,); add the faults of their cells."""
    start = _instants([row.cells[0] for row in rows])
    values = np.zeros(len(rows))
    for index, (row, unreadable) in enumerate(zip(rows, start.isna(), strict=True)):
        if unreadable:
            faults.append(Fault(str(path), row.line, columns[0], stamp_problem(row.cells[0])))
        problem = number_problem(row.cells[1], bound)
        if problem is None:
            values[index] = float(row.cells[1])
        else:
            faults.append(Fault(str(path), row.line, columns[1], problem))
    return np.array([row.line for row in rows], dtype=np.int64), np.asarray(start.asi8, dtype=np.int64), values


def _instants(cells: list[str]) -> pd.DatetimeIndex:
    """Parse cells as UTC instants in whole seconds; NaT where one cannot be read."""
    readable = [cell if STAMP.fullmatch(cell) else "" for cell in cells]
    return pd.to_datetime(readable, format="ISO8601", utc=True, errors="coerce").as_unit("s")


def _usual_step(minutes_between: IntArray) -> int:
    """Return the most frequent step forward [min]; 0 if there is none."""
    steps, counts = np.unique(minutes_between[minutes_between > 0], return_counts=True)
    return int(steps[np.argmax(counts)]) if len(steps) else 0


def _order_problems(minutes_between: IntArray, step_minutes: int) -> Iterator[tuple[int, str]]:
    """Yield (row index, message) for each row that does not begin one interval after the row above.

    Gaps are not reported while rows are out of order or doubled.
    """
    backwards = np.flatnonzero(minutes_between <= 0)
    for index in backwards:
        what = "duplicate: the same start as" if minutes_between[index] == 0 else "not in time order: before"
        yield int(index) + 1, f"{what} the row above; expected rows in time order, each start once"
    if len(backwards):
        return
    if not LEAST_STEP_MINUTES <= step_minutes <= MOST_STEP_MINUTES:
        allowed = f"{LEAST_STEP_MINUTES} to {MOST_STEP_MINUTES} minutes"
        yield 1, f"{step_minutes} minutes after the row above; expected {allowed}"
        return
    for index in np.flatnonzero(minutes_between != step_minutes):
        minutes = int(minutes_between[index])
        kind = "gap" if minutes > step_minutes else "short interval"
        yield (
            int(index) + 1,
            (f"{kind}: {minutes} minutes after the row above; expected {step_minutes} minutes, as in the other rows"),
        )
