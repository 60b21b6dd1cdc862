"""Plan on request: one plan at a time for a site, in a process that is stopped when it takes too long."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

from scheduler.web.evening_form import TypedEvening
from scheduler.web.question import Answer, Question, parse_answer, question_text

MOST_SECONDS = 180.0
"""A plan that takes longer is given up; a night of quarter hours takes some seconds."""
TOO_LONG = (
    f"Planning took longer than {MOST_SECONDS / 60:.0f} minutes and was stopped. A site with longer intervals "
    "([plan] step_minutes) is planned faster."
)
WORKER = ("-m", "scheduler.web.worker")
ENDED = "Planning ended without an answer, perhaps for want of memory. Nothing is known of a plan; try again."


@dataclass(slots=True, eq=False)
class Job:
    """A plan that is being made, or was.

    Attributes
    ----------
    form : which form asked for it. typed : what was in that. question : what it comes to.
    done : set once `answer` is there.
    """

    form: str
    typed: TypedEvening
    question: Question
    done: threading.Event = field(default_factory=threading.Event)
    answer: Answer | None = None


class Planner:
    """The newest job of each site.

    Parameters
    ----------
    answer_of : answers a question, however long it takes.
    """

    def __init__(self, answer_of: Callable[[Question], Answer]) -> None:
        self._answer_of, self._lock = answer_of, threading.Lock()
        self._jobs: dict[str, Job] = {}

    def ask(self, site: str, form: str, typed: TypedEvening, question: Question) -> Job:
        """Return the job for a form: one that is under way for the site, or the same form's, or a new one.

        Parameters
        ----------
        form : a text that no other form that was shown has, so that a second press of its button asks nothing new.
        """
        with self._lock:
            job = self._jobs.get(site)
            if job is not None and (not job.done.is_set() or (job.form, job.typed) == (form, typed)):
                return job
            job = self._jobs[site] = Job(form, typed, question)
        threading.Thread(target=self._run, args=(job,), name=f"planning {site}", daemon=True).start()
        return job

    def newest(self, site: str) -> Job | None:
        """Return a site's newest job; None if there was none since this process began."""
        with self._lock:
            return self._jobs.get(site)

    def _run(self, job: Job) -> None:
        try:
            job.answer = self._answer_of(job.question)
        except Exception as error:
            print(f"page: planning failed: {type(error).__name__}", file=sys.stderr, flush=True)
            job.answer = Answer(failure=ENDED)
        finally:
            job.done.set()


class WorkerProcesses:
    """Answers questions in processes of their own, and ends those that are left."""

    def __init__(self, most_seconds: float = MOST_SECONDS) -> None:
        self._most_seconds, self._lock = most_seconds, threading.Lock()
        self._running: set[subprocess.Popen[str]] = set()
        self._closed = False

    @property
    def running(self) -> frozenset[int]:
        """Return the ids of the processes that are running."""
        with self._lock:
            return frozenset(process.pid for process in self._running)

    def answer_of(self, question: Question) -> Answer:
        """Return the answer of a new process, or that it took too long or ended without one."""
        with self._lock:
            if self._closed:
                return Answer(failure=ENDED)
            process = subprocess.Popen(
                [sys.executable, "-P", *WORKER],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
                env=_environment(),
                start_new_session=True,
            )
            self._running.add(process)
        try:
            answer, _ = process.communicate(question_text(question), timeout=self._most_seconds)
            return parse_answer(answer)
        except subprocess.TimeoutExpired:
            return Answer(failure=TOO_LONG)
        except (ValueError, OSError):
            return Answer(failure=ENDED)
        finally:
            with self._lock:
                self._running.discard(process)
            _end(process)

    def close(self) -> None:
        """End what is running; what it had not written is not written."""
        with self._lock:
            self._closed = True
            left = list(self._running)
        for process in left:
            with suppress(OSError):
                process.kill()


def _end(process: subprocess.Popen[str]) -> None:
    """End a process and close its pipes."""
    with suppress(OSError):
        process.kill()
    process.wait()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with suppress(OSError):
                stream.close()


def _environment() -> dict[str, str]:
    """Return the environment of a worker, which finds this very program."""
    here = str(Path(__file__).resolve().parents[2])
    paths = [here, *filter(None, [os.environ.get("PYTHONPATH")])]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
