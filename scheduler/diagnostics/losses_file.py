"""Measured efficiencies of a charger from CSV `direction,power_kw,efficiency_percent`, read strictly."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from models.site.charger_losses import DIRECTIONS, MeasuredPoint, undetermined_reason
from scheduler.textio.bounds import LOSS_EFFICIENCY_PERCENT, MEASURED_KW
from scheduler.textio.csv_rows import CsvRow, number_problem, read_rows
from scheduler.textio.errors import Fault, InputFaults, did_you_mean, in_line_order, listed, shown, single_fault

COLUMNS = ("direction", "power_kw", "efficiency_percent")
MOST_POINTS = 10_000


@dataclass(frozen=True, slots=True)
class LossTable:
    """A file's measured points and the line of each; they are enough to fit the losses to."""

    path: Path
    lines: tuple[int, ...]
    points: tuple[MeasuredPoint, ...]


def read_losses(path: Path) -> LossTable:
    """Return the measured points in a file, in the order of its lines; a point may appear more than once.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; or its points are too few or too much alike.
    """
    faults: list[Fault] = []
    rows: list[CsvRow] = []
    for row in read_rows(path, COLUMNS, faults):
        if len(rows) == MOST_POINTS:
            raise single_fault(path, f"found over {MOST_POINTS} points; expected up to that many", row.line)
        rows.append(row)
        faults += [Fault(str(path), row.line, column, problem) for column, problem in _problems(row)]
    if faults:
        raise InputFaults(listed(in_line_order(faults)))
    points = tuple(_point(row) for row in rows)
    short = undetermined_reason(points)
    if short is not None:
        raise single_fault(path, short)
    return LossTable(path, tuple(row.line for row in rows), points)


def _point(row: CsvRow) -> MeasuredPoint:
    direction = next(known for known in DIRECTIONS if known == row.cells[0])
    return MeasuredPoint(direction, float(row.cells[1]), float(row.cells[2]))


def _problems(row: CsvRow) -> list[tuple[str, str]]:
    """Return what is wrong with the cells of a row, each with its column."""
    direction, power, efficiency = row.cells
    problems = {
        "direction": _direction_problem(direction),
        "power_kw": number_problem(power, MEASURED_KW),
        "efficiency_percent": number_problem(efficiency, LOSS_EFFICIENCY_PERCENT),
    }
    return [(column, problem) for column, problem in problems.items() if problem is not None]


def _direction_problem(cell: str) -> str | None:
    if cell in DIRECTIONS:
        return None
    found = f"{shown(cell)} is not known" if cell else "the cell is empty"
    return f"{found}; expected {', '.join(DIRECTIONS[:-1])} or {DIRECTIONS[-1]}{did_you_mean(cell, DIRECTIONS)}"
