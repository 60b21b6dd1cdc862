"""Read a meter's CSV file as cells: detect separator and decimal sign, parse numbers and dates in bulk."""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.textio.bounds import METERED_READING
from scheduler.textio.csv_rows import MOST_MEGABYTES, NUMBER, CsvRow, number_problem
from scheduler.textio.errors import (
    MOST_FOUND,
    Fault,
    InputFaults,
    in_line_order,
    listed,
    shortened,
    shown,
    single_fault,
)
from scheduler.textio.read_text import read_text

MOST_ROWS = 1_000_000
"""Most rows of one file: nine years of five minutes."""
SEMICOLON_NOTE = "The cells are separated by semicolons."
DECIMAL_COMMA_NOTE = "The cells are separated by semicolons, and a comma is read as the decimal sign."
DAY_FIRST_NOTE = "The dates are read as day.month.year."

_DAY_FIRST = re.compile(r"(\d{2})\.(\d{2})\.(\d{4})", re.ASCII)
_ISO_DAY = re.compile(r"(?:19[7-9]\d|2[01]\d{2})-\d{2}-\d{2}", re.ASCII)


@dataclass(frozen=True, slots=True)
class MeterRows:
    """The rows of a CSV file of a meter.

    Attributes
    ----------
    header : names of the columns, in lower case.
    rows : each with its line number and all its cells, however many.
    separator : "," or ";".
    """

    path: Path
    header: tuple[str, ...]
    rows: tuple[CsvRow, ...]
    separator: str

    def fault(self, index: int, column: str | None, message: str) -> Fault:
        """Return a fault of a row, by its number from 0."""
        return Fault(str(self.path), self.rows[index].line, column, message)


def header_cells(first_line: str) -> tuple[tuple[str, ...], str]:
    """Return the names in a header, in lower case, and the separator: a semicolon if there is one, else a comma."""
    separator = ";" if ";" in first_line else ","
    cells = first_line.lstrip("\ufeff").split(separator)
    return tuple(cell.strip().strip('"').strip().lower() for cell in cells), separator


def read_meter_rows(path: Path) -> MeterRows:
    """Read the rows of a file; empty lines at its end are left out.

    Raises
    ------
    InputFaults : the file cannot be read, is not CSV, has no rows, or names a column twice.
    """
    text = read_text(path, MOST_MEGABYTES).rstrip()
    stream = StringIO(text, newline=None)
    header, separator = header_cells(stream.readline().rstrip("\n"))
    twice = next((name for index, name in enumerate(header) if name in header[:index]), None)
    if twice is not None:
        raise single_fault(path, f"the column {shown(twice)} appears twice; expected each once", 1)
    reader = csv.reader(stream, delimiter=separator, strict=True)
    rows: list[CsvRow] = []
    empty = 0
    try:
        for cells in reader:
            rows.append(CsvRow(reader.line_num + 1, [cell.strip() for cell in cells]))
            empty += not any(rows[-1].cells)
            if empty >= MOST_FOUND:
                raise single_fault(
                    path, f"found {empty} empty lines; what is after this line was not read", rows[-1].line
                )
            if len(rows) > MOST_ROWS:
                raise single_fault(path, f"the file has over {MOST_ROWS} rows; expected up to that many", rows[-1].line)
    except csv.Error as error:
        raise single_fault(path, f"this is not CSV: {shortened(str(error))}", reader.line_num + 1) from None
    if not rows:
        raise single_fault(path, "found 0 rows under the header; expected 1 or more")
    return MeterRows(path, header, tuple(rows), separator)


def separator_notes(rows: MeterRows, cells: Sequence[str]) -> tuple[str, ...]:
    """Return notes on the separator and the decimal sign of number cells."""
    if rows.separator == ",":
        return ()
    return (DECIMAL_COMMA_NOTE,) if has_decimal_comma(rows, cells) else (SEMICOLON_NOTE,)


def has_decimal_comma(rows: MeterRows, cells: Sequence[str]) -> bool:
    """Return whether numbers are written with a decimal comma, possible only where semicolons separate cells."""
    return rows.separator == ";" and any("," in cell for cell in cells)


def numbers(cells: Sequence[str], decimal_comma: bool) -> tuple[FloatArray, list[tuple[int, str]]]:
    """Parse cells as numbers of 0 or more.

    Where the decimal sign is a comma, a point is a fault: it may separate thousands.

    Returns
    -------
    The numbers, shape (n,), NaN for an empty cell; and (index of the cell, message) for each fault.

    Examples
    --------
    >>> values, problems = numbers(["1,5", "", "1.000"], decimal_comma=True)
    >>> values.tolist(), problems
    ([1.5, nan, nan], [(2, '"1.000" has a point where other numbers have a comma; expected a comma')])
    """
    values = np.full(len(cells), np.nan)
    problems: list[tuple[int, str]] = []
    for index, cell in enumerate(cells):
        if len(problems) >= MOST_FOUND:
            break
        if not cell:
            continue
        text = cell
        if decimal_comma:
            if "." in cell:
                problems.append(
                    (index, f"{shown(cell)} has a point where other numbers have a comma; expected a comma")
                )
                continue
            text = cell.replace(",", ".")
        if NUMBER.fullmatch(text):
            value = float(text)
            if METERED_READING.accepts(value):
                values[index] = value + 0.0  # a written -0 becomes 0
                continue
        problems.append(
            (index, str(number_problem(text if decimal_comma and NUMBER.fullmatch(text) else cell, METERED_READING)))
        )
    return values, problems


def iso_days(cells: Sequence[str]) -> tuple[list[str], bool]:
    """Return cells with a leading day.month.year rewritten as year-month-day, and whether there was any.

    Examples
    --------
    >>> iso_days(["02.03.2026 18:00"])
    (['2026-03-02 18:00'], True)
    """
    turned = [_DAY_FIRST.sub(r"\3-\2-\1", cell, count=1) if cell[2:3] == "." else cell for cell in cells]
    return turned, any(cell[2:3] == "." for cell in cells)


def days(cells: Sequence[str]) -> tuple[IntArray, list[tuple[int, str]], bool]:
    """Parse dates.

    Returns
    -------
    Midnight of each date [wall-clock minutes since 1970], shape (n,); (index of the cell, message) for each fault; and
    whether dates are written day first.
    """
    turned, day_first = iso_days(cells)
    minutes = np.zeros(len(cells), dtype=np.int64)
    problems: list[tuple[int, str]] = []
    for index, text in enumerate(turned):
        if len(problems) >= MOST_FOUND:
            break
        try:
            if not _ISO_DAY.fullmatch(text):
                raise ValueError(text)
            minutes[index] = np.datetime64(text, "m").astype(np.int64)
        except ValueError:
            found = shown(cells[index]) + " is not a valid date" if cells[index] else "the cell is empty"
            problems.append((index, f"{found}; expected a date such as 2026-03-02"))
    return minutes, problems, day_first


def estimated_cell(cell: str) -> bool | None:
    """Return True for an estimated or substituted value (yes, E, S, F), False for a measured one (no, A, empty).

    Returns
    -------
    None for any other cell.
    """
    word = cell.lower()
    if word in ("yes", "e", "s", "f"):
        return True
    return False if word in ("", "no", "a") else None


def cells_text(row: CsvRow) -> str:
    """Return how many cells a row has: "cells: 3" or "an empty line"."""
    return f"cells: {len(row.cells)}" if any(row.cells) else "an empty line"


def refuse(faults: list[Fault]) -> None:
    """Raise the faults, if any: the first ten of the file and how many more."""
    if faults:
        raise InputFaults(listed(in_line_order(faults)))
