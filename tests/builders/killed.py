"""Work on a site's record that is killed on the way: `python -m tests.builders.killed WORK FOLDER SEED COUNT`.

The work is done once to its end to count its calls. Then it is begun anew so many times, each in a process and a
folder of its own, which kills itself with SIGKILL at a random one of these calls, of those that modules make which
write: no handler runs, nothing is flushed.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from types import FrameType

from scheduler.inputs.site_inputs import read_inputs
from scheduler.plan_output.write_plan import write_plan
from scheduler.record.export import export_record
from scheduler.record.keep_plan import keep_plan
from scheduler.record.schema import APPLICATION_ID, PLANS_AND_TOLD
from scheduler.record.store import insert_plan, opened_record, plan_row
from scheduler.record.take_in import PLANS_FOLDER
from scheduler.record.update import settle_nights
from tests.builders.recorded import FIRST_DAY, evening_texts, evenings_on_record, quick_plan, shaken

Work = Callable[[Path], object]
EVENINGS = 2
EXPORTED = "tables"
WRITING = (
    "database.py",
    "store.py",
    "settled.py",
    "take_in.py",
    "keep_plan.py",
    "export.py",
    "write_plan.py",
    "write.py",
)
"""Modules that write, or make what is written; a kill elsewhere finds nothing begun."""


def version_one(folder: Path) -> None:
    """Write a record of version 1, as that version made it, with so many evenings."""
    with sqlite3.connect(folder / "record.sqlite") as connection:
        connection.executescript(PLANS_AND_TOLD)
        connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        connection.execute("PRAGMA user_version = 1")
        for number in range(EVENINGS):
            insert_plan(connection, plan_row(*evening_texts(number), folder))
    connection.close()


def prepared(work: str, folder: Path) -> Work:
    """Write the site that the work begins with into a folder; gives the work, a function of such a folder."""
    with opened_record(folder) as record:
        inputs = evenings_on_record(folder, record, EVENINGS)
        if work == "export":
            export_record(record, folder / EXPORTED, "Europe/Dublin")
            settle_nights(record, inputs, shaken(inputs))
    if work == "plan":
        later = FIRST_DAY + timedelta(days=EVENINGS)
        plan = quick_plan(folder, f"{later:%Y-%m-%d}T18:00")
        return lambda site: keep_plan(site, write_plan(plan, site / PLANS_FOLDER))
    if work == "migrate":
        for file in folder.glob("record.sqlite*"):
            file.unlink()
        version_one(folder)
        return _opened
    return _settled if work == "settle" else _exported


def _opened(site: Path) -> None:
    with opened_record(site):
        pass


def _settled(site: Path) -> None:
    inputs = read_inputs(site)
    with opened_record(site) as record:
        settle_nights(record, inputs, shaken(inputs))


def _exported(site: Path) -> None:
    with opened_record(site) as record:
        export_record(record, site / EXPORTED, "Europe/Dublin")


def killed_in_copies(work: str, folder: Path, seed: int, count: int) -> None:
    """Do the work in copies of a site, each killed on the way: `folder/0`, `folder/1`, and so on."""
    begin = folder / "begin"
    begin.mkdir(parents=True)
    do = prepared(work, begin)
    do(Path(shutil.copytree(begin, folder / "whole")))  # what is loaded and kept on the way is counted no more
    calls = 0

    def counting(frame: FrameType, *event: object) -> None:
        nonlocal calls
        calls += Path(frame.f_code.co_filename).name in WRITING

    again = Path(shutil.copytree(begin, folder / "again"))
    sys.setprofile(counting)
    do(again)
    sys.setprofile(None)
    chance = random.Random(seed)
    for number in range(count):
        site = Path(shutil.copytree(begin, folder / str(number)))
        left = chance.randrange(calls)
        child = os.fork()
        if child == 0:

            def killing(frame: FrameType, *event: object) -> None:
                nonlocal left
                left -= Path(frame.f_code.co_filename).name in WRITING
                if left < 0:
                    os.kill(os.getpid(), signal.SIGKILL)

            sys.setprofile(killing)
            do(site)
            os._exit(0)
        os.waitpid(child, 0)


if __name__ == "__main__":
    killed_in_copies(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
