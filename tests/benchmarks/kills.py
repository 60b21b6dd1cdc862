"""SIGKILL from outside at random times, while a site's record is written: does the database open, whole?

python -m tests.benchmarks.kills [COUNT] [SEED]

Each of four works (a plan written and kept, nights settled, a record brought to this version, tables exported) is begun
COUNT / 4 times, 50 by default, and killed after a random time up to half again what it takes by itself. The database
must then open and be sound, and hold each evening whole or not at all. It ends with 1 at the first that does not.
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import sys
import tempfile
import time
from pathlib import Path

from scheduler.record.database import check_sound
from scheduler.record.settled import WAYS, night_flows, settled_nights
from scheduler.record.store import opened_record
from tests.builders.killed import Work, prepared

WORKS = ("plan", "settle", "migrate", "export")


def begun(do: Work, site: Path) -> int:
    """Do the work in a process of its own; give its number."""
    child = os.fork()
    if child == 0:
        do(site)
        os._exit(0)
    return child


def look(site: Path) -> tuple[int, int]:
    """Count the plans and the settled nights of a record; raises if it is not whole."""
    with opened_record(site) as record:
        check_sound(record.connection, record.file)
        nights = settled_nights(record)
        for night in nights:
            for way in WAYS:
                minutes = int(night_flows(record, night.begin, way).minutes.sum())
                if 60 * minutes != (night.end - night.begin).total_seconds():
                    raise SystemExit(f"{site}: the night of {night.begin} is not whole")
        return len(record.plans()), len(nights)


def main(count: int, seed: int) -> None:
    chance = random.Random(seed)
    for work in WORKS:
        with tempfile.TemporaryDirectory() as folder:
            begin = Path(folder) / "begin"
            begin.mkdir()
            do = prepared(work, begin)
            do(Path(shutil.copytree(begin, Path(folder) / "warm")))
            clock = time.perf_counter()
            os.waitpid(begun(do, Path(shutil.copytree(begin, Path(folder) / "whole"))), 0)
            takes = time.perf_counter() - clock
            ends: dict[tuple[int, int, bool], int] = {}
            for number in range(count // len(WORKS)):
                site = Path(shutil.copytree(begin, Path(folder) / str(number)))
                child = begun(do, site)
                time.sleep(1.5 * takes * chance.random())
                os.kill(child, signal.SIGKILL)
                killed = os.WIFSIGNALED(os.waitpid(child, 0)[1])
                found = (*look(site), killed)
                ends[found] = ends.get(found, 0) + 1
                shutil.rmtree(site)
        told = ", ".join(
            f"{times} times {plans} plans and {nights} nights{'' if killed else ' (it had ended)'}"
            for (plans, nights, killed), times in sorted(ends.items())
        )
        print(f"{work}: {takes * 1000:.0f} ms; all whole: {told}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200, int(sys.argv[2]) if len(sys.argv) > 2 else 20260302)
