"""`overnight record SITE`: what came of the plans, night by night settled with what really happened."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import AsJson, MeterClock, MeterKinds, SiteFolder, option
from scheduler.cli.screen import print_result, say_written


def record(
    site: SiteFolder,
    meter: Annotated[
        list[Path] | None,
        option("--meter", "FILE", "A meter's file, in any layout that read-meter reads; may be repeated."),
    ] = None,
    car_meter: Annotated[
        Path | None, option("--car-meter", "FILE", "The car charger's own meter, subtracted from the load.")
    ] = None,
    kind: MeterKinds = None,
    column: Annotated[
        list[str] | None,
        option("--column", "NAME=COLUMN", 'A CSV column by its own name, import_kwh="Bezug kWh"; may be repeated.'),
    ] = None,
    clock: MeterClock = "local",
    csv: Annotated[Path | None, option("--csv", "DIR", "Also write the record as CSV tables into this folder.")] = None,
    mark_set: Annotated[bool, typer.Option("--set", help="Note that the charger was set as the newest plan says.")] = (
        False
    ),
    set_aside: Annotated[
        bool, typer.Option("--set-aside", help="Rename a damaged record and begin a new one from plans/.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Show what came of the plans: what each night earned, wear, departures, and when the hardware is paid back.

    A night is settled once it is known what the building drew and the panels made: by the meter's files, or else by
    the site's own series. Beside the plan stands what the same night had cost otherwise.
    """
    from scheduler.cli.progress import NightsShown
    from scheduler.record.report import RecordOptions, what_came_of_it
    from scheduler.record.terminal import came_of_json, show_came_of

    options = RecordOptions(
        site=site,
        meter=tuple(meter or ()),
        car_meter=car_meter,
        kinds=tuple(kind or ()),
        columns=tuple(column or ()),
        clock=clock,
        export_to=csv,
        set_aside=set_aside,
        mark_set=mark_set,
    )
    with failures_told(), NightsShown() as shown:
        found = what_came_of_it(options, shown.looked_at)
    print_result(found, as_json, came_of_json, show_came_of)
    if found.written:
        say_written(as_json, *found.written)
