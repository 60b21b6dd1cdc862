"""Read a meter's plain CSV: one row per interval, with `start` and a column for each channel."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice
from pathlib import Path
from typing import Any, get_args

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.inputs.series_file import LEAST_STEP_MINUTES, MOST_STEP_MINUTES
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.column_names import NO_NAMES, ColumnNames, with_own_names
from scheduler.metering.csv_table import (
    DAY_FIRST_NOTE,
    MeterRows,
    cells_text,
    estimated_cell,
    has_decimal_comma,
    iso_days,
    numbers,
    read_meter_rows,
    refuse,
    separator_notes,
)
from scheduler.metering.days_asked import ALL_DAYS, DaysAsked, left_out_note
from scheduler.metering.local_clock import Clock, instants, on_the_wall, standard_offset
from scheduler.metering.uneven_steps import HOURS, are_unequal, cut_to_one_step
from scheduler.textio.csv_rows import STAMP, stamp_problem
from scheduler.textio.errors import MOST_FOUND, Fault, did_you_mean, shown, single_fault

START, ESTIMATED = "start", "estimated"
KINDS: tuple[ChannelKind, ...] = get_args(ChannelKind)
VALUE_COLUMNS = {f"{kind}_{unit}": kind for kind in KINDS for unit in ("kwh", "kw")}
OTHER_COLUMNS = ("charge_kwh", "discharge_kwh", "load_kwh", "solar_kwh", "curtailed_kwh", "stored_kwh")
"""Columns of the tool's own metered files that are not channels of a meter."""
ALLOWED = f"{START} and one or more of {', '.join(VALUE_COLUMNS)}, and {ESTIMATED} if wanted"
FEWEST_ROWS = 2

_NAIVE = re.compile(r"(?:19[7-9]\d|2[01]\d{2})-\d{2}-\d{2}[T ]\d{2}:\d{2}(?::00)?", re.ASCII)


@dataclass(frozen=True, slots=True, eq=False)
class _Starts:
    """Start of each row [UTC minutes], shape (n,), which rows are kept, and notes on clock changes."""

    utc: IntArray
    kept: BoolArray
    notes: tuple[str, ...]


def is_plain_header(header: tuple[str, ...]) -> bool:
    """Return whether column names are those of a plain CSV: `start` and at least one known column besides."""
    return START in header and any(name in header for name in (*VALUE_COLUMNS, *OTHER_COLUMNS, ESTIMATED, HOURS))


def read_meter_csv(
    path: Path, timezone: str, clock: Clock = "local", names: ColumnNames = NO_NAMES, asked: DaysAsked = ALL_DAYS
) -> MeterReading:
    """Read the channels of a plain CSV; an empty cell is a gap.

    Parameters
    ----------
    timezone : IANA name, for a `start` without offset.
    clock : what a `start` without offset follows: the wall clock, or winter time all year.
    names : the meter's own column names, by the tool's.
    asked : days on which a cell that is no number is a fault; on others it is a gap.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    rows = with_own_names(read_meter_rows(path), names)
    columns = _columns(rows)
    width = len(rows.header)
    uneven = (index for index, row in enumerate(rows.rows) if len(row.cells) != width or not any(row.cells))
    refuse(
        [
            rows.fault(index, None, f"found {cells_text(rows.rows[index])}; expected {width} cells, as in the header")
            for index in islice(uneven, MOST_FOUND)
        ]
    )
    if len(rows.rows) < FEWEST_ROWS:
        raise single_fault(path, f"found {len(rows.rows)} rows under the header; expected {FEWEST_ROWS} or more")
    cells = dict(zip(rows.header, map(list, zip(*(row.cells for row in rows.rows), strict=True)), strict=True))
    number_cells = [cell for name in columns for cell in cells[name]]
    decimal_comma = has_decimal_comma(rows, number_cells)
    faults: list[Fault] = []
    values = {name: _numbers(rows, name, cells[name], decimal_comma, faults) for name in columns}
    hours = _numbers(rows, HOURS, cells[HOURS], decimal_comma, faults) if HOURS in cells else None
    estimated = _estimated(rows, cells.get(ESTIMATED), faults)
    stamps, day_first = iso_days(cells[START])
    line_of = {row.line: index for index, row in enumerate(rows.rows)}
    on_others = [fault for fault in faults if _is_other_day(stamps[line_of[fault.line or 0]], asked)]
    faults = [fault for fault in faults if fault not in on_others]
    if faults:
        _read_stamps(rows, stamps, cells[START], faults)
        refuse(faults)
    with_value = np.any([np.nan_to_num(value) > 0 for value in values.values()], axis=0)
    starts = _starts(rows, stamps, cells[START], with_value, timezone, clock)
    if hours is not None and are_unequal(hours):
        cut = cut_to_one_step(rows, starts.utc, hours)
        share = {name: cut.parts[cut.row] if name.endswith("_kwh") else 1 for name in columns}
        values = {name: value[cut.row] / share[name] for name, value in values.items()}
        note = f"Rows differ in length; they are cut to {cut.step_minutes} minutes, with their energy spread evenly."
        starts = _Starts(cut.utc, starts.kept[cut.row], (*starts.notes, note))
        estimated, step_minutes = estimated[cut.row], cut.step_minutes
    else:
        step_minutes = _step(rows, starts, hours)

    start = instants(starts.utc)
    channels = []
    for name, kind in columns.items():
        kwh = values[name] * (step_minutes / 60 if name.endswith("_kw") else 1.0)
        there = starts.kept & ~np.isnan(kwh)
        channels.append(Channel(kind, "", kind, start[there], kwh[there], estimated[there], step_minutes))
    if not any(len(channel.kwh) for channel in channels):
        raise single_fault(path, "every cell is empty; expected a file with values")
    notes = [*separator_notes(rows, number_cells), *([DAY_FIRST_NOTE] if day_first else []), *starts.notes]
    if on_others:
        notes.append(left_out_note(len(on_others), "cell"))
    empty = sum(int(np.isnan(value[starts.kept]).sum()) for value in values.values())
    if empty:
        notes.append(f"Empty cells: {empty}, read as gaps.")
    ignored = [name for name in rows.header if name in OTHER_COLUMNS]
    if ignored:
        notes.append(f"Left out, as they are not channels of a meter: {', '.join(ignored)}.")
    full = tuple(channel for channel in channels if len(channel.kwh))
    return MeterReading(f"CSV, one row every {step_minutes} minutes", full, tuple(notes))


def _columns(rows: MeterRows) -> dict[str, ChannelKind]:
    """Return the columns that hold a channel, and their kinds."""
    known = (START, ESTIMATED, HOURS, *VALUE_COLUMNS, *OTHER_COLUMNS)
    faults = [
        Fault(str(rows.path), 1, None, f"unknown column {shown(name)}{did_you_mean(name, known)}; expected {ALLOWED}")
        for name in rows.header
        if name not in known
    ]
    refuse(faults)
    columns = {name: VALUE_COLUMNS[name] for name in rows.header if name in VALUE_COLUMNS}
    twice = [kind for kind in KINDS if list(columns.values()).count(kind) > 1]
    if twice or not columns or START not in rows.header:
        found = f"both {twice[0]}_kwh and {twice[0]}_kw" if twice else f"the header {shown(','.join(rows.header))}"
        allowed = "one of them" if twice else ALLOWED
        raise single_fault(rows.path, f"found {found}; expected {allowed}", 1)
    return columns


def _is_other_day(stamp: str, asked: DaysAsked) -> bool:
    """Return whether a time is on none of the days asked for; one without offset is local."""
    if asked == ALL_DAYS or not _is_time(stamp):
        return False
    if _NAIVE.fullmatch(stamp):
        return not asked.hold_day(date.fromisoformat(stamp[:10]))
    second = datetime.fromisoformat(stamp).timestamp()
    return not asked.hold(second, second + 1)


def _numbers(rows: MeterRows, name: str, cells: list[str], decimal_comma: bool, faults: list[Fault]) -> FloatArray:
    values, problems = numbers(cells, decimal_comma)
    faults += [rows.fault(index, name, message) for index, message in problems]
    return values


def _estimated(rows: MeterRows, cells: list[str] | None, faults: list[Fault]) -> BoolArray:
    if cells is None:
        return np.zeros(len(rows.rows), dtype=np.bool_)
    meanings = [estimated_cell(cell) for cell in cells]
    faults += [
        rows.fault(index, ESTIMATED, f"found {shown(cells[index])}; expected yes or no")
        for index, meaning in enumerate(meanings)
        if meaning is None
    ]
    return np.array([bool(meaning) for meaning in meanings], dtype=np.bool_)


def _read_stamps(
    rows: MeterRows, stamps: list[str], found: list[str], faults: list[Fault]
) -> tuple[pd.DatetimeIndex, bool]:
    """Parse the starts, and add a fault for each that cannot be read.

    Returns
    -------
    The starts, in UTC if they have an offset, otherwise in local time; and whether they are in local time.
    """
    naive = next((bool(_NAIVE.fullmatch(stamp)) for stamp in stamps if _is_time(stamp)), False)
    form = _NAIVE if naive else STAMP
    readable = [stamp if form.fullmatch(stamp) else "" for stamp in stamps]
    index = pd.DatetimeIndex(pd.to_datetime(readable, format="ISO8601", utc=True, errors="coerce")).as_unit("s")
    for row in np.flatnonzero(index.isna()):
        stamp = stamps[row]
        if naive and STAMP.fullmatch(stamp):
            message = f"{shown(found[row])} has an offset, and the first time has none; expected all with or none"
        elif not naive and _NAIVE.fullmatch(stamp):
            message = f"{shown(found[row])} has no offset, and the first time has one; expected all with or none"
        elif naive:
            message = (
                f"{shown(found[row])} is not a local time on a whole minute; "
                "expected a time such as 2026-03-02T18:00, or with its offset"
            )
        else:
            message = stamp_problem(found[row])
        faults.append(rows.fault(int(row), START, message))
    return index, naive


def _is_time(stamp: str) -> bool:
    return bool(_NAIVE.fullmatch(stamp) or STAMP.fullmatch(stamp))


def _starts(
    rows: MeterRows, stamps: list[str], found: list[str], with_value: BoolArray, timezone: str, clock: Clock
) -> _Starts:
    """Return the starts as instants; `with_value` says which rows hold more than 0, shape (n,)."""
    faults: list[Fault] = []
    index, naive = _read_stamps(rows, stamps, found, faults)
    refuse(faults)
    minutes: IntArray = index.asi8 // 60
    everything = np.ones(len(minutes), dtype=np.bool_)
    if not naive:
        return _Starts(minutes, everything, ())
    if clock == "standard":
        note = f"The times are read as winter time of {timezone} all year."
        return _Starts(minutes - standard_offset(minutes, timezone), everything, (note,))
    return _on_local_clock(rows, minutes, with_value, timezone)


def _on_local_clock(rows: MeterRows, wall: IntArray, with_value: BoolArray, timezone: str) -> _Starts:
    """Return instants of wall-clock times: skipped rows are dropped if they hold nothing, doubled hours read twice."""
    where = on_the_wall(wall, timezone)
    refuse(
        [
            rows.fault(
                int(index),
                START,
                f"the clocks of {timezone} skip this time, and the row holds a value; expected no value, "
                "or --clock standard for a file in winter time all year",
            )
            for index in np.flatnonzero(where.lost & with_value)
        ]
    )
    utc = where.utc.copy()
    notes = []
    for number, change in enumerate(where.changes):
        inside = np.flatnonzero(where.change == number)
        first_after = int(np.searchsorted(np.maximum.accumulate(wall), change.end))
        passed = wall[0] < change.begin and first_after < len(wall)
        if not change.doubled:
            if passed and len(inside):
                notes.append(f"The clocks skip {change.text}: its rows hold nothing and were left out.")
            elif passed:
                notes.append(f"The clocks skip {change.text}: the file has no such rows, as it should be.")
            continue
        if not len(inside):
            continue
        second = _second_pass(wall[inside])
        if second is None:
            notes.append(
                f"The clocks show {change.text} twice, the file only once: read as the first, in summer time; "
                "the second is a gap."
            )
            continue
        if not np.array_equal(wall[inside[:second]], wall[inside[second:]]):
            message = f"the clocks show {change.text} twice; expected these times once, or all of them twice in a row"
            refuse([rows.fault(int(inside[second]), START, message)])
        utc[inside[second:]] += change.before - change.after
        notes.append(
            f"The clocks show {change.text} twice, and so does the file: read first as summer time, "
            "then as winter time."
        )
    return _Starts(utc, ~where.lost, tuple(notes))


def _second_pass(wall: IntArray) -> int | None:
    """Return where the times of a doubled hour begin again, or None if they do not."""
    back = np.flatnonzero(np.diff(wall) <= 0)
    return int(back[0]) + 1 if len(back) else None


def _step(rows: MeterRows, starts: _Starts, hours: FloatArray | None) -> int:
    """Return the interval of the kept rows [min]; refuse rows that are not a whole number of intervals apart."""
    kept = np.flatnonzero(starts.kept)
    if len(kept) < FEWEST_ROWS:
        raise single_fault(rows.path, f"found {len(kept)} rows with a time; expected {FEWEST_ROWS} or more")
    between = np.diff(starts.utc[kept])

    def row(place: np.signedinteger[Any] | int) -> int:
        return int(kept[place + 1])

    refuse(
        [
            rows.fault(
                row(place),
                START,
                ("duplicate: the same start as" if between[place] == 0 else "not in time order: before")
                + " the row above; expected rows in time order, each start once",
            )
            for place in np.flatnonzero(between <= 0)
        ]
    )
    lengths, counts = np.unique(between, return_counts=True)
    step = int(lengths[np.argmax(counts)])
    if hours is not None:
        step = round(float(hours[kept[0]]) * 60)
    if not LEAST_STEP_MINUTES <= step <= MOST_STEP_MINUTES:
        allowed = f"{LEAST_STEP_MINUTES} to {MOST_STEP_MINUTES} minutes"
        refuse([rows.fault(row(0), START, f"{step} minutes after the row above; expected {allowed}")])
    refuse(
        [
            rows.fault(
                row(place),
                START,
                f"{'short interval' if between[place] < step else 'uneven interval'}: {between[place]} minutes after "
                f"the row above; expected whole intervals of {step} minutes",
            )
            for place in np.flatnonzero(between % step)
        ]
    )
    return step
