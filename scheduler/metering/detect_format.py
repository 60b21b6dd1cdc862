"""Read a meter's file in any layout that the tool knows."""

from __future__ import annotations

from dataclasses import replace
from itertools import zip_longest
from pathlib import Path

from scheduler.metering.channels import MeterReading
from scheduler.metering.column_names import DATE, NO_NAMES, START, TIME, ColumnNames, renamed
from scheduler.metering.csv_long import is_plain_header, read_meter_csv
from scheduler.metering.csv_table import header_cells
from scheduler.metering.csv_wide import is_wide_header, read_meter_wide_csv
from scheduler.metering.days_asked import ALL_DAYS, DaysAsked
from scheduler.metering.green_button_file import looks_like_xml, read_green_button
from scheduler.metering.local_clock import Clock
from scheduler.metering.nem12_file import looks_like_nem12, read_nem12
from scheduler.textio.errors import Fault, InputFaults, shortened, shown, single_fault
from scheduler.textio.packed import is_packed, unpacked
from scheduler.textio.read_text import beginning_of

FEWEST_COLUMNS = 2
ALLOWED = (
    "NEM12, Green Button XML, CSV with the columns start and import_kwh, import_kw, export_kwh, export_kw, "
    "generation_kwh or generation_kw, or CSV with one row a day: date, channel if wanted, and 24, 48 or 96 columns"
)


def read_meter_file(
    path: Path, timezone: str, clock: Clock = "local", names: ColumnNames = NO_NAMES, asked: DaysAsked = ALL_DAYS
) -> MeterReading:
    """Find out the layout of a meter's file, and read it; a .zip or .gz archive is read file by file.

    Parameters
    ----------
    timezone : IANA name of the site's zone, for CSV times without offset.
    clock : what those times follow: the wall clock, or winter time all year.
    names : the meter's own column names, by the tool's, for a CSV file with other names.
    asked : days on which a fault refuses the file; what cannot be read on others is left out.

    Raises
    ------
    InputFaults : the layout is not known, or the file has faults.
    """
    beginning = beginning_of(path)
    if is_packed(beginning):
        return _packed(path, timezone, clock, names, asked)
    if looks_like_xml(beginning):
        return read_green_button(path, timezone, asked)
    first_line = _first_line(beginning)
    first_filled = _first_line(beginning.lstrip())
    if looks_like_nem12(first_filled) or first_filled.upper().startswith("100,NEM"):
        return read_nem12(path, asked)
    header, _ = header_cells(first_line)
    if is_plain_header(header):
        return read_meter_csv(path, timezone, clock, NO_NAMES, asked)
    if is_wide_header(header):
        return read_meter_wide_csv(path, timezone, clock, NO_NAMES, asked)
    own = renamed(header, names)
    if own is not None and (START in own or (DATE in own and TIME in own)):
        return read_meter_csv(path, timezone, clock, names, asked)
    if own is not None and DATE in own:
        return read_meter_wide_csv(path, timezone, clock, names, asked)
    hint = '; or name its columns with --column start="…" --column import_kwh="…"' if len(header) > 1 else ""
    raise single_fault(path, f"the first line is {shown(first_line)}; expected {ALLOWED}{hint}", 1)


def _packed(path: Path, timezone: str, clock: Clock, names: ColumnNames, asked: DaysAsked) -> MeterReading:
    """Read every file of an archive as one reading; faults name the archive and the file in it."""
    found: list[MeterReading] = []
    faults: list[Fault] = []
    with unpacked(path) as files:
        for name, place in files.items():
            shown_name = f"{path} ({shortened(name)})"
            try:
                if is_packed(beginning_of(place)):
                    raise single_fault(place, "this is an archive in an archive; expected a meter's file")
                found.append(read_meter_file(place, timezone, clock, names, asked))
            except InputFaults as error:
                faults += [replace(fault, file=shown_name) for fault in error.faults]
    if faults:
        raise InputFaults(faults)
    notes = [note for reading in found for note in reading.notes]
    layouts = " and ".join(dict.fromkeys(reading.layout for reading in found))
    return MeterReading(layouts, tuple(channel for reading in found for channel in reading.channels), tuple(notes))


def unknown_columns(path: Path, names: ColumnNames) -> dict[str, str] | None:
    """Return the columns of a CSV file that needs names for them, each with its first cell; else None.

    Raises
    ------
    InputFaults : the file cannot be read.
    """
    beginning = beginning_of(path)
    if is_packed(beginning):
        return None
    first_line = _first_line(beginning)
    header, separator = header_cells(first_line)
    known = is_plain_header(header) or is_wide_header(header) or renamed(header, names) is not None
    if looks_like_xml(beginning) or looks_like_nem12(first_line) or known or len(header) < FEWEST_COLUMNS:
        return None
    lines = beginning.decode("utf-8-sig", errors="replace").splitlines()
    own, cells = ([cell.strip().strip('"').strip() for cell in line.split(separator)] for line in (*lines, "", "")[:2])
    return dict(zip_longest(own, cells[: len(own)], fillvalue=""))


def _first_line(beginning: bytes) -> str:
    return beginning.decode("utf-8-sig", errors="replace").replace("\r", "\n").partition("\n")[0]
