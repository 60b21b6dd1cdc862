"""Runs over a Dask cluster: results come back here and are kept as they come; workers may come, go and die."""

from __future__ import annotations

import logging
import re
import socket
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import CancelledError
from contextlib import contextmanager

from distributed import Client, Future, as_completed
from distributed.comm.core import CommClosedError
from distributed.scheduler import KilledWorker

from scheduler.rolling.process_pool import Result, Run, Work, WorkersLostError
from scheduler.textio.errors import shown, single_fault
from scheduler.textio.fingerprint import program_fingerprint

CLUSTER_OPTION = "--cluster"
CONNECT_SECONDS = 10.0
RUNS_A_WORKER = 2
"""Sent at once, so that a worker that is done has another."""
MOST_DEATHS = 5
"""Of the workers that a run was with, beyond what the cluster itself puts up with."""
_ONE_AT_A_TIME = threading.Lock()


@contextmanager
def cluster_at(address: str, program: str | None = None) -> Iterator[Client]:
    """A client of the cluster, once its workers are seen to run this very program.

    Parameters
    ----------
    program : hash of the program that they must run; None for the one here.

    Raises
    ------
    InputFaults : there is no such cluster, it has no workers, or they run another program.
    """
    allowed = "allowed is the address of a Dask scheduler, such as tcp://192.0.2.7:8786"
    found_address = re.fullmatch(r"(?:(?:tcp|tls|ws|wss)://)?(\[[0-9a-fA-F:]+\]|[^:/\s]+):(\d{1,5})", address)
    if found_address is None:
        raise single_fault(CLUSTER_OPTION, f"found {shown(address)}; {allowed}")
    for name in ("distributed", "distributed.core", "distributed.client"):  # whose tracebacks say less than our words
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        host, port = found_address.groups()
        with socket.create_connection((host.strip("[]"), int(port)), timeout=CONNECT_SECONDS):
            pass
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError, OverflowError) as error:
        raise single_fault(CLUSTER_OPTION, f"{address}: {_first_line(error)}; {allowed}") from None
    with client:
        try:
            found = client.run(program_fingerprint)
        except (ImportError, AttributeError, CommClosedError) as error:
            raise single_fault(
                CLUSTER_OPTION, f"{address}: a worker cannot run this program ({_first_line(error)}); install it there"
            ) from None
        if not found:
            raise single_fault(CLUSTER_OPTION, f"{address} has no workers; start some first")
        others = [worker for worker, running in found.items() if running != (program or program_fingerprint())]
        if others:
            raise single_fault(
                CLUSTER_OPTION,
                f"{len(others)} of {len(found)} workers, such as {others[0]}, run another version of this program, of "
                "Python or of a package that decides numbers; allowed is the same everywhere",
            )
        yield client


def processes_of(client: Client) -> int:
    """Workers of a cluster, each of which does one run at a time."""
    return max(1, len(client.scheduler_info(n_workers=-1)["workers"]))


def do_on_cluster(client: Client, work: Work[Result], progress: Callable[[int], None] = lambda nights: None) -> None:
    """Do what is left of the work; a run whose worker dies is done by another.

    Parameters
    ----------
    progress : told after each run how many nights are done.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused, NotWrittenError : of a run; results that are done are kept.
    WorkersLostError : the cluster went away, or workers die whenever they do a certain run.
    """
    left = iter([name for name in work.runs if name not in work.done])
    sent: dict[Future[Result], str] = {}
    deaths: dict[str, int] = {}
    nights = 0
    arriving = as_completed(loop=client.loop)  # type: ignore[no-untyped-call]

    def send(name: str) -> None:
        future = client.submit(_do_there, work.runs[name], program_fingerprint(), pure=False)
        sent[future] = name
        arriving.add(future)  # type: ignore[no-untyped-call]

    def send_more() -> None:
        while len(sent) < RUNS_A_WORKER * processes_of(client) and (name := next(left, None)) is not None:
            send(name)

    try:
        send_more()
        for future in arriving:
            name = sent.pop(future)
            run = work.runs[name]
            try:
                result = future.result()
            except KilledWorker:
                deaths[name] = deaths.get(name, 0) + 1
                if deaths[name] > MOST_DEATHS:
                    raise WorkersLostError("Workers die again and again while they do the same run") from None
                send(name)
                continue
            run.save(result, work.keys[name], work.file(name))
            nights += run.nights
            progress(nights)
            send_more()
    except (CommClosedError, CancelledError, OSError):
        raise WorkersLostError("The cluster went away") from None
    finally:
        client.cancel(list(sent))  # type: ignore[no-untyped-call]


def _do_there(run: Run[Result], program: str) -> Result:
    """Do a run on a worker, one at a time in each process."""
    if program != program_fingerprint():
        raise WorkersLostError("A worker that came later runs another version of this program")
    with _ONE_AT_A_TIME:
        return run.do(lambda: None)


def _first_line(error: BaseException) -> str:
    return next(iter(str(error).splitlines()), type(error).__name__)
