"""Parse the records of a NEM12 file: a line into cells, and cells into values, or say what is wrong with them.

Source of the layout: "Meter Data File Format Specification NEM12 & NEM13" of the Australian Energy Market Operator,
section 4; of the first letter of a suffix: its National Metering Identifier procedure (this one from memory).
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np

from models.base.arrays import FloatArray
from scheduler.metering.channels import ChannelKind
from scheduler.textio.bounds import METERED_READING
from scheduler.textio.csv_rows import number_problem
from scheduler.textio.errors import shortened, shown

MINUTES_A_DAY = 24 * 60

STEPS_MINUTES = (5, 10, 15, 30, 60)
"""Interval lengths that are read. The format names 5, 15 and 30; 10 and 60 divide days and hours just as well."""

KINDS: dict[str, ChannelKind] = {"E": "import", "B": "export"}
"""What a suffix counts by its first letter: E is energy drawn from the grid, B energy fed to it."""

KWH_OF_UNIT = {"WH": (1, 1000), "KWH": (1, 1), "MWH": (1000, 1)}
"""kWh of one unit of energy as a fraction, so that a division by 1000 stays exact to the last digit."""

_QUALITY = re.compile(r"[AEFNS](?:\d\d)?|V", re.ASCII | re.IGNORECASE)
_ALLOWED_QUALITY = "A, E, F, N or S, with its two method digits as in S14, or V"
_CELLS = {"100": (2, 5), "200": (9, 10), "400": (4, 6), "500": (1, 5), "900": (1, 1)}
"""The fewest and the most cells of a record; those of a 300 record depend on its interval length."""

_CELLS_AFTER_VALUES = 5
_FIRST_YEAR, _LAST_YEAR = 1970, 2199
_EPOCH = date(1970, 1, 1).toordinal()


class RecordError(Exception):
    """What is wrong with a record, and the field where it is."""

    def __init__(self, message: str, key: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.key = key


@dataclass(frozen=True, slots=True)
class DataDetails:
    """A 200 record: which register the records below it belong to.

    Attributes
    ----------
    nmi : identifier of the connection point.
    suffix : of the register, in capitals.
    kind : what it counts; None for a register that is left out, whose unit and step are not read.
    unit : a key of `KWH_OF_UNIT`.
    step_minutes : length of every interval [min].
    """

    nmi: str
    suffix: str
    kind: ChannelKind | None
    unit: str
    step_minutes: int


@dataclass(frozen=True, slots=True, eq=False)
class DayRecord:
    """A 300 record.

    Attributes
    ----------
    line : number of its line.
    day : in market time, as days since 1 January 1970.
    values : of each interval in the unit of the register, NaN where the cell is faulty, shape (n,).
    problems : what is wrong with values, as (index, message); no fault if the interval is null data.
    quality : first letter of the quality, V where 400 records give it.
    updated : UpdateDateTime as a number that rises with it, 0 where it is not given.
    """

    line: int
    day: int
    values: FloatArray
    problems: tuple[tuple[int, str], ...]
    quality: str
    updated: int


@dataclass(frozen=True, slots=True)
class EventRecord:
    """A 400 record: the quality of the intervals `first` to `after` - 1, counted from 0."""

    first: int
    after: int
    quality: str


def record_cells(line: str) -> list[str]:
    """Return the cells of a line, stripped of surrounding blanks.

    Examples
    --------
    >>> record_cells('300, 20260302 ,"1.5"')
    ['300', '20260302', '1.5']
    """
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], strict=True))]
        except csv.Error as error:
            raise RecordError(f"this is not CSV: {shortened(str(error))}") from None
    return [cell.strip() for cell in line.split(",")]


def check_number_of_cells(cells: list[str]) -> None:
    """Raise RecordError where a record of another type than 300 has too few cells, or too many that are not empty."""
    fewest, most = _CELLS[cells[0]]
    if len(cells) < fewest or any(cells[most:]):
        allowed = f"{fewest}" if fewest == most else f"{fewest} to {most}"
        raise RecordError(f"a {cells[0]} record of {len(cells)} cells; expected {allowed}")


def data_details(cells: list[str]) -> DataDetails:
    """Parse a 200 record.

    Raises
    ------
    RecordError : too few or too many cells, no NMI or suffix; for energy, an unknown unit or interval length.
    """
    check_number_of_cells(cells)
    nmi, suffix, unit, length = cells[1], cells[4].upper(), cells[7].upper(), cells[8]
    if not nmi:
        raise RecordError("the cell is empty; expected the identifier of a connection point", "NMI")
    if not suffix:
        raise RecordError("the cell is empty; expected a suffix such as E1 or B1", "NMISuffix")
    kind = KINDS.get(suffix[0])
    if kind is None:
        return DataDetails(nmi, suffix, None, unit, 0)
    if unit not in KWH_OF_UNIT:
        raise RecordError(
            f"{shown(cells[7])} is not a unit of energy, which {suffix} counts; expected Wh, kWh or MWh", "UOM"
        )
    if length not in map(str, STEPS_MINUTES):
        allowed = ", ".join(map(str, STEPS_MINUTES[:-1]))
        raise RecordError(
            f"{shown(length)} is not a valid interval length; expected {allowed} or {STEPS_MINUTES[-1]} minutes",
            "IntervalLength",
        )
    return DataDetails(nmi, suffix, kind, unit, int(length))


def day_record(cells: list[str], line: int, step_minutes: int) -> DayRecord:
    """Parse a 300 record; faults in its values are returned, as 400 records may mark them as null data.

    Cells after the quality may be missing, as spreadsheets drop them.

    Raises
    ------
    RecordError : a wrong number of values, or a quality, date or time that is not valid.
    """
    count = MINUTES_A_DAY // step_minutes
    _check_day_cells(cells, count, step_minutes)
    after = 2 + count
    values, problems = _values(cells[2:after])
    return DayRecord(line, _day(cells[1]), values, problems, cells[after][0].upper(), _update_time(cells[after + 3 :]))


def date_of(cells: list[str]) -> int | None:
    """Return the day of a 300 record, as days since 1970; None if it is not valid."""
    try:
        return _day(cells[1]) if len(cells) > 1 else None
    except RecordError:
        return None


def event_record(cells: list[str], count: int) -> EventRecord:
    """Parse a 400 record.

    Parameters
    ----------
    count : number of intervals of the day.

    Raises
    ------
    RecordError : too few or too many cells, intervals that the day does not have, or a quality that is not valid.
    """
    check_number_of_cells(cells)
    first, last = (_interval_number(cells[1], count, "StartInterval"), _interval_number(cells[2], count, "EndInterval"))
    if last < first:
        raise RecordError(f"{last} is before the StartInterval {first}; expected {first} to {count}", "EndInterval")
    quality = cells[3].upper()
    if quality == "V" or not _QUALITY.fullmatch(quality):
        allowed = _ALLOWED_QUALITY.removesuffix(", or V")
        raise RecordError(f"{shown(cells[3])} is not a valid quality; expected {allowed}", "QualityMethod")
    return EventRecord(first - 1, last, quality[0])


def _check_day_cells(cells: list[str], count: int, step_minutes: int) -> None:
    """Raise RecordError unless the quality stands after as many values as the day has intervals."""
    after = 2 + count
    if len(cells) > after and _QUALITY.fullmatch(cells[after]):
        if any(cells[after + _CELLS_AFTER_VALUES :]):
            most = after + _CELLS_AFTER_VALUES
            raise RecordError(f"a 300 record of {len(cells)} cells; expected up to {most}")
        return
    wanted = f"expected {count}, one for every {step_minutes} minutes of the day"
    if len(cells) > after and cells[after][:1].isalpha():
        raise RecordError(f"{shown(cells[after])} is not a valid quality; expected {_ALLOWED_QUALITY}", "QualityMethod")
    found = next((index for index, cell in enumerate(cells[2:]) if _QUALITY.fullmatch(cell)), None)
    if found is not None:
        raise RecordError(f"{found} values before the QualityMethod; {wanted}")
    if len(cells) == after + 1 or (len(cells) > after and not cells[after]):
        found_there = shown(cells[after]) if cells[after] else "nothing"
        raise RecordError(f"found {found_there} after {count} values; expected {_ALLOWED_QUALITY}", "QualityMethod")
    raise RecordError(
        f"{max(0, len(cells) - 2)} values and no QualityMethod after them; {wanted}, and then the QualityMethod"
    )


def _values(cells: list[str]) -> tuple[FloatArray, tuple[tuple[int, str], ...]]:
    """Parse the values of a day, shape (n,); return them, and what is wrong with those that are NaN."""
    if not ",".join(cells).strip("0123456789.,"):  # plain decimals alone: no sign, exponent, "nan" or underscore
        try:
            values = np.array(cells, dtype=np.float64)
        except ValueError:  # an empty cell, or two points in one
            pass
        else:
            if (values <= METERED_READING.most).all():
                return values, ()
    problems = tuple(
        (index, problem) for index, cell in enumerate(cells) if (problem := number_problem(cell, METERED_READING))
    )
    bad = {index for index, _ in problems}
    values = np.array([math.nan if index in bad else float(cell) for index, cell in enumerate(cells)])
    return values + 0.0, problems  # a written -0 becomes 0


def _day(cell: str) -> int:
    try:
        day = date.fromisoformat(cell if _only_digits(cell, 8) else "")
    except ValueError:
        day = date.min
    if not _FIRST_YEAR <= day.year <= _LAST_YEAR:
        raise RecordError(f"{shown(cell)} is not a valid date; expected a date such as 20260302", "IntervalDate")
    return day.toordinal() - _EPOCH


def _update_time(cells: list[str]) -> int:
    """Parse UpdateDateTime, the first of the cells; its seconds, or its time of day, may be missing."""
    cell = cells[0] if cells else ""
    if not cell:
        return 0
    try:
        if not _only_digits(cell, 8, 12, 14):
            raise ValueError
        datetime.fromisoformat(f"{cell[:8]}T{cell[8:] or '00'}")
    except ValueError:
        raise RecordError(
            f"{shown(cell)} is not a valid date and time; expected one such as 20260303041500", "UpdateDateTime"
        ) from None
    return int(cell.ljust(14, "0"))


def _interval_number(cell: str, count: int, key: str) -> int:
    number = int(cell) if _only_digits(cell, 1, 2, 3) else 0
    if not 1 <= number <= count:
        raise RecordError(f"{shown(cell)} is not an interval of the day; expected 1 to {count}", key)
    return number


def _only_digits(cell: str, *lengths: int) -> bool:
    return len(cell) in lengths and cell.isascii() and cell.isdigit()
