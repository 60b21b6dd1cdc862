"""NEM12, the Australian market operator's published format of interval meter data.

Records: 100 header, 200 a channel of a connection point (its NMI), 300 one day of intervals, 400 qualities of parts
of a day whose 300 says they vary, 500 what was done at the meter (not read), 900 the end. Days and intervals are in
market time, ten hours ahead of UTC the whole year.

Source: AEMO, Meter Data File Format Specification NEM12 & NEM13, from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

import numpy as np

from models.arrays import FloatArray
from scheduler.faults import Fault, InputFaults, in_line_order, listed, shortened, shown, single_fault
from scheduler.meter_channels import ChannelKind, MeterReading
from scheduler.nem12_days import Day, Register, channel_of
from scheduler.text_files import file_problem

MOST_MEGABYTES = 500
LAYOUT = "NEM12"
LENGTHS_MINUTES = (5, 15, 30)
KINDS: dict[str, ChannelKind] = {"E": "import", "B": "export"}
"""What the first letter of a suffix counts: drawn from the grid, or fed to it."""
KWH_PER_UNIT = {"WH": 1e-3, "KWH": 1.0, "MWH": 1e3}
VARIES, NO_DATA = "V", "N"
LEAST_CELLS = {"100": 2, "200": 9, "300": 3, "400": 4, "500": 2, "900": 1}
MOST_AFTER_VALUES = 5

_NUMBERS = re.compile(r"[0-9.,+eE-]*", re.ASCII)
_QUALITY = re.compile(r"[AEFNSV]\d{0,2}", re.ASCII)
_SUFFIX = re.compile(r"[A-Z][0-9A-Z]", re.ASCII)
_DAY = re.compile(r"(\d{4})(\d{2})(\d{2})", re.ASCII)
_STAMP = re.compile(r"\d{14}", re.ASCII)


def looks_like_nem12(first_line: str) -> bool:
    """Whether a file that begins with this line is NEM12, or NEM13, which is refused in words."""
    return re.match(r"\s*100,\s*NEM1[23]\b", first_line, re.ASCII) is not None


def read_nem12(path: Path) -> MeterReading:
    """The channels of a NEM12 file, one for each register that counts energy from or to the grid.

    A day that is given twice is taken from the record that was updated later. Where a register changes its interval
    length, all of it is read at the longer one.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    problem = file_problem(path)
    if problem is not None:
        raise single_fault(path, problem)
    reading = _Reading(path)
    try:
        megabytes = path.stat().st_size / 1e6
        if megabytes > MOST_MEGABYTES:
            raise single_fault(path, f"{megabytes:.1f} MB is too large; allowed is up to {MOST_MEGABYTES} MB")
        with path.open(encoding="utf-8-sig", errors="strict", newline=None) as file:
            for line, text in enumerate(file, 1):
                if text.strip():
                    reading.record(line, text.rstrip("\r\n").split(","))
    except UnicodeDecodeError:
        raise single_fault(path, "this is not UTF-8 text") from None
    except OSError as error:
        raise single_fault(path, f"it cannot be read: {(error.strerror or 'unknown reason').lower()}") from None
    return reading.finish()


@dataclass(slots=True)
class _Reading:
    """What was read so far: where in the file's order of records it stands, the registers, and the faults."""

    path: Path
    registers: dict[tuple[str, str], Register] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    left_out: set[str] = field(default_factory=set)
    faults: list[Fault] = field(default_factory=list)
    last_line: int = 0
    ended: bool = False
    begun: bool = False
    register: Register | None = None
    length_minutes: int = 0
    factor: float = 1.0
    passing: bool = False
    day: Day | None = None
    varies: bool = False
    covered: list[tuple[int, int]] = field(default_factory=list)

    def record(self, line: int, cells: list[str]) -> None:
        """Read one record."""
        cells = [cell.strip() for cell in cells]
        kind, self.last_line = cells[0], line
        if kind not in LEAST_CELLS:
            self._fault(line, None, f"found a record {shown(kind)}; allowed are {', '.join(LEAST_CELLS)}")
            return
        if kind != "400":
            self._close_day()
        if kind != "100" and (not self.begun or self.ended):
            where = "after the 900 record" if self.ended else "before the 100 record"
            self._fault(line, None, f"a {kind} record {where}; allowed are records between the two")
            self.begun, self.ended = True, False
        if len(cells) < LEAST_CELLS[kind]:
            least = LEAST_CELLS[kind]
            self._fault(line, None, f"the {kind} record is cut: found {len(cells)} cells; allowed are {least} or more")
            self.register, self.passing = (None, True) if kind == "200" else (self.register, self.passing)
            return
        match kind:
            case "100":
                self._header(line, cells)
            case "200":
                self._channel(line, cells)
            case "300":
                self._day(line, cells)
            case "400":
                self._event(line, cells)
            case "900":
                self.ended = True

    def finish(self) -> MeterReading:
        """The channels; raises InputFaults."""
        self._close_day()
        if not self.ended and not self.faults:
            self._fault(
                self.last_line, None, "the file is cut: it ends without a 900 record; allowed is one at its end"
            )
        if not self.faults and not any(register.days for register in self.registers.values()):
            self._fault(None, None, "no channel counts energy; allowed are suffixes E… (drawn) and B… (fed in)")
        if self.faults:
            raise InputFaults(listed(in_line_order(self.faults)))
        channels = []
        notes = []
        if self.left_out:
            notes.append(
                f"Left out, since they count no energy from or to the grid: {', '.join(sorted(self.left_out))}."
            )
        for register in self.registers.values():
            if register.days:
                channel, said = channel_of(register)
                channels.append(channel)
                notes += said
        return MeterReading(LAYOUT, tuple(channels), tuple(notes))

    def _fault(self, line: int | None, key: str | None, message: str) -> None:
        self.faults.append(Fault(str(self.path), line, key, message))

    def _header(self, line: int, cells: list[str]) -> None:
        self.begun, self.ended, self.register = True, False, None
        if cells[1] != LAYOUT:
            hint = ", whose accumulated reads are no intervals" if cells[1] == "NEM13" else ""
            self._fault(line, None, f"this is {shown(cells[1])}{hint}; allowed is NEM12")

    def _channel(self, line: int, cells: list[str]) -> None:
        """A 200 record: which register the days that follow are of."""
        nmi, suffix, unit, length = cells[1], cells[4].upper(), cells[7].upper(), cells[8]
        self.register, self.passing = None, True
        if not nmi or not _SUFFIX.fullmatch(suffix):
            self._fault(
                line, None, f"found NMI {shown(nmi)} and suffix {shown(suffix)}; allowed are a NMI and E1, B1, …"
            )
            return
        if not (length.isascii() and length.isdigit()) or int(length) not in LENGTHS_MINUTES:
            allowed = ", ".join(str(each) for each in LENGTHS_MINUTES)
            self._fault(line, None, f"an interval length of {shown(length)}; allowed are {allowed} minutes")
            return
        if suffix[0] not in KINDS:
            self.left_out.add(f"{suffix} of {nmi} ({shortened(unit)})")
            return
        if unit not in KWH_PER_UNIT:
            self._fault(line, None, f"{suffix} is in {shown(unit)}; allowed are {', '.join(KWH_PER_UNIT)}")
            return
        first_unit, first_suffix = self.units.setdefault(nmi, (unit, suffix))
        if unit != first_unit:
            self._fault(
                line,
                None,
                f"mixed units: {suffix} of {nmi} is in {unit} and {first_suffix} in {first_unit}; allowed is one unit "
                "of energy a connection point",
            )
            return
        self.length_minutes, self.factor, self.passing = int(length), KWH_PER_UNIT[unit], False
        self.register = self.registers.setdefault(
            (nmi, suffix), Register(name=suffix, meter=nmi, kind=KINDS[suffix[0]])
        )

    def _day(self, line: int, cells: list[str]) -> None:
        """A 300 record: one day's values and their quality."""
        if self.register is None:
            if not self.passing:
                self._fault(
                    line, None, "a 300 record before any 200 record; allowed is a 200 record that names its channel"
                )
            return
        day = _day_from(cells[1])
        if day is None:
            self._fault(line, None, f"found the day {shown(cells[1])}; allowed is a date such as 20260302")
            return
        count = 1440 // self.length_minutes
        after = cells[2 + count :]
        values = _values(cells[2 : 2 + count])
        if values is None or len(values) < count or not after or len(after) > MOST_AFTER_VALUES or _is_number(after[0]):
            self._fault(line, None, self._wrong_day(cells, count))
            return
        if not (np.isfinite(values).all() and values.min() >= 0):
            worst = int(np.flatnonzero(~(values >= 0) | ~np.isfinite(values))[0])
            self._fault(
                line, None, f"interval {worst + 1} is {shown(cells[2 + worst])}; allowed is a finite number, 0 or more"
            )
            return
        quality = after[0]
        if not _QUALITY.fullmatch(quality):
            self._fault(
                line, None, f"found the quality {shown(quality)}; allowed is A, N, V, or E, F or S with a method"
            )
            return
        updated = after[3] if len(after) > 3 and _STAMP.fullmatch(after[3]) else ""
        missing = np.full(count, quality[0] == NO_DATA)
        self.day = Day(
            day, line, self.length_minutes, values * self.factor, missing, np.zeros(count, np.bool_), updated
        )
        self.day.estimated[:] = quality[0] in "EFS"
        self.varies = quality[0] == VARIES
        self.covered = [] if self.varies else [(1, count)]

    def _wrong_day(self, cells: list[str], count: int) -> str:
        """What is wrong with the cells of a 300 record."""
        numbers = next((at for at, cell in enumerate(cells[2:]) if not _is_number(cell)), len(cells) - 2)
        wanted = f"{count} values of {self.length_minutes} minutes and their quality"
        if numbers < count and 2 + numbers < len(cells) and not _QUALITY.fullmatch(cells[2 + numbers]):
            return f"interval {numbers + 1} is {shown(cells[2 + numbers])}; allowed is a finite number, 0 or more"
        if 2 + numbers == len(cells):
            return f"the 300 record is cut: found {numbers} values and no quality; allowed are {wanted}"
        if numbers == count:
            return f"found {len(cells) - 2 - count} cells after the values; allowed are 1 to {MOST_AFTER_VALUES}"
        return f"found {numbers} values; allowed are {wanted}"

    def _event(self, line: int, cells: list[str]) -> None:
        """A 400 record: the quality of some intervals of the day before it."""
        if self.day is None:
            if not self.passing and not self.faults:
                self._fault(line, None, "a 400 record without a day; allowed is one after a 300 record")
            return
        count = len(self.day.kwh)
        first, last = (int(cell) if cell.isascii() and cell.isdigit() else 0 for cell in cells[1:3])
        if not 1 <= first <= last <= count:
            found = f"{shown(cells[1])} to {shown(cells[2])}"
            self._fault(line, None, f"found intervals {found}; allowed are 1 to {count}, the first not after the last")
            return
        quality = cells[3]
        if not _QUALITY.fullmatch(quality) or quality[0] == VARIES:
            self._fault(line, None, f"found the quality {shown(quality)}; allowed is A, N, or E, F or S with a method")
            return
        if not self.varies:
            self._fault(line, None, "a 400 record for a day of one quality; allowed is one where the 300 says V")
            return
        if any(begin <= last and first <= end for begin, end in self.covered):
            self._fault(line, None, f"intervals {first} to {last} have a quality already; allowed is one for each")
            return
        self.covered.append((first, last))
        self.day.missing[first - 1 : last] = quality[0] == NO_DATA
        self.day.estimated[first - 1 : last] = quality[0] in "EFS"

    def _close_day(self) -> None:
        """Keep the day that was read, once its qualities are whole."""
        day, self.day = self.day, None
        if day is None or self.register is None:
            return
        if any(fault.line is not None and fault.line > day.line for fault in self.faults):
            return  # one of its 400 records is at fault, and that was told
        count = len(day.kwh)
        covered = sum(last - first + 1 for first, last in self.covered)
        if covered < count:
            self._fault(
                day.line,
                None,
                f"the day's quality varies, and 400 records tell it for {covered} of {count} intervals; allowed are "
                "records for all",
            )
            return
        self.register.keep(day)


def _day_from(cell: str) -> date | None:
    match = _DAY.fullmatch(cell)
    if match is None or not 1970 <= int(match[1]) <= 2199:
        return None
    try:
        return date(int(match[1]), int(match[2]), int(match[3]))
    except ValueError:
        return None


def _values(cells: list[str]) -> FloatArray | None:
    """Numbers of the cells, or None if one is no number."""
    if not _NUMBERS.fullmatch(",".join(cells)):
        return None
    try:
        return np.array([float(cell) for cell in cells])
    except ValueError:
        return None


def _is_number(cell: str) -> bool:
    return bool(cell) and _values([cell]) is not None
