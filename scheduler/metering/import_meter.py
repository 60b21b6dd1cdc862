"""Read meter files into a site's load and solar."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from scheduler.inputs.new_site import READ_ME, READ_ME_BEFORE
from scheduler.inputs.placeholders import (
    MARK,
    READ_ME_FILE,
    is_placeholder,
    placeholder_load_kw,
    placeholder_solar_kw,
)
from scheduler.inputs.series_file import read_series
from scheduler.inputs.site_file import SITE_FILE
from scheduler.inputs.site_schema import DataTable, SiteTable
from scheduler.metering.align_channels import MeteredFlows, metered_flows, relabelled, shared_span
from scheduler.metering.channels import MeterReading
from scheduler.metering.column_names import COLUMNS_FILE, ColumnNames, columns_text, kept_columns, parse_columns
from scheduler.metering.days_asked import DaysAsked
from scheduler.metering.derive_load import MeteredLoad, metered_load
from scheduler.metering.parse_options import parse_clock_name, parse_kinds, parse_midnight, read_all
from scheduler.metering.register_changes import joined_registers
from scheduler.metering.write_series import series_text
from scheduler.textio.errors import Fault, InputFaults, shown, single_fault
from scheduler.textio.parse_time import local_text, parse_day
from scheduler.textio.read_text import folder_problem
from scheduler.textio.toml_tables import check_table, read_toml
from scheduler.textio.write import write_together

FROM_OPTION, UNTIL_OPTION, INTO_OPTION = "--from", "--to", "--into"
USUAL_SOLAR_FILE = "solar.csv"


@dataclass(frozen=True, slots=True)
class MeterOptions:
    """The options of `overnight read-meter`.

    Attributes
    ----------
    files : one or more meter files. site : the site's folder. car : file of the car's own meter, or None.
    replace : whether existing files may be replaced.
    first_day, last_day : "2026-03-02", local, both included; None for as far as the files go.
    kinds : "NAME=KIND" each. columns : "NAME=COLUMN" each, the meter's own names. clock : "local" or "standard".
    """

    files: tuple[Path, ...]
    site: Path
    car: Path | None = None
    replace: bool = False
    first_day: str | None = None
    last_day: str | None = None
    kinds: tuple[str, ...] = ()
    clock: str = "local"
    columns: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _MeterSite:
    """What reading a meter needs of a site: its name and zone, and the files of its series."""

    name: str
    timezone: str
    load_file: Path
    solar_file: Path | None


@dataclass(frozen=True, slots=True, eq=False)
class MeterResult:
    """What was read and written.

    Attributes
    ----------
    layouts : name of each file's layout.
    flows : of the span. load : and solar, as written. car : flows of the car's own meter.
    notes : one sentence each, those of one file with its name.
    written : files. line_to_add : a line that site.toml needs under [data], or None.
    """

    site_name: str
    timezone: str
    layouts: Mapping[str, str]
    flows: MeteredFlows
    load: MeteredLoad
    car: MeteredFlows | None
    notes: tuple[str, ...]
    written: tuple[Path, ...]
    line_to_add: str | None


@dataclass(frozen=True, slots=True, eq=False)
class MeterSeries:
    """What meter files say of a building.

    Attributes
    ----------
    layouts : name of each file's layout.
    flows : of the span. load : and solar. car : flows of the car's own meter, or None.
    names : the meter's own names of columns. notes : one sentence each, those of one file with its name.
    """

    layouts: Mapping[str, str]
    flows: MeteredFlows
    load: MeteredLoad
    car: MeteredFlows | None
    names: ColumnNames
    notes: tuple[str, ...]


def meter_series(options: MeterOptions, timezone: str) -> MeterSeries:
    """Read meter files, and derive load and solar; nothing is written.

    Parameters
    ----------
    options : its `replace` is not looked at.

    Raises
    ------
    InputFaults : faults of the files or the options.
    """
    clock = parse_clock_name(options.clock)
    kinds = parse_kinds(options.kinds)
    first_day, last_day = _days(options, timezone)
    paths = (*options.files, *([] if options.car is None else [options.car]))
    names = {**kept_columns(options.site), **parse_columns(options.columns)}
    first, last = (None if text is None else parse_day(text, option) for text, option in _days_given(options))
    readings = read_all(paths, timezone, clock, names, DaysAsked(first, last, timezone))
    notes = [f"{path.name}: {note}" for path, one in zip(paths, readings, strict=True) for note in one.notes]
    layouts = {str(path): one.layout for path, one in zip(paths, readings, strict=True)}
    file = str(options.files[0]) if len(options.files) == 1 else "the meter files"
    house, changes = joined_registers(relabelled(readings[: len(options.files)], kinds), timezone)
    notes += changes

    begin, end = _span(house, first_day, last_day, timezone, file, notes)
    flows = metered_flows(house, begin, end, file)
    car = None
    if options.car is not None:
        car = metered_flows(readings[-1:], flows.start[0], flows.end, str(options.car))
    load = metered_load(flows, timezone, car, file, str(options.car or ""))
    return MeterSeries(layouts, flows, load, car, names, (*notes, *flows.notes, *load.notes))


def read_meter_into_site(options: MeterOptions) -> MeterResult:
    """Read meter files and write the site's load and solar.

    Raises
    ------
    InputFaults : faults of the files, the site or the options; nothing was written.
    NotWrittenError : nothing was written.
    """
    site = _meter_site(options.site)
    _check_target(site.load_file, options)
    read = meter_series(options, site.timezone)
    load, notes = read.load, list(read.notes)

    texts: dict[Path, str] = {
        site.load_file: series_text(load.start, load.load_kwh * (60 / load.step_minutes), site.timezone)
    }
    line_to_add = None
    if load.solar_kwh is not None:
        solar_file = site.solar_file or options.site / USUAL_SOLAR_FILE
        line_to_add = None if site.solar_file else f'solar = "{USUAL_SOLAR_FILE}"'
        _check_target(solar_file, options)
        if solar_file.resolve() in {path.resolve() for path in texts}:
            message = "load and solar name the same file; expected two files"
            raise single_fault(options.site / SITE_FILE, message, None, "data.solar")
        texts[solar_file] = series_text(load.start, load.solar_kwh * (60 / load.step_minutes), site.timezone)
    elif site.solar_file is not None:
        if site.solar_file.exists() and _holds_placeholder(site.solar_file):
            notes.append(
                f"The meter files hold no solar, and {site.solar_file} is still a placeholder; remove data.solar (and "
                f"[solar]) from {SITE_FILE}, or read a meter that counts export or generation."
            )
        elif site.solar_file.exists():
            notes.append(f"The meter files hold no solar; {site.solar_file} is left as it is.")
        else:
            notes.append(
                f"The meter files hold no solar, and {site.solar_file} does not exist; remove data.solar (and "
                f"[solar]) from {SITE_FILE}, or read a meter that counts export or generation."
            )
    written = tuple(texts)
    texts |= _without_placeholder_notes(options.site, written)
    if options.columns:
        texts[options.site / COLUMNS_FILE] = columns_text(read.names)
        notes.append(f"The names of the columns are kept in {COLUMNS_FILE} for the next time.")
    write_together(texts)
    done = _remove_read_me(options.site) if site.solar_file is None or site.solar_file in written else None
    notes += [] if done is None else [done]
    return MeterResult(
        site.name, site.timezone, read.layouts, read.flows, load, read.car, tuple(notes), written, line_to_add
    )


def _without_placeholder_notes(folder: Path, written: tuple[Path, ...]) -> dict[Path, str]:
    """Return `site.toml` without the placeholder notes on the lines of the files written; nothing if there are none."""
    path = folder / SITE_FILE
    lines = path.read_text(encoding="utf-8").split("\n")
    names = {os.path.relpath(file, folder) for file in written}
    kept = [
        line.partition(MARK)[0].rstrip()
        if MARK in line and any(f'"{name}"' in line.partition(MARK)[0] for name in names)
        else line
        for line in lines
    ]
    return {} if kept == lines else {path: "\n".join(kept)}


def _remove_read_me(folder: Path) -> str | None:
    """Remove the note on placeholders, unless it was changed; return a sentence on what was done, or None."""
    path = folder / READ_ME_FILE
    try:
        if path.read_text(encoding="utf-8") not in (READ_ME, READ_ME_BEFORE):
            return f"{READ_ME_FILE} was changed and is left as it is; its words on placeholders no longer hold."
        path.unlink()
    except (OSError, UnicodeDecodeError):
        return None
    return f"The placeholders are replaced, and {READ_ME_FILE} is removed."


def _meter_site(folder: Path) -> _MeterSite:
    """Read the zone and the files of the series from `site.toml`; those files need not exist yet."""
    problem = folder_problem(folder)
    if problem is not None:
        raise single_fault(folder, problem)
    document = read_toml(folder / SITE_FILE)
    faults: list[Fault] = []
    site = check_table(document, ("site",), SiteTable, faults)
    data = check_table(document, ("data",), DataTable, faults)
    faults += [
        document.fault((key,), f"missing, and required: a table [{key}]")
        for key, table in (("site", site), ("data", data))
        if table is None and not isinstance(document.values.get(key), dict)
    ]
    if site is None or data is None:
        raise InputFaults(faults)
    return _MeterSite(site.name, site.timezone, folder / data.load, None if data.solar is None else folder / data.solar)


def _check_target(file: Path, options: MeterOptions) -> None:
    """Refuse to overwrite a meter file, or any other file without --replace."""
    try:
        there = file.exists()
        sources = [*options.files, *([] if options.car is None else [options.car])]
        own = there and any(source.exists() and file.samefile(source) for source in sources)
    except (OSError, ValueError):
        raise single_fault(INTO_OPTION, f"{shown(str(file))} is not a valid path") from None
    if own:
        raise single_fault(file, "this is the meter file itself; expected another file in the site's [data]")
    if file.is_dir():
        raise single_fault(file, "this is a folder; expected a file")
    if there and not options.replace and not _holds_placeholder(file):
        raise single_fault(file, "it exists already; expected a new file, or --replace to overwrite this one")


def _holds_placeholder(file: Path) -> bool:
    """Return whether a file holds a new site's placeholder, of which nothing is lost."""
    try:
        series = read_series(file)
    except InputFaults:
        return False
    return any(is_placeholder(series, kw) for kw in (placeholder_load_kw, placeholder_solar_kw))


def _days_given(options: MeterOptions) -> tuple[tuple[str | None, str], tuple[str | None, str]]:
    """Return the first and the last day as given, each with its option."""
    return (options.first_day, FROM_OPTION), (options.last_day, UNTIL_OPTION)


def _days(options: MeterOptions, timezone: str) -> tuple[pd.Timestamp | None, pd.Timestamp | None]:
    """Return the begin of the first day and the end of the last, UTC; None where not given."""
    begin, end = (
        None if text is None else parse_midnight(text, timezone, option, later)
        for text, option, later in ((options.first_day, FROM_OPTION, 0), (options.last_day, UNTIL_OPTION, 1))
    )
    if begin is not None and end is not None and begin >= end:
        raise single_fault(
            UNTIL_OPTION, f"{options.last_day} is before --from {options.first_day}; expected that day or later"
        )
    return begin, end


def _span(
    readings: Sequence[MeterReading],
    first_day: pd.Timestamp | None,
    last_day: pd.Timestamp | None,
    timezone: str,
    file: str,
    notes: list[str],
) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return the span to read: what all channels share, cut to the days given; adds a note where that is less."""
    begin, end = shared_span(readings, file)
    shared = f"{local_text(begin, timezone)} to {local_text(end, timezone)}"
    if (first_day is not None and first_day >= end) or (last_day is not None and last_day <= begin):
        raise single_fault(
            FROM_OPTION if first_day is not None and first_day >= end else UNTIL_OPTION,
            f"the files have no values on these days; expected days from {shared}",
        )
    channels = [channel for reading in readings for channel in reading.channels]
    step = pd.Timedelta(minutes=channels[0].step_minutes)
    earlier = any(channel.start[0] < begin for channel in channels) and first_day is None
    later = any(channel.start[-1] + step > end for channel in channels) and last_day is None
    short = (first_day is not None and first_day < begin) or (last_day is not None and last_day > end)
    if earlier or later or short:
        notes.append(f"All channels have values together from {shared} only; the rest is left out.")
    return (
        begin if first_day is None else max(begin, first_day),
        end if last_day is None else min(end, last_day),
    )
