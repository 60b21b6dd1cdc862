"""Hand a kept plan over: to a calendar, or to a charging station's engineer. Files only."""

from __future__ import annotations

import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from scheduler.plan_output.calendar_file import calendar_text
from scheduler.plan_output.ocpp_file import ocpp21_document, ocpp21_text
from scheduler.plan_output.ocpp_schema import broken_rules
from scheduler.plans.saved_plan import read_saved_plan
from scheduler.textio.errors import NotWrittenError, single_fault

Kind = Literal["calendar", "ocpp21"]
FILE_NAMES: dict[Kind, str] = {"calendar": "calendar.ics", "ocpp21": "set-charging-profile.json"}


def hand_over(plan_folder: Path, kind: Kind, out: Path | None = None) -> Path:
    """Write a kept plan for another program; gives the file.

    Parameters
    ----------
    out : the file; by default one beside the plan.

    Raises
    ------
    InputFaults : the plan is missing, damaged or of a newer program, or cannot be handed over.
    NotWrittenError : nothing was written.
    """
    plan = read_saved_plan(plan_folder)
    if kind == "calendar":
        content = calendar_text(plan, datetime.now(UTC).replace(microsecond=0))
    else:
        broken = broken_rules(ocpp21_document(plan))
        if broken:
            raise single_fault(plan_folder, f"it gives no valid profile: {broken[0]}")
        content = ocpp21_text(plan).encode()
    file = out if out is not None else plan_folder / FILE_NAMES[kind]
    _write(file, content)
    return file


def _write(file: Path, content: bytes) -> None:
    """Write the file whole or not at all."""
    beside: str | None = None
    try:
        if file.is_dir():
            raise NotWrittenError(f"{file} is a folder; give a file with --out")
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, beside = tempfile.mkstemp(prefix=f".{file.name}-", dir=file.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
        os.chmod(beside, 0o644)
        os.replace(beside, file)
        beside = None
    except OSError as error:
        raise NotWrittenError(f"{file} cannot be written: {error.strerror or error}; nothing was changed") from None
    finally:
        if beside is not None:
            Path(beside).unlink(missing_ok=True)
