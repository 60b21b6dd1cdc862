"""Read a meter's file in any layout that the tool knows."""

from __future__ import annotations

from pathlib import Path

from scheduler.metering.channels import MeterReading
from scheduler.metering.csv_long import is_plain_header, read_meter_csv
from scheduler.metering.csv_table import header_cells
from scheduler.metering.csv_wide import is_wide_header, read_meter_wide_csv
from scheduler.metering.green_button_file import looks_like_xml, read_green_button
from scheduler.metering.local_clock import Clock
from scheduler.metering.nem12_file import looks_like_nem12, read_nem12
from scheduler.textio.errors import shown, single_fault
from scheduler.textio.read_text import beginning_of

ALLOWED = (
    "NEM12, Green Button XML, CSV with the columns start and import_kwh, import_kw, export_kwh, export_kw, "
    "generation_kwh or generation_kw, or CSV with one row a day: date, channel if wanted, and 24, 48 or 96 columns"
)


def read_meter_file(path: Path, timezone: str, clock: Clock = "local") -> MeterReading:
    """Find out the layout of a meter's file, and read it.

    Parameters
    ----------
    timezone : IANA name of the site's zone, for CSV times without offset.
    clock : what those times follow: the wall clock, or winter time all year.

    Raises
    ------
    InputFaults : the layout is not known, or the file has faults.
    """
    beginning = beginning_of(path)
    if looks_like_xml(beginning):
        return read_green_button(path)
    first_line = beginning.decode("utf-8-sig", errors="replace").replace("\r", "\n").partition("\n")[0]
    if looks_like_nem12(first_line) or first_line.upper().startswith("100,NEM"):
        return read_nem12(path)
    header, _ = header_cells(first_line)
    if is_plain_header(header):
        return read_meter_csv(path, timezone, clock)
    if is_wide_header(header):
        return read_meter_wide_csv(path, timezone, clock)
    raise single_fault(path, f"the first line is {shown(first_line)}; expected {ALLOWED}", 1)
