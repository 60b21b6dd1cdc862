"""`overnight read-meter FILE… --to SITE`: turn meter files into a site's load and solar."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import MeterClock, MeterKinds, option


def read_meter(
    files: Annotated[list[Path], typer.Argument(metavar="FILE", help="The meter's files, in any layout named above.")],
    to: Annotated[Path, option("--to", "SITE", "The site's folder, which holds site.toml.")],
    car: Annotated[
        Path | None, option("--car", "FILE", "The car charger's own meter, subtracted from the load.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Overwrite existing load and solar files.")] = False,
    first_day: Annotated[str | None, option("--from", "DATE", "First day to read, 2026-03-02; else the first.")] = None,
    last_day: Annotated[str | None, option("--until", "DATE", "Last day to read, 2026-03-02; else the last.")] = None,
    kind: MeterKinds = None,
    clock: MeterClock = "local",
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON on standard output.")] = False,
) -> None:
    """Turn a meter's files into the load and solar of a site.

    It reads NEM12, Green Button XML, CSV with one row per interval (start and import_kwh, export_kwh or
    generation_kwh, or the same in kw) and CSV with one row per day (date and 24, 48 or 96 columns). Several meters are
    added up. A few short gaps are filled from similar days, and each is listed.
    """
    from scheduler.metering.import_meter import MeterOptions, read_meter_into_site
    from scheduler.metering.meter_terminal import meter_json, meter_report

    options = MeterOptions(
        files=tuple(files),
        site=to,
        car=car,
        replace=replace,
        first_day=first_day,
        last_day=last_day,
        kinds=tuple(kind or ()),
        clock=clock,
    )
    with failures_told():
        result = read_meter_into_site(options)
    if as_json:
        sys.stdout.write(meter_json(result))
    else:
        typer.echo(meter_report(result))
