"""`overnight hand-over PLAN_DIR --as calendar`: a saved plan as a file for other software."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import NoRecord, option


class HandOverTo(StrEnum):
    """What a plan is handed over as."""

    CALENDAR = "calendar"
    OCPP21 = "ocpp21"


def hand_over(
    plan_folder: Annotated[Path, typer.Argument(metavar="PLAN_DIR", help="The folder of a plan.")],
    kind: Annotated[
        HandOverTo, typer.Option("--as", help="A calendar (RFC 5545), or SetChargingProfile of OCPP 2.1 Edition 1.")
    ],
    out: Annotated[Path | None, option("--out", "FILE", "The file to write; else one beside the plan.")] = None,
    no_record: NoRecord = False,
) -> None:
    """Write a plan as a file for a calendar or a charging station. Nothing here contacts a charger."""
    from scheduler.plan_output.export import hand_over as write_hand_over
    from scheduler.plan_output.ocpp_file import stops_not_carried
    from scheduler.plans.saved_plan import read_saved_plan
    from scheduler.record.keep_plan import keep_hand_over

    with failures_told():
        file = write_hand_over(plan_folder, kind.value, out)
        note = stops_not_carried(read_saved_plan(plan_folder)) if kind is HandOverTo.OCPP21 else None
    not_kept = None if no_record else keep_hand_over(plan_folder)
    if note is not None:
        typer.echo(note)
    typer.echo(f"Written to {file}. It is a file only: no charger was contacted, and a plan is advice, not control.")
    if not_kept is not None:
        typer.echo(not_kept, err=True)
