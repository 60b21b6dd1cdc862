"""Rolled years: overhead against bare HiGHS, two processes against one, and memory.

python -m tests.benchmarks.years [overhead|processes|memory]...
"""

from __future__ import annotations

import contextlib
import os
import statistics
import sys
import tempfile
import threading
from dataclasses import replace
from datetime import date
from pathlib import Path

from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.optimizer.compact import compact_matrix
from scheduler.rolling.process_pool import do, work_of
from scheduler.rolling.run import RolledRun, roll
from scheduler.rolling.simulate import rolled_nights
from tests.benchmarks.one_night import bare
from tests.benchmarks.ratios import seconds
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
FIRST, LAST = date(2025, 11, 1), date(2026, 1, 31)


def demo(step_minutes: int) -> Inputs:
    """Return the demo site at a length of interval [min]."""
    inputs = read_inputs(DEMO)
    return replace(inputs, site=replace(inputs.site, plan=replace(inputs.site.plan, step_minutes=step_minutes)))


def overhead() -> None:
    """Time all of rolling nights, choices among equals included, against the money of the same nights in bare HiGHS."""
    inputs = demo(60)
    nights = [night.planned for night in rolled_nights(inputs, FIRST, LAST, 80.0)]
    matrices = [compact_matrix(night) for night in nights]
    run = RolledRun("a quarter of a year", inputs, FIRST, LAST, 80.0)

    def bare_all() -> None:
        for matrix, night in zip(matrices, nights, strict=True):
            bare(matrix, night, {})

    pairs = [(seconds(lambda: roll(run)), seconds(bare_all)) for _ in range(3)]
    ratios = sorted(ours / theirs for ours, theirs in pairs)
    ours, theirs = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(f"{len(nights)} nights: {ours:.1f} s against {theirs:.1f} s, ratio {ratios[1]:.2f} ({ratios[0]:.2f} to "
          f"{ratios[-1]:.2f} in 3 runs), aim 1.05")  # fmt: skip


def processes() -> None:
    """Time four runs of whole stretches in one process and in two."""
    inputs = demo(60)
    runs = {f"{weight:g}": _weighted(inputs, weight) for weight in (0.8, 1.0, 1.2, 1.4)}
    pairs = []
    for _ in range(3):
        times = []
        for jobs in (1, 2):
            with tempfile.TemporaryDirectory() as folder:
                work = work_of(runs, Path(folder))
                times.append(seconds(lambda: do(work, jobs)))  # noqa: B023 - called in this turn of the loop
        pairs.append(times)
    ratios = sorted(one / two for one, two in pairs)
    print(f"4 runs: two processes are {ratios[1]:.2f} times as fast as one ({ratios[0]:.2f} to {ratios[-1]:.2f} in 3 "
          "runs), aim 1.8")  # fmt: skip


def memory() -> None:
    """Print the peak memory of ten offers' quarter-hour series in two processes, garbage included (Linux)."""
    inputs = demo(15)
    runs = {f"{number}": _weighted(inputs, 0.5 + number / 10, date(2025, 11, 10)) for number in range(10)}
    peak, stop = [0.0], threading.Event()

    def look() -> None:
        while not stop.wait(0.1):
            peak[0] = max(peak[0], sum(_own_megabytes(process) for process in _family(os.getpid())))

    watcher = threading.Thread(target=look, daemon=True)
    watcher.start()
    with tempfile.TemporaryDirectory() as folder:
        do(work_of(runs, Path(folder)), 2)
    stop.set()
    watcher.join()
    print(f"peak memory, shared pages once, of this process and two others: {peak[0]:.0f} MB, aim 600")


def _family(process: int) -> list[int]:
    """Return a process and all its descendants."""
    found = [process]
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            for child in task.read_text().split():
                found += _family(int(child))
    return found


def _own_megabytes(process: int) -> float:
    """Return the proportional set size of a process [MB]."""
    with contextlib.suppress(OSError):
        for row in Path(f"/proc/{process}/smaps_rollup").read_text().splitlines():
            if row.startswith("Pss:"):
                return int(row.split()[1]) / 1024
    return 0.0


def _weighted(inputs: Inputs, weight: float, last: date = LAST) -> RolledRun:
    site = replace(inputs.site, wear=replace(inputs.site.wear, weight=weight))
    return RolledRun(f"weight {weight:g}", replace(inputs, site=site), FIRST, last, 80.0)


if __name__ == "__main__":
    for what in sys.argv[1:] or ["overhead", "processes", "memory"]:
        with contextlib.suppress(KeyError):
            {"overhead": overhead, "processes": processes, "memory": memory}[what]()
