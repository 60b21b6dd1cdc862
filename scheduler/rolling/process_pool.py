"""Many runs over the cores of one machine: each result is saved as soon as it is there, and no run is done twice."""

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
"""How often a process checks that the one that started it is still there [s]."""
LOOK_SECONDS = 0.5
"""How often finished nights are counted [s]."""


Result = TypeVar("Result")


class WorkersLostError(Exception):
    """The processes or workers are gone; finished results stay saved. The text says why."""


class Run(Protocol[Result]):
    """A task that any process can do by itself, with a file of its own for the result."""

    @property
    def nights(self) -> int:
        """Return the number of nights to plan."""
        ...

    def key(self) -> str:
        """Return a hash of everything that decides the result, the source of the tool included."""
        ...

    def do(self, tick: Callable[[], None]) -> Result:
        """Do the task and return its result; `tick` is called after each night."""
        ...

    def save(self, result: Result, key: str, file: Path) -> None:
        """Write a result into its file, whole or not at all."""
        ...

    def load(self, key: str, file: Path) -> Result | None:
        """Return the result that was saved under this key, or None."""
        ...


@dataclass(frozen=True, slots=True)
class Work(Generic[Result]):
    """Runs to do, and those that are done.

    Attributes
    ----------
    runs : by the name of their file, without its ending.
    folder : where results are saved.
    keys : the key of each run, by the same names.
    done : names of the runs whose results are there already.
    """

    runs: Mapping[str, Run[Result]]
    folder: Path
    keys: Mapping[str, str]
    done: frozenset[str]

    @property
    def nights(self) -> int:
        """Return the number of nights that are left to plan."""
        return sum(run.nights for name, run in self.runs.items() if name not in self.done)

    def file(self, name: str) -> Path:
        """Return the file of a result."""
        return self.folder / f"{name}.npz"


def work_of(runs: Mapping[str, Run[Result]], folder: Path) -> Work[Result]:
    """Return the work of these runs; those with a result in the folder are done."""
    keys = {name: run.key() for name, run in runs.items()}
    there = frozenset(name for name, run in runs.items() if run.load(keys[name], folder / f"{name}.npz") is not None)
    return Work(runs, folder, keys, there)


def process_count(jobs: int | None) -> int:
    """Return the number of processes: as requested, or one for each core that this process may use.

    Raises
    ------
    InputFaults : the number is out of bounds.
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
    """Do what is left of the work, and yield every result with its name.

    The results do not depend on the number of processes.

    Parameters
    ----------
    work : the runs, and which of them are done.
    jobs : number of processes, at least 1.
    progress : told from time to time how many nights are done.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused, NotWrittenError : of a run; finished results stay saved.
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
            if processes > 1:  # so that nothing goes on in the background or stays in memory
                get_reusable_executor().shutdown(wait=True, kill_workers=True)
    return results(work)


def results(work: Work[Result]) -> Iterator[tuple[str, Result]]:
    """Yield every result with its name, each read from its file when it is needed.

    Raises
    ------
    NotWrittenError : a result is not there.
    """
    for name, run in work.runs.items():
        result = run.load(work.keys[name], work.file(name))
        if result is None:
            raise NotWrittenError(f"{work.file(name)} is gone; run the same command again")
        yield name, result


def _do_one(run: Run[Result], key: str, file: Path, counters: Path, caller: int) -> None:
    """Do one run and save its result; this process's counter file gets one byte per night."""
    _end_with(caller)
    with (counters / str(os.getpid())).open("ab", buffering=0) as count:
        run.save(run.do(lambda: _tick(count.write)), key, file)


@cache
def _end_with(caller: int) -> None:
    """End this process soon after the one that started it, which cannot say so itself if it is killed."""
    if os.getpid() == caller:
        return

    def watch() -> None:
        while os.getppid() == caller:
            time.sleep(WATCH_SECONDS)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _tick(write: Callable[[bytes], int | None]) -> None:
    """Count a night; a full disk does not stop the run."""
    with suppress(OSError):
        write(b".")


@contextmanager
def _counted(progress: Callable[[int], None]) -> Iterator[Path]:
    """Yield a folder for counter files, while a thread reports how many nights they count."""
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
    """Return how many nights the files have counted."""
    total = 0
    for counter in counters:
        with suppress(OSError):
            total += counter.stat().st_size
    return total
