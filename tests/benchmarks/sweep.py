"""A sweep: what it adds to the nights it plans, two processes against one, and what a large grid costs to begin.

python -m tests.benchmarks.sweep [overhead|processes|grid]...
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path

from scheduler.rolling.simulate import rolled_nights
from scheduler.rolling.workers import workers_here
from scheduler.sweep.request import SweepOptions, parse_sweep_request
from scheduler.sweep.sweep import sweep
from tests.benchmarks.ratios import seconds
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
MONTH = {"first_day": "2026-01-01", "last_day": "2026-01-31"}


def overhead() -> None:
    """Time a sweep of a month in one process, reading and writing included, against the sum of its nights."""
    words = SweepOptions(DEMO, "0:3:0.5", **MONTH)
    ratios = []
    for _ in range(3):
        with tempfile.TemporaryDirectory() as name:
            whole = seconds(lambda: sweep(words, Path(name) / "out", workers_here(1)))
        nights = seconds(lambda: _nights(words))
        ratios.append(whole / nights - 1)
        print(f"  {whole:.1f} s against {nights:.1f} s of nights")
    print(f"overhead of a sweep: {100 * statistics.median(ratios):.1f} % ({100 * min(ratios):.1f} to "
          f"{100 * max(ratios):.1f} in 3 runs), aim under 10 %")  # fmt: skip


def processes() -> None:
    """Time 31 weights of a month of hourly nights, in one process and in two."""
    words = SweepOptions(DEMO, "0:3:0.1", **MONTH)
    ratios = []
    for _ in range(3):
        took = []
        for jobs in (1, 2):
            with tempfile.TemporaryDirectory() as name:
                took.append(seconds(lambda: sweep(words, Path(name) / "out", workers_here(jobs))))  # noqa: B023
        ratios.append(took[0] / took[1])
        print(f"  {took[0]:.1f} s in one process, {took[1]:.1f} s in two")
    print(f"31 weights of a month: two processes are {statistics.median(ratios):.2f} times as fast as one "
          f"({min(ratios):.2f} to {max(ratios):.2f} in 3 runs), aim 1.8")  # fmt: skip


def grid() -> None:
    """Time reading, checking and hashing a grid of 10,000 runs of a year, before any night."""
    floors = ",".join(str(10 + number / 10) for number in range(100))
    words = SweepOptions(DEMO, "0:9.9:0.1", settings=(f"car.floor_percent={floors}",))
    began = time.perf_counter()
    asked = parse_sweep_request(words)
    print(f"{len(asked.points)} runs: {time.perf_counter() - began:.1f} s before the first night")


def _nights(words: SweepOptions) -> None:
    for asked in parse_sweep_request(words).runs.values():
        run = asked.run
        for _ in rolled_nights(run.inputs, run.first, run.last, run.soc_percent, run.forecast, run.policy, run.trips):
            pass


if __name__ == "__main__":
    for what in sys.argv[1:] or ["overhead", "processes", "grid"]:
        {"overhead": overhead, "processes": processes, "grid": grid}[what]()
