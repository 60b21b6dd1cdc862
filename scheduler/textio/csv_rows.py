"""Read CSV files of instants and numbers row by row, and say what is wrong with a cell."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from scheduler.textio.bounds import METERED_KW, Bound
from scheduler.textio.errors import (
    MOST_FOUND,
    MOST_LISTED,
    Fault,
    InputFaults,
    in_line_order,
    shortened,
    shown,
    single_fault,
)
from scheduler.textio.read_text import beginning_of, read_lines

MOST_MEGABYTES = 50

_CLOCK = r"(?:19[7-9]\d|2[01]\d{2})-\d{2}-\d{2}[T ]\d{2}:\d{2}"
_SECONDS = r":\d{2}(?:\.\d+)?"
_OFFSET = r"(?:Z|[+-](?:0\d|1[0-4]):?[0-5]\d)"

STAMP = re.compile(rf"{_CLOCK}(?::00(?:\.0{{1,9}})?)?{_OFFSET}", re.ASCII)
"""An instant on a whole minute from 1970 to 2199, with its offset from UTC; the date may still not exist."""

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,4})?", re.ASCII)

_NAIVE = re.compile(rf"{_CLOCK}(?:{_SECONDS})?", re.ASCII)
_WITH_SECONDS = re.compile(rf"{_CLOCK}{_SECONDS}{_OFFSET}", re.ASCII)


class CsvRow(NamedTuple):
    """One row of a CSV file: its line number (the header is line 1) and its cells, stripped of surrounding blanks."""

    line: int
    cells: list[str]


def read_rows(
    path: Path, columns: tuple[str, ...], faults: list[Fault], optional: tuple[str, ...] = ()
) -> Iterator[CsvRow]:
    """Read the rows of a file one by one.

    A row with another number of cells than the header, or one that is not CSV, becomes a fault. Reading stops once
    there are 10000 faults.

    Parameters
    ----------
    columns : the header that the file must have.
    faults : faults found are added here; the caller adds those of the cells.
    optional : columns that may follow them, each once and in any order.

    Yields
    ------
    Each row with as many cells as the header; then the cells of the optional columns, empty where there is none.

    Raises
    ------
    InputFaults : the file cannot be read, has another header or has too many faults.
    """
    beginning_of(path)
    lines = read_lines(path, MOST_MEGABYTES)
    _, first = next(lines)
    header = _header(path, first, columns, optional)
    wanted = ",".join(header)
    places = [header.index(name) if name in header else None for name in optional]
    reader = csv.reader((f"{text}\n" for _, text in lines), strict=True)
    empty: list[int] = []
    try:
        for cells in reader:
            line = reader.line_num + 1
            if not cells:
                empty.append(line)
            else:
                faults += _empty_lines(path, empty, wanted)  # empty lines at the end of the file are no faults
                empty.clear()
                if len(cells) == len(header):
                    found = [cell.strip() for cell in cells]
                    further = ["" if place is None else found[place] for place in places]
                    yield CsvRow(line, [*found[: len(columns)], *further])
                elif any(cells) or len(cells) > 1:
                    faults.append(Fault(str(path), line, None, f"found cells: {len(cells)}; expected {wanted}"))
                else:
                    empty.append(line)
            if len(faults) + len(empty) >= MOST_FOUND:
                raise _too_many([*faults, *_empty_lines(path, empty, wanted)], line)
    except csv.Error as error:
        faults += _empty_lines(path, empty, wanted)
        faults.append(Fault(str(path), reader.line_num + 1, None, f"this is not CSV: {shortened(str(error))}"))


def _header(path: Path, first: str, columns: tuple[str, ...], optional: tuple[str, ...]) -> list[str]:
    """Return the header; refuse a first line that is none."""
    header = [cell.strip() for cell in first.replace('"', "").split(",")]
    further = header[len(columns) :]
    if header[: len(columns)] == list(columns) and set(further) <= set(optional) and len(set(further)) == len(further):
        return header
    found = f"the header is {shown(first)}"
    if re.split(r"\s*[;\t|]\s*", first.strip()) == list(columns):
        found = "the cells are not separated by commas"
    may_follow = f"[,{','.join(optional)}]" if optional else ""
    raise single_fault(path, f"{found}; expected {','.join(columns)}{may_follow}", 1)


def _empty_lines(path: Path, lines: list[int], wanted: str) -> list[Fault]:
    """Return a fault for each empty line."""
    return [Fault(str(path), line, None, f"found an empty line; expected {wanted}") for line in lines]


def _too_many(faults: list[Fault], line: int) -> InputFaults:
    """Return the first faults of a file with too many of them, and how many more there were."""
    first = in_line_order(faults)[:MOST_LISTED]
    file, rest = first[0].file, len(faults) - len(first)
    end = Fault(file, line, None, "there are too many faults; what is after this line was not read")
    return InputFaults([*first, end, Fault(file, None, None, f"and {rest} more", counts=rest)])


def stamp_problem(cell: str) -> str:
    """Return why a cell cannot be read as an instant, and what is expected.

    Examples
    --------
    >>> stamp_problem("2026-03-02T18:00")
    '"2026-03-02T18:00" has no offset; expected an instant with its offset, such as 2026-03-02T18:00+00:00'
    """
    if not cell:
        problem = "the cell is empty"
    elif _NAIVE.fullmatch(cell):
        problem = f"{shown(cell)} has no offset"
    elif _WITH_SECONDS.fullmatch(cell) and not STAMP.fullmatch(cell):
        problem = f"{shown(cell)} is not on a whole minute"
    else:
        problem = f"{shown(cell)} cannot be read as an instant"
    return f"{problem}; expected an instant with its offset, such as 2026-03-02T18:00+00:00"


def number_problem(cell: str, bound: Bound = METERED_KW) -> str | None:
    """Return what is wrong with a number in a cell, and what is expected; None if nothing is.

    Examples
    --------
    >>> number_problem("1,5", Bound(0, 10, "kW"))
    '"1,5" is not a number; expected 0 to 10 kW'
    >>> number_problem("1.5", Bound(0, 10, "kW"))
    """
    if not NUMBER.fullmatch(cell):
        return f"{f'{shown(cell)} is not a number' if cell else 'the cell is empty'}; expected {bound.text}"
    return bound.problem(float(cell), shown(cell))
