"""Runs on a Dask cluster: results come back here and are saved as they arrive; workers may join, leave and die.

At most two runs per worker are out at a time, each with its series (0.6 MB for an hourly year), so that the cluster's
scheduler never holds all runs of a large study. Each task carries the hash of the tool's source, and a worker of
another version refuses it. A process does one run at a time, because HiGHS and Pyomo keep state. Workers need no shared
folder.
"""

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
"""Runs sent per worker, so that a worker that finishes one has another."""
MOST_DEATHS = 5
"""Times that a run may be given up by the cluster, each after several deaths of its workers, before all stops."""
_ONE_AT_A_TIME = threading.Lock()


@contextmanager
def cluster_at(address: str, program: str | None = None) -> Iterator[Client]:
    """Connect to a cluster and check that its workers run this version of the tool.

    Parameters
    ----------
    address : address of the cluster's scheduler, such as "tcp://192.0.2.7:8786".
    program : hash of the source that they must run; None for that of this process.

    Yields
    ------
    A client of the cluster.

    Raises
    ------
    InputFaults : there is no such cluster, it has no workers, or they run another version.
    """
    expected = "expected the address of a Dask scheduler, such as tcp://192.0.2.7:8786"
    found_address = re.fullmatch(r"(?:(?:tcp|tls|ws|wss)://)?(\[[0-9a-fA-F:]+\]|[^:/\s]+):(\d{1,5})", address)
    if found_address is None:
        raise single_fault(CLUSTER_OPTION, f"found {shown(address)}; {expected}")
    for name in (
        "distributed",
        "distributed.core",
        "distributed.client",
    ):  # the faults below say more
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        host, port = found_address.groups()
        with socket.create_connection((host.strip("[]"), int(port)), timeout=CONNECT_SECONDS):
            pass
        client = Client(address, timeout=CONNECT_SECONDS, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError, OverflowError) as error:
        raise single_fault(CLUSTER_OPTION, f"{address}: {_first_line(error)}; {expected}") from None
    with client:
        try:
            found = client.run(program_fingerprint)
        except (ImportError, AttributeError, CommClosedError) as error:
            raise single_fault(
                CLUSTER_OPTION, f"{address}: a worker cannot run this tool ({_first_line(error)}); install it there"
            ) from None
        if not found:
            raise single_fault(CLUSTER_OPTION, f"{address} has no workers; start some first")
        others = [worker for worker, running in found.items() if running != (program or program_fingerprint())]
        if others:
            raise single_fault(
                CLUSTER_OPTION,
                f"{len(others)} of {len(found)} workers, such as {others[0]}, run another version of this tool, of "
                "Python or of a package that affects results; expected the same version everywhere",
            )
        yield client


def processes_of(client: Client) -> int:
    """Return the number of workers of a cluster; each does one run at a time."""
    return max(1, len(client.scheduler_info(n_workers=-1)["workers"]))


def do_on_cluster(client: Client, work: Work[Result], progress: Callable[[int], None] = lambda nights: None) -> None:
    """Do what is left of the work; if a worker dies, another takes over its run.

    Parameters
    ----------
    client : a client of the cluster.
    work : the runs, and which of them are done.
    progress : told after each run how many nights are done.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused, NotWrittenError : of a run; finished results stay saved.
    WorkersLostError : the connection to the cluster is lost, or workers die whenever they do a certain run.
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
                    raise WorkersLostError("Workers keep dying during the same run") from None
                send(name)
                continue
            run.save(result, work.keys[name], work.file(name))
            nights += run.nights
            progress(nights)
            send_more()
    except (CommClosedError, CancelledError, OSError):
        raise WorkersLostError("The connection to the cluster was lost") from None
    finally:
        client.cancel(list(sent))  # type: ignore[no-untyped-call]


def _do_there(run: Run[Result], program: str) -> Result:
    """Do a run on a worker, one at a time in each process."""
    if program != program_fingerprint():
        raise WorkersLostError("A worker that joined later runs another version of this tool")
    with _ONE_AT_A_TIME:
        return run.do(lambda: None)


def _first_line(error: BaseException) -> str:
    """Return the first line of an error's text, or the name of its type."""
    return next(iter(str(error).splitlines()), type(error).__name__)
