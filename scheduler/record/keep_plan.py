"""Keep a plan in its site's record once its folder is written: whatever goes wrong here, the plan stands."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

from scheduler.inputs.site_file import SITE_FILE, read_site_clock
from scheduler.plans.saved_plan import MOST_MEGABYTES, NOT_RECORDED_FILE, PLAN_FILE, SCHEDULE_FILE, read_saved_plan
from scheduler.record.database import RECORD_FILE
from scheduler.record.store import opened_record
from scheduler.record.take_in import PLANS_FOLDER, take_in_plans
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.textio.read_text import read_text


def keep_plan(site: Path, folder: Path) -> str | None:
    """Add the plan in a folder to its site's record, which is made if there is none.

    A record that is new takes in the plans of before as well.

    Parameters
    ----------
    site : the site's folder. folder : the plan's.

    Returns
    -------
    A sentence on why it is not in the record; None if it is.
    """
    try:
        is_new = not (site / RECORD_FILE).exists()
        plan_text, schedule_text = (read_text(folder / name, MOST_MEGABYTES) for name in (PLAN_FILE, SCHEDULE_FILE))
        with opened_record(site) as record:
            record.add_plan(plan_text, schedule_text)
            if is_new:
                clock = read_site_clock(site)
                take_in_plans(record, site, clock.name, clock.timezone)
    except (InputFaults, NotWrittenError, sqlite3.Error) as error:
        return _not_kept(error)
    return None


def keep_hand_over(plan_folder: Path) -> str | None:
    """Note in its site's record that a plan was handed over to another program.

    Nothing is noted of a plan that does not lie in its site's `plans/`, or is kept out of the record.

    Returns
    -------
    A sentence on why it is not noted; None if it is, or nothing is to be.
    """
    folder = plan_folder.absolute()
    site = folder.parent.parent
    if folder.parent.name != PLANS_FOLDER or not (site / SITE_FILE).is_file() or (folder / NOT_RECORDED_FILE).exists():
        return None
    try:
        start = read_saved_plan(folder).start.astimezone(UTC)
        why_not = keep_plan(site, folder)
        if why_not is None:
            with opened_record(site) as record:
                record.mark_handed_over(start, datetime.now(UTC))
    except (InputFaults, NotWrittenError, sqlite3.Error) as error:
        return _not_kept(error)
    return why_not


def _not_kept(error: Exception) -> str:
    return f"Not in the site's record: {' '.join(str(error).split())}"
