"""How long a sweep will take, from a few of its nights."""

from __future__ import annotations

import time
from collections.abc import Sequence

from scheduler.rolling.process_pool import Work
from scheduler.rolling.simulate import CarryOver, one_night, planning_times
from scheduler.sweep.run import SweepResult, SweepRun

MOST_NIGHTS = 9
PICTURES_SECONDS = 4.0
"""That figures and page take on a machine of two cores [s]."""
MOST_SECONDS = 3.0
"""Of trying nights."""


def expected_seconds(runs: Sequence[SweepRun], work: Work[SweepResult], jobs: int) -> float:
    """Time that what is left will take [s], from nights tried here, of runs and days spread over the sweep.

    Figures and page are in it. A run that no night could be tried of is taken to be like the others. Charging on return
    plans nothing.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused : of a night that was tried.
    """
    left = [run for name, run in zip(work.runs, runs, strict=True) if name not in work.done]
    planned = [run for run in left if run.point.policy != "charge-on-return"]
    if not planned:
        return 0.0
    one_night_of(planned[0], 0.5)  # what is only done once in a process
    took: list[float] = []
    while len(took) < MOST_NIGHTS and sum(took) < MOST_SECONDS:
        share = (len(took) * 0.618034) % 1.0  # spread evenly, whatever the number
        began = time.perf_counter()
        one_night_of(planned[int(share * len(planned))], (share * 7) % 1.0)
        took.append(time.perf_counter() - began)
    nights = sum(run.nights for run in planned)
    return nights * sum(took) / len(took) / max(1, min(jobs, len(planned))) + PICTURES_SECONDS


def one_night_of(run: SweepRun, share: float) -> None:
    """Plan and carry out the night of a run that lies at this share of its days, the car at its ceiling."""
    rolled = run.run
    times = planning_times(rolled.inputs, rolled.first, rolled.last)
    at = int(share * (len(times) - 1))
    carried = CarryOver(rolled.inputs.site.car.kwh(rolled.soc_percent))
    one_night(rolled.inputs, times[at], times[at + 1], carried, rolled.forecast, rolled.policy)
