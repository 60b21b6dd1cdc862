"""Write a plan's folder: all of it, or nothing."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.plan_output.page import report_text
from scheduler.plan_output.plan_json import plan_text
from scheduler.plan_output.schedule_csv import schedule_text
from scheduler.plans.plan import Plan
from scheduler.plans.saved_plan import NOT_RECORDED_FILE
from scheduler.textio.write import folder_made_beside, refuse_other

REPORT_FILE = "report.html"


def write_plan(plan: Plan, out: Path, for_study: bool = False) -> Path:
    """Write `schedule.csv`, `plan.json` and `report.html` to a new folder; the same instant again replaces it.

    Parameters
    ----------
    out : the folder in which the new one is made.
    for_study : mark the folder, so that the site's record never takes the plan in.

    Returns
    -------
    The new folder.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    texts = {"schedule.csv": schedule_text(plan), "plan.json": plan_text(plan), REPORT_FILE: report_text(plan)}
    if for_study:
        texts[NOT_RECORDED_FILE] = "Made for a study: the site's record leaves this plan out.\n"
    folder = out / folder_name(plan.night.boundaries[0].to_pydatetime(), plan.night.timezone)
    refuse_other(folder, "a plan", lambda there: (there / "plan.json").is_file())
    with folder_made_beside(folder, replace=True) as made:
        for name, text in texts.items():
            (made / name).write_text(text, encoding="utf-8", newline="")
    return folder


def folder_name(instant: datetime, timezone: str) -> str:
    """Return the local time of a plan's first instant, with its offset if the clock shows it for the second time.

    >>> folder_name(datetime.fromisoformat("2026-03-02T18:20+00:00"), "Europe/Dublin")
    '2026-03-02T1820'
    """
    local = instant.astimezone(ZoneInfo(timezone))
    return f"{local:%Y-%m-%dT%H%M}" + (f"{local:%z}" if local.fold else "")
