"""Who does the work of many runs: processes on this machine, or the workers of a cluster; and how long it may take."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from typing import Any

from scheduler.rolling.process_pool import Work, do, process_count
from scheduler.rolling.run import RolledRun
from scheduler.rolling.simulate import CarryOver, one_night, planning_times

MOST_TRIAL_NIGHTS, MOST_TRIAL_SECONDS = 9, 3.0
"""How many nights, or for how long, an estimate tries at most."""
GOLDEN_SECTION = 0.618034
"""Its multiples modulo 1 are spread evenly, however many there are."""

Doer = Callable[[Work[Any], Callable[[int], None]], None]
"""Does what is left of the work, and keeps each result in its file."""


@dataclass(frozen=True, slots=True)
class Workers:
    """Who does the work: processes on this machine unless another way is given.

    Attributes
    ----------
    processes : how many share it. doer : does it; None for processes on this machine.
    """

    processes: int
    doer: Doer | None = None

    def do(self, work: Work[Any], progress: Callable[[int], None]) -> None:
        """Do what is left of the work."""
        if self.doer is not None:
            self.doer(work, progress)
        else:
            do(work, self.processes, progress)


def workers_here(jobs: int | None) -> Workers:
    """Return processes on this machine; None stands for one per core.

    Raises
    ------
    InputFaults : a number that is not allowed.
    """
    return Workers(process_count(jobs))


@contextmanager
def workers_at(cluster: str | None, jobs: int | None) -> Iterator[Workers]:
    """Yield the workers of the Dask scheduler at an address, or processes here, for as long as the block lasts.

    Raises
    ------
    InputFaults : the number of processes is not allowed, or there is no cluster.
    """
    if cluster is None:
        yield workers_here(jobs)
        return
    from scheduler.rolling.dask_pool import cluster_at, do_on_cluster, processes_of

    with cluster_at(cluster) as client:
        yield Workers(processes_of(client), partial(do_on_cluster, client))


def expected_seconds(
    left: Sequence[RolledRun],
    processes: int,
    most_nights: int = MOST_TRIAL_NIGHTS,
    most_seconds: float = MOST_TRIAL_SECONDS,
) -> float:
    """Return the time that runs will take [s].

    It tries a few nights, of runs and days spread over them. A run of which no night could be tried is taken to be like
    the others. Charging on return plans nothing.

    Parameters
    ----------
    left : the runs to do. processes : how many share them. most_nights, most_seconds : that the trial takes at most.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused : of a night that was tried.
    """
    planned = [run for run in left if run.policy != "charge-on-return"]
    if not planned:
        return 0.0
    _try_night(planned[0], 0.5)  # what a process does only once
    seconds: list[float] = []
    while len(seconds) < most_nights and sum(seconds) < most_seconds:
        share = (len(seconds) * GOLDEN_SECTION) % 1.0
        began = time.perf_counter()
        _try_night(planned[int(share * len(planned))], (share * 7) % 1.0)
        seconds.append(time.perf_counter() - began)
    nights = sum(run.nights for run in planned)
    return nights * sum(seconds) / len(seconds) / max(1, min(processes, len(planned)))


def _try_night(run: RolledRun, share: float) -> None:
    """Plan and carry out the night of a run at this share of its days [0 to 1], with the car at its ceiling."""
    times = planning_times(run.inputs, run.first, run.last)
    at = int(share * (len(times) - 1))
    carried = CarryOver(run.inputs.site.car.kwh(run.soc_percent))
    one_night(run.inputs, times[at], times[at + 1], carried, run.forecast, run.policy, run.trips)
