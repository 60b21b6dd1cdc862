"""`overnight read-meter FILE… --into SITE`: turn meter files into a site's load and solar."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import MeterClock, MeterKinds, option

QUESTIONS = (
    ("start", "Which column says when each interval begins (of a row a day: the date)", False),
    ("import", "Which column counts energy bought from the grid", False),
    ("export", "Which column counts energy sent to the grid, or none", True),
    ("generation", "Which column counts what the panels made, or none", True),
)
"""What a column may hold, the question on it, and whether there may be none."""


def read_meter(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="The meter's files, in any layout named above.")],
    into: Annotated[Path | None, option("--into", "SITE", "The site's folder, which holds site.toml.")] = None,
    car: Annotated[
        Path | None, option("--car", "FILE", "The car charger's own meter, subtracted from the load.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite existing load and solar files.")] = False,
    first_day: Annotated[str | None, option("--from", "DATE", "First day to read, 2026-03-02; else the first.")] = None,
    to: Annotated[str | None, option("--to", "DATE", "Last day to read, 2026-03-02; else the last.")] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="DATE", hidden=True)] = None,
    kind: MeterKinds = None,
    column: Annotated[
        list[str] | None,
        option(
            "--column",
            "NAME=COLUMN",
            'A CSV column by its own name, import_kwh="Bezug kWh"; kept for the next time; may be repeated.',
        ),
    ] = None,
    clock: MeterClock = "local",
    ask: Annotated[bool, typer.Option("--ask", help="Ask for columns even if this is not a terminal.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON on standard output.")] = False,
) -> None:
    """Turn a meter's files into the load and solar of a site.

    It reads NEM12, Green Button XML, CSV with one row per interval (start and import_kwh, export_kwh or
    generation_kwh, or the same in kw) and CSV with one row per day (date and 24, 48 or 96 columns). Several meters are
    added up. A few short gaps are filled from similar days, and each is listed.
    """
    from scheduler.metering.import_meter import MeterOptions, read_meter_into_site
    from scheduler.metering.meter_terminal import meter_json, meter_report

    with failures_told():
        site, last_day = _site_and_last_day(into, to, until)
        columns = tuple(column or ())
        if ask or (sys.stdin is not None and sys.stdin.isatty()):
            columns = _asked(files, site, columns)
        options = MeterOptions(
            files=tuple(files),
            site=site,
            car=car,
            replace=replace,
            first_day=first_day,
            last_day=last_day,
            kinds=tuple(kind or ()),
            clock=clock,
            columns=columns,
        )
        result = read_meter_into_site(options)
    if as_json:
        sys.stdout.write(meter_json(result))
    else:
        typer.echo(meter_report(result))


def _site_and_last_day(into: Path | None, to: str | None, until: str | None) -> tuple[Path, str | None]:
    """Return the site's folder and the last day; `--to SITE --until DATE` is the earlier spelling of the two."""
    from scheduler.textio.errors import single_fault

    if into is None and to is not None and (until is not None or not to[:1].isdigit() or Path(to).is_dir()):
        return Path(to), until
    if into is None:
        raise single_fault("--into", "none given; expected the site's folder")
    if to is not None and until is not None:
        raise single_fault("--until", "this is the earlier spelling of --to; expected one of the two")
    return into, to if until is None else until


def _asked(files: list[Path], site: Path, columns: tuple[str, ...]) -> tuple[str, ...]:
    """Ask which columns of a file with its own names are which; return `--column` texts, those given among them."""
    from scheduler.metering.column_names import kept_columns, parse_columns
    from scheduler.metering.detect_format import unknown_columns

    for file in files:
        own = unknown_columns(file, {**kept_columns(site), **parse_columns(columns)})
        if own is None or columns:
            continue
        typer.echo(f"{file.name} has its own columns:")
        for number, (column, cell) in enumerate(own.items(), start=1):
            typer.echo(f"  {number:>2}  {column}{f', such as {cell}' if cell else ''}")
        found: list[str] = []
        for what, question, may_be_none in QUESTIONS:
            name = _column(question, tuple(own), may_be_none)
            if name is not None:
                found.append(f"{_own_name(what, name, own[name])}={name}")
            if what == "start" and found[0].startswith("date="):
                time = _column("Which column has the time of day, or none if each day is one row", tuple(own), True)
                if time is None:
                    break
                found.append(f"time={time}")
        columns = tuple(found)
    return columns


def _column(question: str, own: tuple[str, ...], may_be_none: bool) -> str | None:
    """Ask for a column by number or name until it is one; return its name, or None for none."""
    while True:
        given = str(typer.prompt(question, default="none" if may_be_none else None)).strip()
        if may_be_none and given.lower() == "none":
            return None
        if given.isdecimal() and 1 <= int(given) <= len(own):
            return own[int(given) - 1]
        for each in own:
            if each.lower() == given.lower():
                return each
        typer.echo(f"  Expected a number from 1 to {len(own)}, or a column's name{', or none' * may_be_none}.")


def _own_name(what: str, name: str, cell: str) -> str:
    """Return the tool's name for a column: `date` if its first cell has no time, and a unit for a channel."""
    if what != "start":
        return f"{what}_{'kw' if 'kw' in name.lower() and 'kwh' not in name.lower() else 'kwh'}"
    return "start" if ":" in cell else "date"
