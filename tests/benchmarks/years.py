"""Rolled years: overhead against bare HiGHS, two processes against one, and memory.

python -m tests.benchmarks.years [overhead|processes|memory]...
"""

from __future__ import annotations

import contextlib
import resource
import statistics
import sys
import tempfile
from dataclasses import replace
from datetime import date
from pathlib import Path

from scheduler.inputs import Inputs, read_inputs
from scheduler.rolled_run import RolledRun, roll
from scheduler.rolling import rolled_nights
from scheduler.runs_over_cores import do, work_of
from scheduler.tight_matrix import tight_matrix
from tests.benchmarks.one_night import bare
from tests.benchmarks.ratios import seconds

DEMO = Path(__file__).parents[2] / "scenarios" / "bookbindery"
FIRST, LAST = date(2025, 11, 1), date(2026, 1, 31)


def demo(step_minutes: int) -> Inputs:
    """The demo site at a step."""
    inputs = read_inputs(DEMO)
    return replace(inputs, site=replace(inputs.site, plan=replace(inputs.site.plan, step_minutes=step_minutes)))


def overhead() -> None:
    """All of rolling nights, choices among equals included, against the money of the same nights in bare HiGHS."""
    inputs = demo(60)
    nights = [night.planned for night in rolled_nights(inputs, FIRST, LAST, 80.0)]
    matrices = [tight_matrix(night) for night in nights]
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
    """Four runs of whole stretches in one process and in two."""
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
    """Peak memory of ten offers' quarter-hour years, read and hashed whole, over as many nights as make a peak."""
    inputs = demo(15)
    runs = {f"{number}": _weighted(inputs, 0.5 + number / 10, date(2025, 11, 14)) for number in range(10)}
    with tempfile.TemporaryDirectory() as folder:
        do(work_of(runs, Path(folder)), 2)
    own, children = (
        resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    print(f"peak memory: {own:.0f} MB in this process, at most {children:.0f} MB in one of two others, aim 600 in all")


def _weighted(inputs: Inputs, weight: float, last: date = LAST) -> RolledRun:
    site = replace(inputs.site, wear=replace(inputs.site.wear, weight=weight))
    return RolledRun(f"weight {weight:g}", replace(inputs, site=site), FIRST, last, 80.0)


if __name__ == "__main__":
    for what in sys.argv[1:] or ["overhead", "processes", "memory"]:
        with contextlib.suppress(KeyError):
            {"overhead": overhead, "processes": processes, "memory": memory}[what]()
