"""Write a plan's folder: all of it, or nothing."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.plan_output.page import report_text
from scheduler.plan_output.plan_json import plan_text
from scheduler.plan_output.schedule_csv import schedule_text
from scheduler.plans.plan import Plan
from scheduler.textio.errors import NotWrittenError


def write_plan(plan: Plan, out: Path) -> Path:
    """Write `schedule.csv`, `plan.json` and `report.html` to a new folder in `out`; the same instant again replaces it.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    texts = {"schedule.csv": schedule_text(plan), "plan.json": plan_text(plan), "report.html": report_text(plan)}
    folder = out / folder_name(plan.night.boundaries[0].to_pydatetime(), plan.night.timezone)
    write_folder(folder, texts)
    return folder


def folder_name(instant: datetime, timezone: str) -> str:
    """Local time of the plan's first instant, `2026-03-02T1820`; its offset too the second time a clock shows it."""
    local = instant.astimezone(ZoneInfo(timezone))
    return f"{local:%Y-%m-%dT%H%M}" + (f"{local:%z}" if local.fold else "")


def write_folder(folder: Path, texts: Mapping[str, str]) -> None:
    """Write files beside the folder and move them into place whole, an earlier folder of that name out of the way.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    beside: Path | None = None
    try:
        if folder.exists() and not (folder / "plan.json").is_file():
            raise NotWrittenError(f"{folder} is in the way and is not a plan; move it, or give another --out")
        folder.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        new, old = beside / "new", beside / "old"
        new.mkdir()
        for name, text in texts.items():
            (new / name).write_text(text, encoding="utf-8", newline="")
        if folder.exists():
            folder.rename(old)
        try:
            new.rename(folder)
        except OSError:
            if old.exists():
                old.rename(folder)
            raise
    except OSError as error:
        raise NotWrittenError(f"{folder} cannot be written: {error.strerror or error}; nothing was changed") from None
    finally:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)
