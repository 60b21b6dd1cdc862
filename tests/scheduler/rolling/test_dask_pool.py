"""Runs on a Dask cluster: a worker that dies loses nothing, and the numbers are those of one process here."""

from __future__ import annotations

import os
import signal
import warnings
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import dask
import pytest
from distributed import LocalCluster

from scheduler.comparison.compare import compare
from scheduler.rolling.dask_pool import cluster_at, do_on_cluster, processes_of
from scheduler.rolling.period import CompareOptions
from scheduler.rolling.workers import Workers, workers_here
from scheduler.sweep.request import SweepOptions
from scheduler.sweep.sweep import sweep
from scheduler.textio.errors import InputFaults
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
WORDS = SweepOptions(DEMO, "0:2:1", first_day="2026-02-02", last_day="2026-02-02")


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """However loaded the machine is, nothing here is decided by how fast a worker answers."""
    monkeypatch.setattr("scheduler.rolling.dask_pool.CONNECT_SECONDS", 1800.0)


@pytest.fixture(scope="module")
def cluster() -> Iterator[LocalCluster]:
    """Two workers of one thread each, on this machine."""
    waits = {
        "distributed.comm.timeouts": {"connect": "1800s", "tcp": "1800s"},
        "distributed.scheduler.worker-ttl": None,
        "distributed.deploy.lost-worker-timeout": "1800s",
    }
    with warnings.catch_warnings(), dask.config.set(waits):
        warnings.simplefilter("ignore")  # the cluster's own, on ports and on what it leaves to be closed
        with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as made:
            yield made


@pytest.mark.filterwarnings("ignore")
@pytest.mark.usefixtures("undrawn")
def test_a_worker_is_killed_in_the_middle(cluster: LocalCluster, tmp_path: Path) -> None:
    """After the first result one worker is killed: every run is done, and every byte is that of one process."""
    killed: list[int] = []

    def kill_one(nights: int) -> None:
        if not killed:
            killed.append(next(iter(cluster.workers.values())).process.pid)
            os.kill(killed[0], signal.SIGKILL)

    with cluster_at(cluster.scheduler_address) as client:
        assert processes_of(client) == 2
        workers = Workers(2, partial(do_on_cluster, client))
        study = sweep(WORDS, tmp_path / "cluster", workers, progress=kill_one)
    assert killed
    here = sweep(WORDS, tmp_path / "here", workers_here(1))
    assert study.manifest["results"] == here.manifest["results"]


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:1", "no address", "ftp://127.0.0.1:8786", "", "tcp://127.0.0.1:99999"]
)
def test_a_cluster_that_is_not_there(address: str) -> None:
    """One message that names the option and what is allowed."""
    with (
        pytest.raises(InputFaults, match=r"--cluster.*expected the address of a Dask scheduler"),
        cluster_at(address),
    ):
        pass


@pytest.mark.filterwarnings("ignore")
def test_workers_of_another_program_are_refused(cluster: LocalCluster) -> None:
    """Here is a program that the workers do not have."""
    with pytest.raises(InputFaults, match="another version"), cluster_at(cluster.scheduler_address, "0" * 64):
        pass


@pytest.mark.filterwarnings("ignore")
def test_a_comparison_on_a_cluster(cluster: LocalCluster, tmp_path: Path) -> None:
    """Every file is that of one process here, byte by byte."""
    options = CompareOptions(DEMO, (Path("offers/day-and-night.toml"),), "2026-02-02", "2026-02-02")
    with cluster_at(cluster.scheduler_address) as client:
        compare(options, tmp_path / "cluster", workers=Workers(2, partial(do_on_cluster, client)))
    compare(options, tmp_path / "here", jobs=1)
    for file in (tmp_path / "here").iterdir():
        if file.is_file():
            assert file.read_bytes() == (tmp_path / "cluster" / file.name).read_bytes(), file.name
