"""Certified schedules against the compact program in HiGHS with its ties, on the same nights in the same run.

CPU time of one core; nothing is asserted. python -m tests.benchmarks.certified [nights of each kind]
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.solve import solve, solve_compact
from tests.benchmarks.one_night import DEMO

ALONE = ("a week",)
"""Kinds of night that the compact program does not solve in bounded time."""
TRIPS = ("07:30-18:00 96km", "06:30-15:10 40km", "08:00-12:00 30km", "09:30-21:00 120km")


def nights(kind: str, count: int) -> Iterator[Night]:
    """Yield nights of the demo site with other days, states of charge and trips; the same for the same kind."""
    step, hours, high_export = {
        "hourly": (60, 24, False),
        "quarter hours": (15, 24, False),
        "5 minutes": (5, 24, False),
        "two days": (60, 48, False),
        "export over import": (60, 24, True),
        "a week": (60, 168, False),
    }[kind]
    inputs = read_inputs(DEMO)
    plan = replace(inputs.site.plan, step_minutes=step, horizon_hours=hours)
    inputs = replace(inputs, site=replace(inputs.site, plan=plan))
    random = np.random.default_rng(11)
    for _ in range(count):
        day, soc = int(random.integers(2, 25)), float(random.integers(35, 80))
        now = f"2026-03-{day:02}T{int(random.integers(17, 22))}:20"
        options = RequestOptions(soc, now=now, trips=(TRIPS[random.integers(4)],))
        night = build_night(inputs, parse_request(options, inputs))[0]
        if high_export:
            night = replace(night, export_price=np.maximum(night.export_price, night.import_price + 0.02))
        yield night


def seconds(work: Callable[[], object]) -> float:
    """Return the CPU time of one run [s]."""
    began = time.process_time()
    work()
    return time.process_time() - began


def main() -> None:
    """Print one line for each kind."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    kinds = sys.argv[2:] or ["hourly", "quarter hours", "two days", "export over import"]
    for kind in kinds:
        ours, theirs, ratios, gaps = [], [], [], []
        for night in nights(kind, count):
            answer = solve(night)
            gaps.append(answer.gap / night.highest_price)
            ours.append(seconds(lambda: solve(night)))  # noqa: B023 - used in this turn of the loop only
            theirs.append(seconds(lambda: solve_compact(night)) if kind not in ALONE else float("nan"))  # noqa: B023
            ratios.append(theirs[-1] / ours[-1])
        print(
            f"{kind}, {count} nights: {statistics.median(ours):.2f} s (worst {max(ours):.2f}) against "
            f"{statistics.median(theirs):.2f} s (worst {max(theirs):.2f}), median of ratios "
            f"{statistics.median(ratios):.2f}, largest gap {1000 * max(gaps):.1f} Wh",
            flush=True,
        )


if __name__ == "__main__":
    main()
