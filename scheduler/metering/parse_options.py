"""Parse the options that commands on meter files share, and read all their files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from scheduler.metering.align_channels import AS_OPTION, IGNORE, KINDS
from scheduler.metering.channels import MeterReading
from scheduler.metering.column_names import NO_NAMES, ColumnNames
from scheduler.metering.days_asked import ALL_DAYS, DaysAsked
from scheduler.metering.detect_format import read_meter_file
from scheduler.metering.local_clock import Clock
from scheduler.textio.errors import Fault, InputFaults, shown, single_fault
from scheduler.textio.parse_time import parse_day

CLOCK_OPTION = "--clock"
CLOCKS: Mapping[str, Clock] = {"local": "local", "standard": "standard"}


def parse_clock_name(text: str) -> Clock:
    """Parse what CSV times without offset follow: "local" or "standard"."""
    if text not in CLOCKS:
        raise single_fault(CLOCK_OPTION, f"found {shown(text)}; expected {' or '.join(CLOCKS)}")
    return CLOCKS[text]


def parse_kinds(texts: Sequence[str]) -> dict[str, str]:
    """Parse texts such as "B1=export"; return the kind of each named channel."""
    found: dict[str, str] = {}
    for text in texts:
        name, _, kind = text.rpartition("=")
        if not name.removeprefix(":") or name.startswith(":") or kind not in (*KINDS, IGNORE):
            allowed = f"NAME=KIND with the kind {', '.join(KINDS)} or {IGNORE}, such as B1=export"
            raise single_fault(AS_OPTION, f"found {shown(text)}; expected {allowed}")
        if name in found:
            raise single_fault(AS_OPTION, f"{shown(name)} is given twice; expected each name once")
        found[name] = kind
    return found


def parse_midnight(given: str | date, timezone: str, option: str, days_later: int) -> pd.Timestamp:
    """Parse a local day; return the first instant of the day `days_later` days after it, UTC."""
    day = pd.Timestamp(parse_day(given, option)) + pd.Timedelta(days=days_later)
    return day.tz_localize(timezone, ambiguous=True, nonexistent="shift_forward").tz_convert("UTC")


def read_all(
    paths: Sequence[Path], timezone: str, clock: Clock, names: ColumnNames = NO_NAMES, asked: DaysAsked = ALL_DAYS
) -> list[MeterReading]:
    """Read every file, and raise the faults of all of them at once."""
    found: list[MeterReading] = []
    faults: list[Fault] = []
    for path in paths:
        try:
            found.append(read_meter_file(path, timezone, clock, names, asked))
        except InputFaults as error:
            faults += error.faults
    if faults:
        raise InputFaults(faults)
    return found
