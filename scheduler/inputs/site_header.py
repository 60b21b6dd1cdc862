"""A site's name, time zone and holiday calendar, for commands that need nothing else of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from scheduler.inputs.site_file import SITE_FILE
from scheduler.inputs.site_schema import SiteTable
from scheduler.textio.errors import Fault, InputFaults, single_fault
from scheduler.textio.read_text import folder_problem
from scheduler.textio.toml_tables import check_table, read_toml


@dataclass(frozen=True, slots=True)
class SiteClock:
    """A site's name, IANA time zone, and holiday calendar or None."""

    name: str
    timezone: str
    holiday_calendar: str | None


def read_site_clock(folder: Path) -> SiteClock:
    """Read `[site]` of a folder's `site.toml`.

    Raises
    ------
    InputFaults : the faults of that table.
    """
    problem = folder_problem(folder)
    if problem is not None:
        raise single_fault(folder, problem)
    document = read_toml(folder / SITE_FILE)
    faults: list[Fault] = []
    site = check_table(document, ("site",), SiteTable, faults)
    if site is None:
        raise InputFaults(faults or [document.fault(("site",), "missing, and required: a table [site]")])
    return SiteClock(site.name, site.timezone, site.holiday_calendar)
