"""Read meter files in NEM12, the interval data format of the Australian electricity market, strictly.

A 200 record names a register, the 300 records below it hold one day each, 400 records below a day hold the quality of
its intervals, and a 900 record ends the file; 500 records (why the meter was read) say nothing about energy. Dates are
market time, UTC+10 all year, so that every day has 24 hours. `nem12_records` gives the source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.days_asked import ALL_DAYS, DaysAsked, left_out_note
from scheduler.metering.nem12_records import (
    KWH_OF_UNIT,
    MINUTES_A_DAY,
    DataDetails,
    DayRecord,
    RecordError,
    check_number_of_cells,
    data_details,
    date_of,
    day_record,
    event_record,
    record_cells,
)
from scheduler.textio.errors import MOST_LISTED, Fault, InputFaults, in_line_order, listed, shown, single_fault
from scheduler.textio.read_text import read_lines

MOST_MEGABYTES = 200
LAYOUT = "NEM12"

_MARKET_TIME_SECONDS = 10 * 3600
_SECONDS_A_DAY = 24 * 3600
_ESTIMATED = "EFS"
_NO_DATA = "N"
_FEWEST_DETAILS = 9
"""Cells of a 200 record up to the length of its intervals."""
_HEADER = "a header such as 100,NEM12,202603020415,SENDER,RECEIVER"
_NEM13_TEXT = (
    "NEM13 holds accumulated reads, not intervals; expected NEM12: ask the retailer or the distributor for the "
    "interval data of this meter (NEM12); a meter that keeps no intervals has none until it is replaced"
)
_MOST_FAULTS = 10_000
"""Number of faults at which reading stops, so that a large file of another kind is refused soon."""


def looks_like_nem12(first_line: str) -> bool:
    """Return whether the first line of a file is a NEM12 header, a 100 record that names the layout, or a 200 record.

    Some retailers' portals leave the header out.

    Examples
    --------
    >>> looks_like_nem12("100,NEM12,202603020415,SENDER,RECEIVER"), looks_like_nem12("start,kw")
    (True, False)
    >>> looks_like_nem12("200,9900000011,E1,1,E1,N1,SERIAL1,kWh,30,")
    True
    """
    try:
        cells = record_cells(first_line.removeprefix("\ufeff"))
    except RecordError:
        return False
    if cells[0] == "200":
        return len(cells) >= _FEWEST_DETAILS and cells[8].isdecimal()
    return len(cells) > 1 and cells[0] == "100" and cells[1].upper() == "NEM12"


def read_nem12(path: Path, asked: DaysAsked = ALL_DAYS) -> MeterReading:
    """Read the energy channels in a NEM12 file, by connection point and suffix, in file order.

    Intervals marked as null data are gaps. Where a day is given again, the record with the later UpdateDateTime counts.
    A register that changes its interval length, as when its meter was replaced, is read at the longest. Several files
    joined into one, each from its header to its end record, are read as one. A file that begins with a 200 record is
    read with a note that its header is missing; its end record may then be missing too.

    Parameters
    ----------
    asked : days on which a fault counts; on others, days with a fault are left out.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    reader = _Reader(str(path), asked)
    number = 0
    for number, line in read_lines(path, MOST_MEGABYTES):
        if not line or line.isspace():
            continue
        reader.take(number, line)
        if len(reader.faults) >= _MOST_FAULTS:
            rest = Fault(str(path), None, None, f"and more; what is after line {number} was not read")
            raise InputFaults([*in_line_order(reader.faults)[:MOST_LISTED], rest])
    reader.end(number)
    if reader.faults:
        raise InputFaults(listed(in_line_order(reader.faults)))
    channels = tuple(channel for register in reader.registers.values() if (channel := _channel(register)) is not None)
    if not channels:
        raise single_fault(path, "no interval holds energy; expected a file with 300 records of energy")
    return MeterReading(LAYOUT, channels, tuple(reader.notes()))


@dataclass(frozen=True, slots=True, eq=False)
class _Day:
    """One day: values in the unit of the register, and the letter of their quality, one for all or one each."""

    updated: int
    step_minutes: int
    quality: str
    values: FloatArray


@dataclass(slots=True, eq=False)
class _Register:
    """What the file holds of one register; `intervals` and `nulls` are counted when it becomes a channel."""

    nmi: str
    suffix: str
    kind: ChannelKind
    unit: str
    step_minutes: int
    days: dict[int, _Day] = field(default_factory=dict)
    given_again: set[int] = field(default_factory=set)
    intervals: int = 0
    nulls: int = 0
    lengths: set[int] = field(default_factory=set)


@dataclass(slots=True, eq=False)
class _OpenDay:
    """A day whose 400 records may still follow: the quality of each interval, and which ones have had a record."""

    record: DayRecord
    quality: list[str]
    told: list[bool]


class _Reader:
    """Reader that takes the lines of a file in order."""

    def __init__(self, file: str, asked: DaysAsked) -> None:
        self.file = file
        self.asked = asked
        self.left_out_days = 0
        self.faults: list[Fault] = []
        self.registers: dict[tuple[str, str], _Register] = {}
        self._left_out: dict[str, dict[str, None]] = {}
        self._units: dict[str, tuple[str, int]] = {}
        self._header_read = False
        self._without_header = False
        self._ended = True
        self._below_details = False
        self._register: _Register | None = None
        self._day: _OpenDay | None = None
        self._day_above = False

    def take(self, line: int, text: str) -> None:
        """Take a line that is not empty, and add its fault if it has one."""
        cells = [""]
        try:
            cells = record_cells(text)
            if cells[0] == "200" and not self._header_read and not self.faults:
                self._without_header, self._header_read, self._ended = True, True, False
            if self._ended:
                self._header(cells, line)
            elif cells[0] == "300":
                self._interval_data(cells, line)
            elif cells[0] == "200":
                self._details(cells, line)
            elif cells[0] == "400":
                self._event(cells)
            elif cells[0] == "900":
                check_number_of_cells(cells)
                self._leave_register()
                self._ended = True
            elif cells[0] == "500":
                check_number_of_cells(cells)
            elif cells[0] == "100":
                raise RecordError("a header before the end record of the file above it; expected 900 before it")
            else:
                raise RecordError(f"{shown(cells[0])} is not a type of record; expected 100, 200, 300, 400, 500 or 900")
        except RecordError as error:
            day, self._day = self._day, None  # what its 400 records should have been is no longer known
            if (cells[0] == "300" and self._is_other_day(date_of(cells))) or (
                cells[0] == "400" and day is not None and self._is_other_day(day.record.day)
            ):
                self.left_out_days += 1
            else:
                self._add(line, error.key, error.message)

    def end(self, last_line: int) -> None:
        """Take the end of the file; if it is cut off, add that fault instead of those of its last line."""
        if not self._ended and self._without_header:
            self._leave_register()
        elif not self._ended:
            self.faults = [fault for fault in self.faults if fault.line != last_line]
            message = "the file is cut off here, without its end record; expected 900 at the end"
            self._add(last_line, None, message)
        if (self._ended or self._without_header) and not self.registers and not self.faults:
            found = ", ".join(sorted({suffix for suffixes in self._left_out.values() for suffix in suffixes}))
            message = f"no register counts energy, {'only ' + found if found else 'there is no 200 record'}"
            self._add(None, None, f"{message}; expected at least one suffix E (drawn from the grid) or B (fed to it)")

    def notes(self) -> list[str]:
        """Return what the reader should know once the registers are channels, one sentence each."""
        notes = []
        if self._without_header:
            end = "" if self._ended else ", and its end record (900) too: it may be cut off"
            notes.append(f"The file's header (the 100 record) is missing{end}; it is read as NEM12.")
        if self.left_out_days:
            notes.append(left_out_note(self.left_out_days, "record"))
        for nmi, suffixes in self._left_out.items():
            names = ", ".join(suffixes)
            notes.append(f"{nmi}: left out {names}, neither energy drawn from the grid (E) nor fed to it (B).")
        for register in self.registers.values():
            name = f"{register.nmi} {register.suffix}"
            if register.given_again:
                first = _market_date(min(register.given_again))
                days = _counted(len(register.given_again), "day is", "days are")
                notes.append(
                    f"{name}: {days} given more than once, the first {first}; the record with the later UpdateDateTime "
                    "counts; if they are equal, the one further down in the file."
                )
            if len(register.lengths) > 1:
                notes.append(
                    f"{name}: its intervals change in length; all are read as intervals of {max(register.lengths)} "
                    "minutes, estimated where any part is."
                )
            if register.nulls:
                intervals = _counted(register.nulls, "interval is", "intervals are")
                notes.append(f"{name}: {intervals} marked as null data (N) and left out.")
            if not register.intervals:
                notes.append(f"{name}: left out, as it has no intervals with data.")
        return notes

    def _is_other_day(self, day: int | None) -> bool:
        """Return whether a day of market time, counted from 1970, is none of those asked for."""
        if day is None:
            return False
        begin = day * _SECONDS_A_DAY - _MARKET_TIME_SECONDS
        return not self.asked.hold(begin, begin + _SECONDS_A_DAY)

    def _add(self, line: int | None, key: str | None, message: str) -> None:
        self.faults.append(Fault(self.file, line, key, message))

    def _header(self, cells: list[str], line: int) -> None:
        """Take a header; raise at once if it is another record, as what follows would be of no known kind."""
        where = "after the end record 900" if self._header_read else "at the start of the file"
        if cells[0] != "100":
            self._stop(line, f"a record {shown(cells[0])} {where}; expected {_HEADER}")
        version = cells[1].upper() if len(cells) > 1 else ""
        if version == "NEM13":
            self._stop(line, _NEM13_TEXT)
        if version != LAYOUT:
            self._stop(line, f"the header names the layout {shown(version)}; expected {_HEADER}")
        self._header_read, self._ended = True, False
        check_number_of_cells(cells)

    def _stop(self, line: int, message: str) -> None:
        self._add(line, None, message)
        raise InputFaults(listed(in_line_order(self.faults)))

    def _leave_register(self) -> None:
        self._close_day()
        self._register, self._below_details, self._day_above = None, False, False

    def _details(self, cells: list[str], line: int) -> None:
        self._leave_register()
        self._below_details = True
        details = data_details(cells)
        if details.kind is None:
            self._left_out.setdefault(details.nmi, {})[details.suffix] = None
            return
        unit, unit_line = self._units.setdefault(details.nmi, (details.unit, line))
        if unit != details.unit:
            raise RecordError(
                f"mixed units: {shown(cells[7])} for {details.nmi} here, and {unit} at line {unit_line}; "
                "expected one unit for all energy of one NMI",
                "UOM",
            )
        self._register = self._register_of(details, details.kind)

    def _register_of(self, details: DataDetails, kind: ChannelKind) -> _Register:
        key = (details.nmi, details.suffix)
        register = self.registers.get(key)
        if register is None:
            register = _Register(details.nmi, details.suffix, kind, details.unit, details.step_minutes)
            self.registers[key] = register
        register.step_minutes = details.step_minutes  # of the days below this record
        return register

    def _interval_data(self, cells: list[str], line: int) -> None:
        self._close_day()
        if not self._below_details:
            raise RecordError("a 300 record before any 200 record; expected first a 200 record with its register")
        self._day_above = True
        if self._register is None:  # a register that is left out, or whose 200 record is at fault
            return
        record = day_record(cells, line, self._register.step_minutes)
        count = len(record.values)
        self._day = _OpenDay(record, [record.quality] * count, [False] * count)

    def _event(self, cells: list[str]) -> None:
        if not self._day_above:
            raise RecordError("a 400 record without a 300 record above it; expected first a 300 record with its day")
        if self._day is None:
            return
        event = event_record(cells, len(self._day.quality))
        span = slice(event.first, event.after)
        if any(self._day.told[span]):
            again = event.first + self._day.told[span].index(True) + 1
            raise RecordError(f"interval {again} already has a 400 record; expected one for each interval")
        self._day.told[span] = [True] * (event.after - event.first)
        self._day.quality[span] = [event.quality] * (event.after - event.first)

    def _close_day(self) -> None:
        """Take a day once its last 400 record has been read; add the faults that show only then."""
        day, self._day = self._day, None
        if day is None or self._register is None:
            return
        record = day.record
        if self._is_other_day(record.day) and ("V" in day.quality or record.problems):
            self.left_out_days += 1
            return
        if "V" in day.quality:
            hole = day.quality.index("V") + 1
            message = f"V without a 400 record for interval {hole}; expected a 400 record for each interval of the day"
            self._add(record.line, "QualityMethod", message)
            return
        bad = [(index, problem) for index, problem in record.problems if day.quality[index] != _NO_DATA]
        if bad:
            index, problem = bad[0]
            more = f" (and {len(bad) - 1} more in this record)" if len(bad) > 1 else ""
            self._add(record.line, f"IntervalValue{index + 1}", problem + more)
            return
        letters = set(day.quality)
        quality = day.quality[0] if len(letters) == 1 else "".join(day.quality)
        known = self._register.days.get(record.day)
        if known is not None:
            self._register.given_again.add(record.day)
            if record.updated < known.updated:
                return
        self._register.days[record.day] = _Day(record.updated, self._register.step_minutes, quality, record.values)
        self._register.lengths.add(self._register.step_minutes)


def _channel(register: _Register) -> Channel | None:
    """Return the days of a register in order as a channel, without null data; None if nothing is left.

    The days are removed from the register, to save memory.
    """
    if not register.days:
        return None
    days = np.array(sorted(register.days), dtype=np.int64)
    step_minutes = max(register.lengths)
    step_seconds = step_minutes * 60
    count = MINUTES_A_DAY // step_minutes
    values = np.empty((len(days), count))
    estimated = np.zeros((len(days), count), dtype=np.bool_)
    kept = np.ones((len(days), count), dtype=np.bool_)
    for row, number in enumerate(days.tolist()):
        day = register.days.pop(number)
        values[row] = day.values.reshape(count, -1).sum(axis=1)
        if day.quality != "A":
            letters = np.broadcast_to(np.array(list(day.quality)), day.values.shape).reshape(count, -1)
            estimated[row] = np.isin(letters, list(_ESTIMATED)).any(axis=1)
            kept[row] = (letters != _NO_DATA).all(axis=1)
    times, parts = KWH_OF_UNIT[register.unit]
    values *= times
    values /= parts
    seconds = (days * _SECONDS_A_DAY - _MARKET_TIME_SECONDS)[:, np.newaxis] + np.arange(count) * step_seconds
    register.intervals = int(kept.sum())
    register.nulls = kept.size - register.intervals
    if not register.intervals:
        return None
    start = pd.DatetimeIndex(seconds[kept].astype("datetime64[s]"), tz="UTC")
    return Channel(register.suffix, register.nmi, register.kind, start, values[kept], estimated[kept], step_minutes)


def _market_date(day: int) -> str:
    return datetime.fromtimestamp(day * _SECONDS_A_DAY, UTC).date().isoformat()


def _counted(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}"
