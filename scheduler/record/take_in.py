"""Take the plans of a site's `plans/` folder into its record, each once; the folder stays as it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from scheduler.plans.saved_plan import (
    MOST_MEGABYTES,
    NOT_RECORDED_FILE,
    PLAN_FILE,
    SCHEDULE_FILE,
    parse_saved_plan,
    plan_folders,
)
from scheduler.record.database import change, told
from scheduler.record.store import Record, plan_row, seconds
from scheduler.textio.errors import InputFaults
from scheduler.textio.read_text import read_text

PLANS_FOLDER = "plans"


@dataclass(frozen=True, slots=True)
class TakenIn:
    """How many plans were taken in, and which folders were passed over because their plan is damaged."""

    taken: int = 0
    damaged: tuple[Path, ...] = ()


def take_in_plans(record: Record, site: Path, site_name: str, timezone: str) -> TakenIn:
    """Take every plan of a site's plans that the record does not hold, all in one change.

    A plan that the record holds stays as it is there, with what was told of it. Plans of other sites and those made
    for a study are left out; a damaged one is passed over.

    Parameters
    ----------
    site : the site's folder. site_name, timezone : the site's.

    Raises
    ------
    InputFaults : the folder of plans cannot be read. NotWrittenError : the record cannot be written.
    """
    with told(record.file):
        held = {row[0] for row in record.connection.execute("SELECT start_s FROM plans")}
    rows, damaged = [], []
    for folder in sorted(plan_folders(site / PLANS_FOLDER)):
        if held & _may_start(folder, timezone) or (folder / NOT_RECORDED_FILE).exists():
            continue
        try:
            plan_text, schedule_text = (read_text(folder / name, MOST_MEGABYTES) for name in (PLAN_FILE, SCHEDULE_FILE))
            if parse_saved_plan(plan_text, schedule_text, folder).site == site_name:
                rows.append(plan_row(plan_text, schedule_text, folder))
        except InputFaults:
            damaged.append(folder)
    if not rows:
        return TakenIn(0, tuple(damaged))
    names = list(rows[0])
    with change(record.connection, record.file) as connection:
        done = connection.executemany(
            f"INSERT OR IGNORE INTO plans ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})",
            [list(row.values()) for row in rows],
        )
    return TakenIn(done.rowcount, tuple(damaged))


def _may_start(folder: Path, timezone: str) -> set[int]:
    """Return the instants that a folder's name may mean [s since 1970]: local time, with or without its offset."""
    if len(folder.name) > len("2026-03-02T1820"):
        return {seconds(datetime.strptime(folder.name, "%Y-%m-%dT%H%M%z").astimezone(UTC))}
    wall = datetime.strptime(folder.name, "%Y-%m-%dT%H%M")
    return {seconds(wall.replace(tzinfo=ZoneInfo(timezone), fold=0).astimezone(UTC))}
