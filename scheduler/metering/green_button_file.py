"""Read a meter file in the Green Button format: ESPI XML of NAESB REQ.21, an Atom feed of interval readings."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.days_asked import ALL_DAYS, DaysAsked, left_out_note
from scheduler.metering.green_button_codes import (
    FORWARD,
    MOST_POWER_OF_TEN,
    NET,
    NO_DIRECTION,
    REVERSE,
    UNITS,
    WATT_HOURS,
    why_not_electricity,
    why_not_interval_energy,
)
from scheduler.metering.green_button_links import FaultList, Register, registers_of
from scheduler.metering.green_button_mend import A_DAY, FEWEST_FOR_A_LONE_ONE, mended, odd_readings, with_hour_of_change
from scheduler.metering.green_button_mend import Readings as OneLength
from scheduler.metering.green_button_xml import (
    DOUBTED,
    ESTIMATED,
    NO_MARK,
    UNSTATED,
    Entry,
    Feed,
    looks_like_xml,
    mark_of,
    read_feed,
    whole_number,
)
from scheduler.metering.local_clock import offsets_at
from scheduler.textio.errors import MOST_LISTED, shown, single_fault

__all__ = ["LAYOUT", "looks_like_xml", "read_green_button"]

LAYOUT = "Green Button (ESPI XML)"
SECONDS_AN_HOUR = 3600
MOST_REASONS = 3
HALF_A_YEAR = 182 * 24 * 60
"""Minutes from a winter's day to a summer's, or the other way round."""


class _Intervals(NamedTuple):
    """Readings of one register in time order, each start once.

    Attributes
    ----------
    start : seconds since 1970 UTC, shape (n,). value : as written, shape (n,). mark : of each reading, shape (n,).
    step_minutes : length of the intervals [min].
    """

    start: IntArray
    value: IntArray
    mark: IntArray
    step_minutes: int


@dataclass(frozen=True, slots=True)
class _Reader:
    """The file, and what is collected while reading its registers."""

    feed: Feed
    timezone: str
    asked: DaysAsked
    faults: FaultList
    notes: list[str]
    left_out: list[str]

    def leave_out(self, register: Register, reason: str) -> None:
        """Leave a register out, with a note."""
        self.left_out.append(f"{register.name} {reason}")
        self.notes.append(f"{register.name} is left out: it {reason}.")


def read_green_button(path: Path, timezone: str | None = None, asked: DaysAsked = ALL_DAYS) -> MeterReading:
    """Read the interval energy of electricity in a Green Button file.

    Forward flow is import, reverse is export. A net register becomes both, import over 0 and export under 0, unless its
    usage point has registers of import or export too. Registers of other units, services or kinds of values, and those
    whose readings are longer than an hour, are left out with a note. Starts are seconds since 1970 UTC, whatever the
    local clock does. `green_button_codes.ESTIMATED_QUALITIES` says which qualities count as estimated. What feeds get
    wrong at a change of the clocks, and a lone senseless reading, is mended as `green_button_mend` says.

    Parameters
    ----------
    timezone : IANA name of the site's zone, in which the clocks change; None: not known, so that nothing is mended.
    asked : days on which a fault counts; on others, readings with a fault are left out.

    Raises
    ------
    InputFaults : the file is not a Green Button file, holds nothing of use, or has faults in what is used, each with
        its line; the first ten and how many more.
    """
    feed = read_feed(path)
    if not len(feed.readings.block):
        raise single_fault(path, "this Atom feed holds no IntervalReading; expected Green Button XML with readings")
    reader = _Reader(feed, timezone or "UTC", asked, FaultList(str(path)), [], [])
    found = []
    for register, codes in _wanted(reader, registers_of(feed, reader.faults)):
        intervals = _intervals(reader, register, codes)
        if intervals is not None:
            found.append((register, codes, intervals))
    one_way = {FORWARD, REVERSE}
    with_one_way = {id(register.usage_point) for register, codes, _ in found if codes.get("flowDirection") in one_way}
    channels: list[Channel] = []
    for register, codes, intervals in found:
        if codes.get("flowDirection") == NET and id(register.usage_point) in with_one_way:
            reader.leave_out(register, "counts import less export, and the file has import or export by itself")
        else:
            channels += _channels(reader, register, codes, intervals)
    reader.faults.raise_any()
    if not channels:
        reasons = "; ".join(reader.left_out[:MOST_REASONS]) + ("; …" if len(reader.left_out) > MOST_REASONS else "")
        allowed = "expected at least one register in Wh with readings of up to 60 minutes"
        raise single_fault(path, f"no interval energy of electricity: {reasons}; {allowed}")
    if timezone is not None:
        reader.notes.extend(_clock_notes(feed, timezone, channels[0].start[0]))
    return MeterReading(LAYOUT, tuple(channels), tuple(reader.notes))


def _clock_notes(feed: Feed, timezone: str, first: pd.Timestamp) -> list[str]:
    """Return a warning where the feed's own clock is not that of the site; nothing if it has none, or the same."""
    year = np.array([np.datetime64(f"{first.year}-01-01", "m").astype(np.int64)])
    halves = [int(offsets_at(year + half * HALF_A_YEAR, timezone)[0]) * 60 for half in (0, 1)]
    winter, summer = min(halves), max(halves)
    for clock in feed.clocks:
        found = {name: whole_number(leaf.text, -A_DAY, A_DAY) for name, leaf in clock.codes.items()}
        offset, summer_offset = found.get("tzOffset"), found.get("dstOffset")
        if offset is not None and offset != winter:
            return [
                f"The feed's own clock is {_offset_text(offset)} in winter (LocalTimeParameters), and the site's, "
                f"{timezone}, is {_offset_text(winter)}: check the site's timezone; days and prices follow the site's."
            ]
        if summer_offset and summer == winter:
            return [
                f"The feed's own clock has summer time (LocalTimeParameters), and the site's, {timezone}, has none: "
                "check the site's timezone; days and prices follow the site's."
            ]
    return []


def _offset_text(seconds: int) -> str:
    """Return an offset from UTC: "UTC−05:00"."""
    minutes = abs(seconds) // 60
    return f"UTC{'−' if seconds < 0 else '+'}{minutes // 60:02}:{minutes % 60:02}"


def _wanted(reader: _Reader, registers: list[Register]) -> list[tuple[Register, dict[str, int]]]:
    """Return the registers of interval energy with the codes of their ReadingType; leave out the others."""
    codes_of: dict[int, dict[str, int] | None] = {}
    wanted = []
    for register in registers:
        kind = register.reading_type
        service = _codes(register.usage_point, reader.faults) if register.usage_point else {}
        if id(kind) not in codes_of:
            codes_of[id(kind)] = _codes(kind, reader.faults)
        codes = codes_of[id(kind)]
        if codes is None or service is None:
            continue
        reason = why_not_electricity(codes, service.get("kind"))
        if reason is None and not _unit_is_known(codes, kind, reader.faults):
            continue
        reason = reason or why_not_interval_energy(codes)
        if reason is None:
            wanted.append((register, codes))
        else:
            reader.leave_out(register, reason)
    return wanted


def _codes(entry: Entry, faults: FaultList) -> dict[str, int] | None:
    """Return the codes of a resource, or None if one cannot be read."""
    codes = {}
    for name, leaf in entry.codes.items():
        least, most = (-MOST_POWER_OF_TEN, MOST_POWER_OF_TEN) if name == "powerOfTenMultiplier" else (0, 2**32 - 1)
        number = whole_number(leaf.text, least, most)
        if number is None:
            faults.add(leaf.line, name, f"found {shown(leaf.text)}; expected a whole number, {least} to {most}")
            return None
        codes[name] = number
    return codes


def _unit_is_known(codes: Mapping[str, int], kind: Entry, faults: FaultList) -> bool:
    """Return whether the unit of a ReadingType is known; add a fault if it is not."""
    unit = codes.get("uom")
    if unit == WATT_HOURS or unit in UNITS:
        return True
    problem = "the ReadingType has no uom" if unit is None else f"{unit} is not a unit of a meter"
    line = kind.line if unit is None else kind.codes["uom"].line
    faults.add(line, "uom", f"{problem}; expected {WATT_HOURS}, which is Wh")
    return False


def _intervals(reader: _Reader, register: Register, codes: Mapping[str, int]) -> _Intervals | None:
    """Return the readings of a register in time order; None if it has faults or is left out."""
    readings, rows = reader.feed.readings, register.rows
    rows = _without_other_days(reader, register, rows)
    faulty = rows[readings.faulty[rows] == 1]
    if len(faulty) == 1 and len(rows) >= FEWEST_FOR_A_LONE_ONE:
        reader.notes.append(
            f"{register.name}: one reading cannot be read and is left out: {_problem(reader, faulty[0])}."
        )
        rows = rows[readings.faulty[rows] == 0]
    elif len(faulty):
        _add_problems(reader, faulty)
        return None
    without_value = readings.value[rows] == UNSTATED
    rows = rows[~without_value]
    if not len(rows):
        reader.leave_out(register, "holds no value")
        return None
    start, seconds = _timed(reader, rows, codes)
    if start is None or seconds is None:
        return None
    order = np.argsort(start, kind="stable")
    rows, start, seconds = rows[order], start[order], seconds[order]
    value, mark = readings.value[rows], readings.mark[rows]
    mark = np.where(mark == NO_MARK, mark_of(codes.get("defaultQuality", 0)), mark)
    told = OneLength(start, seconds, value, mark)
    other = _odd_on_other_days(reader, told)
    if other.any():
        reader.notes.append(f"{register.name}: {left_out_note(int(other.sum()), 'reading')}")
        rows, told = rows[~other], told.ordered(~other)
        start, value, mark = told.start, told.value, told.mark
    done = mended(told, _usual(seconds), reader.timezone) if 0 < _usual(seconds) <= SECONDS_AN_HOUR else None
    if done is not None:
        told, said = done
        reader.notes.extend(f"{register.name}: {each}" for each in said)
        start, value, mark = told.start, told.value, told.mark
    length = _length(reader, register, codes, rows, told.seconds)
    if length is None:
        return None

    again = np.append(False, np.diff(start) == 0)
    other = again & np.append(False, np.diff(value) != 0)
    off_grid = _off_grid(start, length)
    if other.any():
        before = dict(zip(rows[1:].tolist(), rows[:-1].tolist(), strict=True))
        _add_rows(reader, rows[other], "value", lambda row: _contradiction(reader.feed, row, before[row]))
    if off_grid.any():
        first_of = dict(zip(rows.tolist(), range(len(rows)), strict=True))
        _add_rows(reader, rows[off_grid], "start", lambda row: _overlap(start, first_of[row], length))
    if other.any() or off_grid.any():
        return None

    groups = np.flatnonzero(~again)
    if without_value.any():
        reader.notes.append(f"{register.name}: {_readings(int(without_value.sum()))} without a value, left out.")
    if again.any():
        count = int(again.sum())
        reader.notes.append(f"{register.name}: {_readings(count)} in the file again with the same value, dropped.")
    marks = np.maximum.reduceat(np.where(mark == ESTIMATED, DOUBTED + 1, mark), groups)
    doubted = int((marks == DOUBTED).sum())
    if doubted:
        what = "failed a check of the meter operator (quality 10), read as measured"
        reader.notes.append(f"{register.name}: {_readings(doubted)} that {what}.")
    marks = np.where(marks > DOUBTED, ESTIMATED, marks)
    whole, said = with_hour_of_change(
        OneLength(start[groups], np.full(len(groups), length), value[groups], marks), length, reader.timezone
    )
    reader.notes.extend(f"{register.name}: {each}" for each in said)
    return _Intervals(whole.start, whole.value, whole.mark, length // 60)


def _without_other_days(reader: _Reader, register: Register, rows: IntArray) -> IntArray:
    """Return rows without those that cannot be read and begin on other days than those asked for."""
    readings = reader.feed.readings
    known = (readings.faulty[rows] == 1) & (readings.start[rows] != UNSTATED)
    other = known & _are_other_days(reader, readings.start[rows])
    if other.any():
        reader.notes.append(f"{register.name}: {left_out_note(int(other.sum()), 'reading')}")
    kept: IntArray = rows[~other]
    return kept


def _odd_on_other_days(reader: _Reader, told: OneLength) -> BoolArray:
    """Return which readings have another length or contradict others, on days that were not asked for, shape (n,)."""
    if reader.asked == ALL_DAYS or not len(told.start):
        return np.zeros(len(told.start), dtype=np.bool_)
    return odd_readings(told, max(1, _usual(told.seconds))) & _are_other_days(reader, told.start)


def _are_other_days(reader: _Reader, start: IntArray) -> BoolArray:
    return np.array([not reader.asked.hold(second, second + 1) for second in start.tolist()], dtype=np.bool_)


def _usual(seconds: IntArray) -> int:
    """Return the duration of most readings [s]."""
    durations, counts = np.unique(seconds, return_counts=True)
    return int(durations[np.argmax(counts)])


def _readings(count: int) -> str:
    return f"{count} reading" if count == 1 else f"{count} readings"


def _timed(reader: _Reader, rows: IntArray, codes: Mapping[str, int]) -> tuple[IntArray, IntArray] | tuple[None, None]:
    """Return start and duration of readings [s], shapes (n,); without timePeriod, they follow in file order."""
    readings, blocks = reader.feed.readings, reader.feed.interval_blocks
    start, seconds = readings.start[rows].copy(), readings.seconds[rows].copy()
    length = codes.get("intervalLength", 0)
    for index in np.flatnonzero(start == UNSTATED):
        block = blocks[int(readings.block[rows[index]])]
        leaf = block.codes.get("interval")
        begin = whole_number(leaf.text, 0, 2**32) if leaf else None
        if begin is None or not length:
            message = "a reading without timePeriod; expected only with the interval of its block and an intervalLength"
            reader.faults.add(int(readings.line[rows[index]]), "IntervalReading", message)
            return None, None
        start[index] = begin + (int(rows[index]) - block.first_row) * length
        seconds[index] = length
    return start, seconds


def _length(
    reader: _Reader, register: Register, codes: Mapping[str, int], rows: IntArray, seconds: IntArray
) -> int | None:
    """Return the one duration of all readings [s]; None if they differ, or do not divide an hour."""
    durations, usual = np.unique(seconds), _usual(seconds)
    if durations[0] > SECONDS_AN_HOUR:
        reader.leave_out(register, f"has readings of {usual / SECONDS_AN_HOUR:g} hours, sums over more than an hour")
        return None
    if len(durations) > 1:
        by_row = dict(zip(rows.tolist(), seconds.tolist(), strict=True))
        allowed = f"expected one duration in a register, and most readings have {usual} s"
        _add_rows(reader, rows[seconds != usual], "duration", lambda row: f"{by_row[row]} s; {allowed}")
        return None
    if usual == 0 or usual % 60 or SECONDS_AN_HOUR % usual:
        reader.leave_out(register, f"has readings of {usual} s, not a whole number of minutes that divides an hour")
        return None
    stated = codes.get("intervalLength", 0)
    if stated not in {0, usual}:
        line = register.reading_type.codes["intervalLength"].line
        message = f"{stated} s, but the readings have a duration of {usual} s; expected the same length"
        reader.faults.add(line, "intervalLength", message)
        return None
    return usual


def _off_grid(start: IntArray, length: int) -> BoolArray:
    """Return which starts are not a whole number of intervals from most others; overlapping readings always are."""
    remainder = start % length
    remainders, counts = np.unique(remainder, return_counts=True)
    return np.asarray(remainder != remainders[np.argmax(counts)], dtype=np.bool_)


def _overlap(start: IntArray, index: int, length: int) -> str:
    """Return what is wrong with a reading that is off the grid."""
    for other in (index - 1, index + 1):
        if 0 <= other < len(start) and 0 < abs(int(start[other] - start[index])) < length:
            problem = f"overlaps the reading of {_moment(start[other])}"
            break
    else:
        problem = f"is not a whole number of intervals of {length // 60} minutes from most of the others"
    return f"the reading of {_moment(start[index])} {problem}; expected readings that follow one another"


def _contradiction(feed: Feed, row: int, before: int) -> str:
    value, line = feed.readings.value, feed.readings.line
    moment = _moment(feed.readings.start[row])
    return (
        f"the reading of {moment} has {value[row]} here and {value[before]} in line {line[before]}; "
        "expected one value for an interval"
    )


def _moment(second: int | np.int64) -> str:
    return f"{datetime.fromtimestamp(int(second), UTC):%Y-%m-%dT%H:%M:%SZ}"


def _add_rows(reader: _Reader, rows: IntArray, key: str, message: Callable[[int], str]) -> None:
    """Add a fault for each of the first readings in the file, and count the others."""
    for row in np.sort(rows)[:MOST_LISTED].tolist():
        reader.faults.add(int(reader.feed.readings.line[row]), key, message(row))
    reader.faults.count(len(rows) - MOST_LISTED)


def _problem(reader: _Reader, row: int) -> str:
    """Return where a reading cannot be read, and why."""
    problem = reader.feed.problems.get(int(row))
    return "" if problem is None else f"line {problem.line}, {problem.key}: {problem.message}"


def _add_problems(reader: _Reader, rows: IntArray) -> None:
    """Add the problems found when the readings were parsed."""
    for row in rows[:MOST_LISTED].tolist():
        problem = reader.feed.problems.get(row)
        line = problem.line if problem else int(reader.feed.readings.line[row])
        message = problem.message if problem else "this reading cannot be read"
        reader.faults.add(line, problem.key if problem else "IntervalReading", message)
    reader.faults.count(len(rows) - MOST_LISTED)


def _channels(
    reader: _Reader, register: Register, codes: Mapping[str, int], intervals: _Intervals
) -> tuple[Channel, ...]:
    """Return the channel of a register, or import and export of a net one; none if a one-way value is under 0."""
    direction = codes.get("flowDirection", NO_DIRECTION)
    kwh = _kwh(intervals.value, codes.get("powerOfTenMultiplier", 0))
    start = pd.to_datetime(intervals.start, unit="s", utc=True).as_unit("s")
    estimated = np.asarray(intervals.mark == ESTIMATED, dtype=np.bool_)

    def channel(kind: ChannelKind, energy: FloatArray) -> Channel:
        return Channel(register.name, register.meter, kind, start, energy, estimated, intervals.step_minutes)

    if direction == NET:
        what = "values over 0 are read as import, values under 0 as export"
        reader.notes.append(f"{register.name} counts import less export (flowDirection {NET}): {what}.")
        return channel("import", np.maximum(kwh, 0.0)), channel("export", np.maximum(-kwh, 0.0))
    negative = intervals.value < 0
    if negative.any():
        _add_negatives(reader, register, direction)
        return ()
    if direction == NO_DIRECTION:
        reader.notes.append(f"{register.name} gives no direction (flowDirection) and is read as import.")
    return (channel("export" if direction == REVERSE else "import", kwh),)


def _add_negatives(reader: _Reader, register: Register, direction: int) -> None:
    value = reader.feed.readings.value
    rows = register.rows[(value[register.rows] < 0) & (value[register.rows] != UNSTATED)]
    allowed = f"expected 0 or more where flowDirection is {direction} (a net register has {NET})"
    _add_rows(reader, rows, "value", lambda row: f"{value[row]} is under 0; {allowed}")


def _kwh(value: IntArray, power_of_ten: int) -> FloatArray:
    """Convert values in Wh times a power of ten to kWh, rounded once, shape (n,)."""
    power = power_of_ten - 3
    scaled = value * 10.0**power if power >= 0 else value / 10.0**-power
    return np.asarray(scaled, dtype=np.float64) + 0.0
