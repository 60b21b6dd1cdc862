"""Many rolled runs over the machine's cores: each is kept as soon as it is done, and none is done twice."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Generic, Protocol, TypeVar

from joblib import Parallel, cpu_count, delayed
from joblib.externals.loky import get_reusable_executor
from joblib.externals.loky.process_executor import TerminatedWorkerError

from scheduler.textio.bounds import JOBS
from scheduler.textio.errors import NotWrittenError, shown, single_fault

JOBS_OPTION = "--jobs"

WATCH_SECONDS = 2.0
"""How often a process looks whether the one that called it is still there [s]."""
LOOK_SECONDS = 0.5
"""How often the nights that are done are counted [s]."""


Result = TypeVar("Result")


class WorkersLostError(Exception):
    """Who did the work is gone; what was finished is kept. The text says why."""


class Run(Protocol[Result]):
    """Something to do on its own, in any process, whose result is kept in a file of its own."""

    @property
    def nights(self) -> int:
        """How many nights there are to plan."""
        ...

    def key(self) -> str:
        """Hash of everything that decides the result, the program included."""
        ...

    def do(self, tick: Callable[[], None]) -> Result:
        """Do it; `tick` is called after each night."""
        ...

    def keep(self, result: Result, key: str, file: Path) -> None:
        """Write a result whole."""
        ...

    def kept(self, key: str, file: Path) -> Result | None:
        """A result that was kept under this key, or None."""
        ...


@dataclass(frozen=True, slots=True)
class Work(Generic[Result]):
    """What there is to do.

    Attributes
    ----------
    runs : by the name of their file, without its ending. folder : where results are kept.
    keys : the hash of each. done : those whose results are there already.
    """

    runs: Mapping[str, Run[Result]]
    folder: Path
    keys: Mapping[str, str]
    done: frozenset[str]

    @property
    def nights(self) -> int:
        """Nights that are left to plan."""
        return sum(run.nights for name, run in self.runs.items() if name not in self.done)

    def file(self, name: str) -> Path:
        """Where a result is kept."""
        return self.folder / f"{name}.npz"


def work_of(runs: Mapping[str, Run[Result]], folder: Path) -> Work[Result]:
    """What is left to do of runs, with what the folder has."""
    keys = {name: run.key() for name, run in runs.items()}
    there = frozenset(name for name, run in runs.items() if run.kept(keys[name], folder / f"{name}.npz") is not None)
    return Work(runs, folder, keys, there)


def process_count(jobs: int | None) -> int:
    """As many processes as were asked for; for None, as many as there are cores that this program may use.

    Raises
    ------
    InputFaults : a number that is not allowed.
    """
    if jobs is None:
        return int(cpu_count())
    problem = JOBS.problem(jobs) if isinstance(jobs, int) else f"found {shown(jobs)}; expected {JOBS.text}"
    if problem is not None:
        raise single_fault(JOBS_OPTION, problem)
    return jobs


def do(
    work: Work[Result], jobs: int, progress: Callable[[int], None] = lambda nights: None
) -> Iterator[tuple[str, Result]]:
    """Do what is left, and give every result with its name, one at a time; the same whatever the number of jobs.

    Parameters
    ----------
    jobs : processes, at least 1.
    progress : told from time to time how many nights are done.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused, NotWrittenError : of a run; results that are done are kept.
    WorkersLostError : a process was killed.
    """
    left = [name for name in work.runs if name not in work.done]
    with _counted(progress) as counters:
        tasks = (
            delayed(_do_one)(work.runs[name], work.keys[name], work.file(name), counters, os.getpid()) for name in left
        )
        processes = max(1, min(jobs, len(left)))
        try:
            for _ in Parallel(n_jobs=processes, return_as="generator_unordered")(tasks):
                pass
        except TerminatedWorkerError:
            raise WorkersLostError("A process was killed from outside, or memory ran out") from None
        finally:
            if processes > 1:  # nothing goes on in the background, nor stays in memory
                get_reusable_executor().shutdown(wait=True, kill_workers=True)
    return results(work)


def results(work: Work[Result]) -> Iterator[tuple[str, Result]]:
    """Every result with its name, read from its file when it is asked for.

    Raises
    ------
    NotWrittenError : one is not there.
    """
    for name, run in work.runs.items():
        result = run.kept(work.keys[name], work.file(name))
        if result is None:
            raise NotWrittenError(f"{work.file(name)} is gone; run the same command again")
        yield name, result


def _do_one(run: Run[Result], key: str, file: Path, counters: Path, caller: int) -> None:
    """Do one run and keep its result; a byte a night goes to the file of this process."""
    _end_with(caller)
    with (counters / str(os.getpid())).open("ab", buffering=0) as count:
        run.keep(run.do(lambda: _tick(count.write)), key, file)


@cache
def _end_with(caller: int) -> None:
    """End this process soon after the one that called it: a caller that was killed cannot say that it is over."""
    if os.getpid() == caller:
        return

    def watch() -> None:
        while os.getppid() == caller:
            time.sleep(WATCH_SECONDS)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _tick(write: Callable[[bytes], int | None]) -> None:
    with suppress(OSError):
        write(b".")


@contextmanager
def _counted(progress: Callable[[int], None]) -> Iterator[Path]:
    """A folder for counters, and a thread that tells how many nights they have counted."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder, stop = Path(name), threading.Event()

        def look() -> None:
            while not stop.wait(LOOK_SECONDS):
                progress(_nights(list(folder.iterdir())))

        watcher = threading.Thread(target=look, daemon=True)
        watcher.start()
        try:
            yield folder
        finally:
            stop.set()
            watcher.join()


def _nights(counters: Sequence[Path]) -> int:
    total = 0
    for counter in counters:
        with suppress(OSError):
            total += counter.stat().st_size
    return total
