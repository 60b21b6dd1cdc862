"""Read a meter's CSV with one row a day: `date`, a `channel` if there are several, and a column per interval."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from itertools import islice
from pathlib import Path
from typing import get_args

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.base.clock import MINUTES_A_DAY
from scheduler.metering.channels import Channel, ChannelKind, MeterReading
from scheduler.metering.column_names import NO_NAMES, ColumnNames, with_own_names
from scheduler.metering.csv_table import (
    DAY_FIRST_NOTE,
    MeterRows,
    cells_text,
    days,
    estimated_cell,
    has_decimal_comma,
    numbers,
    read_meter_rows,
    refuse,
    separator_notes,
)
from scheduler.metering.days_asked import ALL_DAYS, DaysAsked, left_out_note
from scheduler.metering.local_clock import Clock, ClockChange, instants, on_the_wall, standard_offset
from scheduler.textio.csv_rows import CsvRow
from scheduler.textio.errors import MOST_FOUND, Fault, shown, single_fault

DATE, CHANNEL = "date", "channel"
EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
QUALITY = ("quality", "estimated")
KINDS: tuple[ChannelKind, ...] = get_args(ChannelKind)
STEPS_A_DAY = (24, 48, 96)
STEPS_A_LONG_DAY = {25: 24, 50: 48, 100: 96}
"""Columns that have room for a day of 25 hours."""
ALLOWED = "date, channel (import, export or generation) if wanted, 24, 48 or 96 columns, and quality if wanted"


@dataclass(frozen=True, slots=True)
class _Layout:
    """Which cells of a row hold values.

    Attributes
    ----------
    first : number of the first such cell.
    steps : number of intervals of a day.
    spare : number of further columns, for a day of 25 hours.
    quality : name of the last column if it says how the day was measured, else None.
    kw : whether the values are powers.
    """

    first: int
    steps: int
    spare: int
    quality: str | None
    kw: bool

    @property
    def step_minutes(self) -> int:
        """Return the length of an interval [min]."""
        return MINUTES_A_DAY // self.steps

    @property
    def others(self) -> int:
        """Return how many cells of a row hold no values."""
        return self.first + (self.quality is not None)


@dataclass(frozen=True, slots=True, eq=False)
class _Days:
    """Rows of the file as arrays.

    Attributes
    ----------
    utc : start of each value [UTC minutes], shape (rows, intervals of a day of 25 hours).
    kwh : values as in the file [kWh or kW], same shape; NaN where there is none.
    notes : on clock changes and empty cells.
    """

    utc: IntArray
    kwh: FloatArray
    notes: tuple[str, ...]


def is_wide_header(header: tuple[str, ...]) -> bool:
    """Return whether column names are those of one row a day: `date` first, and many more."""
    return header[0] == DATE and len(header) > STEPS_A_DAY[0] // 2


def read_meter_wide_csv(
    path: Path, timezone: str, clock: Clock = "local", names: ColumnNames = NO_NAMES, asked: DaysAsked = ALL_DAYS
) -> MeterReading:
    """Read the channels of a file with one row a day: kWh per interval, or kW where the columns are named `kw_…`.

    A day on which the clocks go back has further cells for the doubled hour, in time order; without them, the second
    pass of the doubled hour is a gap.

    Parameters
    ----------
    timezone : IANA name.
    clock : what the days follow: the wall clock, or winter time all year.
    names : the meter's own column names, by the tool's.
    asked : days on which a cell that is no number is a fault; on others it is a gap.

    Raises
    ------
    InputFaults : the faults of the file, each with its line; the first ten and how many more.
    """
    rows = with_own_names(read_meter_rows(path), names)
    layout = _layout(rows)
    _check_widths(rows, layout)
    midnight, kind, estimated, day_first = _heads(rows, layout)
    values = [_value_cells(row, layout) for row in rows.rows]
    on_others = _without_other_days(rows, values, midnight, asked)
    found = _days(rows, layout, midnight, values, timezone, clock)
    kwh = found.kwh * (layout.step_minutes / 60 if layout.kw else 1.0)

    channels = []
    for number in np.unique(kind):
        of_kind = kind == number
        utc, energy = found.utc[of_kind].ravel(), kwh[of_kind].ravel()
        marked = np.repeat(estimated[of_kind], kwh.shape[1])
        there = ~np.isnan(energy)
        if there.any():
            name = KINDS[number]
            start = instants(utc[there])
            channels.append(Channel(name, "", name, start, energy[there], marked[there], layout.step_minutes))
    if not channels:
        raise single_fault(path, "every cell is empty; expected a file with values")
    number_cells = [cell for cells in values for cell in cells]
    others = [left_out_note(on_others, "cell")] if on_others else []
    notes = (*separator_notes(rows, number_cells), *([DAY_FIRST_NOTE] if day_first else []), *others, *found.notes)
    unit = "kW" if layout.kw else "kWh"
    return MeterReading(f"CSV, one row a day, {layout.steps} columns of {unit}", tuple(channels), notes)


def _without_other_days(rows: MeterRows, values: list[list[str]], midnight: IntArray, asked: DaysAsked) -> int:
    """Empty the cells that are no numbers on other days than those asked for; return how many."""
    if asked == ALL_DAYS:
        return 0
    emptied = 0
    decimal_comma = has_decimal_comma(rows, [cell for cells in values for cell in cells])
    for cells, minute in zip(values, midnight.tolist(), strict=True):
        if asked.hold_day(date.fromordinal(EPOCH_ORDINAL + minute // MINUTES_A_DAY)):
            continue
        for at, _ in numbers(cells, decimal_comma)[1]:
            cells[at] = ""
            emptied += 1
    return emptied


def _layout(rows: MeterRows) -> _Layout:
    """Return the layout that the header shows."""
    header = rows.header
    quality = header[-1] if header[-1] in QUALITY else None
    first = 2 if header[1] == CHANNEL else 1
    names = header[first : -1 if quality else None]
    steps = STEPS_A_LONG_DAY.get(len(names), len(names))
    if steps not in STEPS_A_DAY:
        raise single_fault(rows.path, f"found columns for {len(names)} intervals a day; expected {ALLOWED}", 1)
    in_kw = [name == "kw" or name.startswith(("kw_", "kw ")) for name in names]
    if any(in_kw) and not all(in_kw):
        name = names[in_kw.index(False)]
        message = f"found {shown(name)} among columns named kw_; expected kw_ for all or for none"
        raise single_fault(rows.path, message, 1)
    return _Layout(first, steps, len(names) - steps, quality, all(in_kw))


def _check_widths(rows: MeterRows, layout: _Layout) -> None:
    """Refuse rows shorter than a day, or longer than a day of 25 hours."""
    least, most = layout.others + layout.steps, layout.others + layout.steps + layout.steps // 24
    uneven = (index for index, row in enumerate(rows.rows) if not least <= len(row.cells) <= most or not any(row.cells))
    refuse(
        [
            rows.fault(
                index,
                None,
                f"found {cells_text(rows.rows[index])}; expected {len(rows.header)} cells, as in the header, "
                f"or {most} on a day when the clocks go back",
            )
            for index in islice(uneven, MOST_FOUND)
        ]
    )


def _heads(rows: MeterRows, layout: _Layout) -> tuple[IntArray, IntArray, BoolArray, bool]:
    """Read what stands beside the values of each row.

    Returns
    -------
    Midnight [wall-clock minutes], number of the kind and whether the day is estimated, shapes (rows,); and whether
    dates are written day first.
    """
    midnight, problems, day_first = days([row.cells[0] for row in rows.rows])
    faults = [rows.fault(index, DATE, message) for index, message in problems]
    kinds = np.zeros(len(rows.rows), dtype=np.int64)
    estimated = np.zeros(len(rows.rows), dtype=np.bool_)
    for index, row in enumerate(rows.rows):
        word = row.cells[1].lower() if layout.first == 2 else KINDS[0]
        if word in KINDS:
            kinds[index] = KINDS.index(word)
        else:
            faults.append(rows.fault(index, CHANNEL, f"found {shown(row.cells[1])}; expected {', '.join(KINDS)}"))
        if layout.quality is not None:
            meaning = estimated_cell(row.cells[-1])
            if meaning is None:
                message = f"found {shown(row.cells[-1])}; expected A, or E, F or S for an estimated day"
                faults.append(rows.fault(index, layout.quality, message))
            estimated[index] = bool(meaning)
    refuse(faults)
    refuse(list(_order_faults(rows, midnight, kinds)))
    return midnight, kinds, estimated, day_first


def _order_faults(rows: MeterRows, midnight: IntArray, kinds: IntArray) -> Iterator[Fault]:
    """Yield a fault for each row that is not later than the row above of its channel."""
    for kind in np.unique(kinds):
        at = np.flatnonzero(kinds == kind)
        for place in np.flatnonzero(np.diff(midnight[at]) <= 0):
            index = int(at[place + 1])
            same = midnight[index] == midnight[at[place]]
            what = "duplicate: the same day as" if same else "not in time order: before"
            message = f"{what} the row above of this channel; expected days in time order, each once"
            yield rows.fault(index, DATE, message)


def _value_cells(row: CsvRow, layout: _Layout) -> list[str]:
    """Return the cells of a row that hold values, without empty ones where the header has room for 25 hours."""
    cells = row.cells[layout.first : -1 if layout.quality else None]
    while layout.spare and len(cells) > layout.steps and not cells[-1]:
        cells = cells[:-1]
    return cells


def _days(
    rows: MeterRows, layout: _Layout, midnight: IntArray, values: list[list[str]], timezone: str, clock: Clock
) -> _Days:
    """Return every value at its instant, in time order along each row."""
    lengths = np.array([len(cells) for cells in values])
    kwh = _energies(rows, layout, values)
    utc = np.zeros(kwh.shape, dtype=np.int64)
    wall = midnight[:, None] + np.arange(layout.steps) * layout.step_minutes
    if clock == "standard":
        utc[:, : layout.steps] = wall - standard_offset(wall.ravel(), timezone).reshape(wall.shape)
        _check_lengths(rows, layout, lengths, np.zeros(len(values), dtype=np.int64))
        notes = [f"The days are read in winter time of {timezone} all year."]
        return _Days(utc, kwh, (*notes, *_empty_note(kwh[:, : layout.steps])))
    where = on_the_wall(wall.ravel(), timezone)
    utc[:, : layout.steps] = where.utc.reshape(wall.shape)
    lost, change_of = where.lost.reshape(wall.shape), where.change.reshape(wall.shape)
    _check_lost(rows, layout, kwh[:, : layout.steps], lost, timezone)
    notes = [*_empty_note(np.where(lost, 0.0, kwh[:, : layout.steps]))]
    kwh[:, : layout.steps][lost] = np.nan
    doubled = np.zeros(len(values), dtype=np.int64)
    for number, change in enumerate(where.changes):
        for index in np.flatnonzero(midnight == change.begin // MINUTES_A_DAY * MINUTES_A_DAY):
            row = int(index)
            refuse(list(_unlike_steps(rows, row, layout, change)))
            if not change.doubled:
                notes.append(f"The clocks skip {change.text}: its cells hold nothing and were left out.")
                continue
            cells = np.flatnonzero(change_of[row] == number)
            if lengths[row] <= layout.steps:
                notes.append(
                    f"The clocks show {change.text} twice, the file only once: "
                    "read as the first, in summer time; the second is a gap."
                )
                continue
            doubled[row] = len(cells)
            again = utc[row, cells] + change.before - change.after
            utc[row, : layout.steps + len(cells)] = np.insert(utc[row, : layout.steps], cells[-1] + 1, again)
            notes.append(
                f"The clocks show {change.text} twice, and so does the file: "
                "read first as summer time, then as winter time."
            )
    _check_lengths(rows, layout, lengths, doubled)
    return _Days(utc, kwh, tuple(dict.fromkeys(notes)))


def _energies(rows: MeterRows, layout: _Layout, values: list[list[str]]) -> FloatArray:
    """Parse the values of each row, shape (rows, intervals of a day of 25 hours), NaN where there is none."""
    flat = [cell for cells in values for cell in cells]
    lengths = np.array([len(cells) for cells in values])
    row_of = np.repeat(np.arange(len(values)), lengths)
    place = np.arange(len(flat)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    read, problems = numbers(flat, has_decimal_comma(rows, flat))
    refuse([rows.fault(int(row_of[at]), _column(rows, layout, int(place[at])), message) for at, message in problems])
    energies = np.full((len(values), layout.steps + layout.steps // 24), np.nan)
    energies[row_of, place] = read
    return energies


def _column(rows: MeterRows, layout: _Layout, place: int) -> str:
    """Return the name of the column of a value, or its number from midnight where the header has no name."""
    named = place < layout.steps + layout.spare
    return rows.header[layout.first + place] if named else f"value {place + 1}"


def _check_lost(rows: MeterRows, layout: _Layout, kwh: FloatArray, lost: BoolArray, timezone: str) -> None:
    """Refuse values at times that the clocks skip."""
    refuse(
        [
            rows.fault(
                int(row),
                _column(rows, layout, int(place)),
                f"the clocks of {timezone} skip this time, and the cell holds a value; expected 0 or nothing, "
                "or --clock standard for a file in winter time all year",
            )
            for row, place in zip(*np.nonzero(lost & (np.nan_to_num(kwh) > 0)), strict=True)
        ]
    )


def _unlike_steps(rows: MeterRows, row: int, layout: _Layout, change: ClockChange) -> Iterator[Fault]:
    """Yield a fault if the clock changes inside an interval."""
    if change.begin % layout.step_minutes or change.end % layout.step_minutes:
        message = (
            f"the clocks change by {change.end - change.begin} minutes on this day, inside an interval of "
            f"{layout.step_minutes} minutes; expected shorter intervals"
        )
        yield rows.fault(row, DATE, message)


def _check_lengths(rows: MeterRows, layout: _Layout, lengths: IntArray, doubled: IntArray) -> None:
    """Refuse rows longer than their day."""
    refuse(
        [
            rows.fault(
                int(row),
                None,
                f"found {lengths[row]} values; expected {layout.steps}"
                + (f" or {layout.steps + doubled[row]}" if doubled[row] else "")
                + " on this day",
            )
            for row in np.flatnonzero((lengths > layout.steps) & (lengths != layout.steps + doubled))
        ]
    )


def _empty_note(kwh: FloatArray) -> Iterator[str]:
    """Yield a note on empty cells, if there are any."""
    empty = int(np.isnan(kwh).sum())
    if empty:
        yield f"Empty cells: {empty}, read as gaps."
