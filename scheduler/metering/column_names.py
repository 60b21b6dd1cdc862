"""A meter's own column names: which of them are the tool's columns, as given, and as kept for the next time."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import get_args

from scheduler.metering.channels import ChannelKind
from scheduler.metering.csv_table import MeterRows
from scheduler.textio.csv_rows import CsvRow
from scheduler.textio.errors import did_you_mean, shown, single_fault
from scheduler.textio.parse_clock import clock_minutes
from scheduler.textio.toml_tables import read_toml

COLUMN_OPTION = "--column"
COLUMNS_FILE = "meter-columns.toml"
"""In the site's folder: the names that read-meter was given, for the next time."""
START, DATE, TIME, CHANNEL, ESTIMATED = "start", "date", "time", "channel", "estimated"
VALUES = tuple(f"{kind}_{unit}" for kind in get_args(ChannelKind) for unit in ("kwh", "kw"))
KNOWN = (START, DATE, TIME, CHANNEL, *VALUES, ESTIMATED)
WIDE_COLUMNS = (24, 25, 48, 50, 96, 100)
"""Columns of values that a row of a day may have."""
HEAD = """\
# Which columns of your meter's CSV files are which, as read-meter was told; it reads this the next time.

format = 1
"""

ColumnNames = Mapping[str, str]
NO_NAMES: ColumnNames = MappingProxyType({})
"""Names in the meter's files, in lower case, by the tool's names."""


def parse_columns(texts: Sequence[str]) -> dict[str, str]:
    """Parse texts such as `import_kwh=Bezug kWh`; return the meter's names by the tool's.

    Raises
    ------
    InputFaults : another form, a name that the tool does not know, or a name twice.

    Examples
    --------
    >>> parse_columns(["import_kwh=Bezug kWh"])
    {'import_kwh': 'Bezug kWh'}
    """
    found: dict[str, str] = {}
    for text in texts:
        name, equals, own = (part.strip() for part in text.partition("="))
        own = own.strip("\"'").strip()
        if not equals or not name or not own:
            allowed = 'NAME=COLUMN such as import_kwh="Bezug kWh"'
            raise single_fault(COLUMN_OPTION, f"found {shown(text)}; expected {allowed}")
        if name not in KNOWN:
            raise single_fault(
                COLUMN_OPTION, f"found {shown(name)}{did_you_mean(name, KNOWN)}; expected one of {', '.join(KNOWN)}"
            )
        if name in found:
            raise single_fault(COLUMN_OPTION, f"{name} is given twice; expected each once")
        found[name] = own
    twice = next((own for own in found.values() if list(found.values()).count(own) > 1), None)
    if twice is not None:
        raise single_fault(COLUMN_OPTION, f"{shown(twice)} is named twice; expected each column once")
    return found


def kept_columns(folder: Path) -> dict[str, str]:
    """Return the column names that a site's folder keeps; none if it keeps none.

    Raises
    ------
    InputFaults : the file is at fault.
    """
    path = folder / COLUMNS_FILE
    if not path.exists():
        return {}
    values = {name: value for name, value in read_toml(path).values.items() if name != "format"}
    for name, value in values.items():
        if name not in KNOWN or not isinstance(value, str):
            allowed = f"one of {', '.join(KNOWN)}, and a column's name"
            raise single_fault(path, f"found {shown(value)}; expected {allowed}", None, name)
    return values


def columns_text(names: ColumnNames) -> str:
    """Return the text of the file that keeps column names."""
    lines = (f"{name} = {json.dumps(own, ensure_ascii=False)}" for name, own in names.items())
    return HEAD + "\n".join(lines) + "\n"


def renamed(header: Sequence[str], names: ColumnNames) -> tuple[str, ...] | None:
    """Return a header with the tool's names in place of the meter's; None if a column is not there.

    Parameters
    ----------
    header : names in lower case.

    Examples
    --------
    >>> renamed(("zeit", "bezug kwh", "status"), {"start": "Zeit", "import_kwh": "Bezug kWh"})
    ('start', 'import_kwh', 'status')
    """
    by_own = {own.strip().lower(): name for name, own in names.items()}
    if not by_own or not set(by_own) <= set(header):
        return None
    return tuple(by_own.get(name, name) for name in header)


def with_own_names(rows: MeterRows, names: ColumnNames) -> MeterRows:
    """Return a meter's rows under the tool's names; a date and a time become one start, and other columns go.

    Rows under the tool's own names, or with another number of cells than the header, stay as they are.
    """
    header = renamed(rows.header, names)
    if header is None:
        return rows
    width = len(header)
    if DATE in header and TIME in header:
        at, clock = header.index(DATE), header.index(TIME)
        kept = [index for index, name in enumerate(header) if name in (*VALUES, ESTIMATED)]
        both = [_joined(row, width, at, clock, kept) for row in rows.rows]
        return replace(rows, header=(START, *(header[index] for index in kept)), rows=tuple(both))
    if START in header:
        kept = [index for index, name in enumerate(header) if name in KNOWN]
    else:
        first = [header.index(name) for name in (DATE, CHANNEL) if name in header]
        rest = [index for index in range(width) if index not in first]
        clocks = [index for index in rest if _is_of_a_time(header[index])]
        kept = [*first, *(clocks if len(clocks) in WIDE_COLUMNS else rest)]
    cut = (CsvRow(row.line, [row.cells[at] for at in kept]) if len(row.cells) == width else row for row in rows.rows)
    return replace(rows, header=tuple(header[index] for index in kept), rows=tuple(cut))


def _joined(row: CsvRow, width: int, at: int, clock: int, kept: Sequence[int]) -> CsvRow:
    """Return a row with its date and time in one cell, and the cells that are kept."""
    if len(row.cells) != width:
        return row
    return CsvRow(row.line, [f"{row.cells[at]} {row.cells[clock]}", *(row.cells[index] for index in kept)])


def _is_of_a_time(name: str) -> bool:
    """Return whether a column is named after a time of day, "00:15" or "00:15-00:30", or after kW or kWh."""
    return clock_minutes(name.partition("-")[0].strip()) is not None or name.startswith(("kw_", "kw ", "kwh_", "kwh "))
