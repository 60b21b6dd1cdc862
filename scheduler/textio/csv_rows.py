"""CSV files of instants and numbers: their rows, and what is wrong with a cell."""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path
from typing import NamedTuple

from scheduler.textio.errors import Fault, shortened, shown, single_fault
from scheduler.textio.read_text import read_text

MOST_MEGABYTES = 50
MOST = 1e9
"""Largest size of a number: beyond it a solver's arithmetic means nothing."""

_CLOCK = r"(?:19[7-9]\d|2[01]\d{2})-\d{2}-\d{2}[T ]\d{2}:\d{2}"
_SECONDS = r":\d{2}(?:\.\d+)?"
_OFFSET = r"(?:Z|[+-](?:0\d|1[0-4]):?[0-5]\d)"

STAMP = re.compile(rf"{_CLOCK}(?::00(?:\.0{{1,9}})?)?{_OFFSET}", re.ASCII)
"""An instant on a whole minute from 1970 to 2199, with its offset from UTC; the date may still not exist."""

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)

_NAIVE = re.compile(rf"{_CLOCK}(?:{_SECONDS})?", re.ASCII)
_WITH_SECONDS = re.compile(rf"{_CLOCK}{_SECONDS}{_OFFSET}", re.ASCII)


class CsvRow(NamedTuple):
    """One row of a CSV file: its line, the header is line 1, and its cells without blanks around them."""

    line: int
    cells: list[str]


def read_rows(path: Path, columns: tuple[str, ...], faults: list[Fault]) -> list[CsvRow]:
    """Rows with as many cells as the header has; adds a fault for each other row, and for what is not CSV.

    Parameters
    ----------
    columns : the header that the file must have.

    Raises
    ------
    InputFaults : the file cannot be read, or has another header.
    """
    text = read_text(path, MOST_MEGABYTES).rstrip()
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    wanted = ",".join(columns)
    header = [cell.strip() for cell in lines[0].replace('"', "").split(",")]
    if header != list(columns):
        found = f"the header is {shown(lines[0])}"
        if re.split(r"\s*[;\t|]\s*", lines[0].strip()) == list(columns):
            found = "the cells are not divided by commas"
        raise single_fault(path, f"{found}; expected {wanted}", 1)
    reader = csv.reader(lines[1:], strict=True)
    rows = []
    try:
        for cells in reader:
            line = reader.line_num + 1
            if len(cells) == len(columns):
                rows.append(CsvRow(line, [cell.strip() for cell in cells]))
            else:
                what = f"cells: {len(cells)}" if cells else "an empty line"
                faults.append(Fault(str(path), line, None, f"found {what}; expected {wanted}"))
    except csv.Error as error:
        faults.append(Fault(str(path), reader.line_num + 1, None, f"this is not CSV: {shortened(str(error))}"))
    return rows


def stamp_problem(cell: str) -> str:
    """Why a cell cannot be read as an instant."""
    if not cell:
        problem = "the cell is empty"
    elif _NAIVE.fullmatch(cell):
        problem = f"{shown(cell)} has no offset"
    elif _WITH_SECONDS.fullmatch(cell) and not STAMP.fullmatch(cell):
        problem = f"{shown(cell)} is not on a whole minute"
    else:
        problem = f"{shown(cell)} cannot be read as an instant"
    return f"{problem}; expected an instant with its offset, such as 2026-03-02T18:00+00:00"


def number_problem(cell: str, least: float = 0.0) -> str | None:
    """What is wrong with a finite number of `least` or more, up to MOST, or None."""
    allowed = f"expected a finite number{', 0 or more' if least == 0 else ''}"
    if not NUMBER.fullmatch(cell):
        return f"{f'{shown(cell)} is not a number' if cell else 'the cell is empty'}; {allowed}"
    value = float(cell)
    if math.isinf(value):
        return f"{shown(cell)} is not finite; {allowed}"
    if value < least:
        return f"{shown(cell)} is under {least:.0f}; {allowed}"
    return f"{shown(cell)} is over 1e9; {allowed}, up to 1e9" if value > MOST else None


def price_problem(cell: str) -> str | None:
    """What is wrong with a finite number of either sign, or None."""
    return number_problem(cell, least=-MOST)
