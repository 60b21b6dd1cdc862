"""Hand a saved plan over: to a calendar, or to a charging station's engineer. Files only."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from scheduler.plan_output.calendar_file import calendar_text
from scheduler.plan_output.ocpp_file import ocpp21_document, ocpp21_text
from scheduler.plan_output.ocpp_schema import broken_rules
from scheduler.plans.saved_plan import read_saved_plan
from scheduler.textio.errors import NotWrittenError, single_fault
from scheduler.textio.write import write_file

Kind = Literal["calendar", "ocpp21"]
FILE_NAMES: dict[Kind, str] = {"calendar": "calendar.ics", "ocpp21": "set-charging-profile.json"}


def hand_over(plan_folder: Path, kind: Kind, out: Path | None = None) -> Path:
    """Write a saved plan for another program.

    Parameters
    ----------
    plan_folder : the plan's folder. kind : what to write. out : the file; None for one beside the plan.

    Returns
    -------
    The file.

    Raises
    ------
    InputFaults : the plan is missing, damaged or of a newer program, or cannot be handed over.
    NotWrittenError : nothing was written.
    """
    plan = read_saved_plan(plan_folder)
    if kind == "calendar":
        content: str | bytes = calendar_text(plan, datetime.now(UTC).replace(microsecond=0))
    else:
        broken = broken_rules(ocpp21_document(plan))
        if broken:
            raise single_fault(plan_folder, f"it does not make a valid profile: {broken[0]}")
        content = ocpp21_text(plan)
    file = out if out is not None else plan_folder / FILE_NAMES[kind]
    if file.is_dir():
        raise NotWrittenError(f"{file} is a folder; give a file with --out")
    write_file(file, content)
    return file
