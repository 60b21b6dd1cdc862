"""`overnight sweep`: from a site and a grid to a folder with tidy tables, and a manifest to make them again from."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from scheduler.rolling.process_pool import Work, do, process_count, results, work_of
from scheduler.sweep.estimate import expected_seconds
from scheduler.sweep.figures import write_figures
from scheduler.sweep.folder import RUNS_FOLDER, claim, hashes
from scheduler.sweep.manifest import AS_WRITTEN, manifest_from_file, manifest_text, options_of_manifest
from scheduler.sweep.page import sweep_page
from scheduler.sweep.read_results import MANIFEST_NAME
from scheduler.sweep.request import AskedSweep, SweepOptions, parse_sweep_request
from scheduler.sweep.rows import with_savings
from scheduler.sweep.run import SweepResult
from scheduler.sweep.tables import NIGHTS_PARQUET, RUNS_CSV, numbered, runs_frame, write_nights, write_runs
from scheduler.textio.errors import single_fault
from scheduler.textio.fingerprint import program_fingerprint
from scheduler.textio.write import folder_made_beside

OUT_OPTION = "--out"
FIGURES_FOLDER, PAGE = "figures", "sweep.html"

Doer = Callable[[Work[SweepResult], Callable[[int], None]], None]
"""Does what is left of the work, each result kept in its file."""


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """A sweep that was made.

    Attributes
    ----------
    folder : where its files are. runs : one row a run, see dictionary.csv. manifest : of manifest.json.
    """

    folder: Path
    runs: pd.DataFrame
    manifest: Mapping[str, Any] = field(repr=False)

    @property
    def nights(self) -> pd.DataFrame:
        """One row a night of every run, see dictionary.csv."""
        return pd.read_parquet(self.folder / NIGHTS_PARQUET)


@dataclass(frozen=True, slots=True)
class Beginning:
    """What is said before the work starts.

    Attributes
    ----------
    asked : the sweep. work : what is left of it. processes : that share it. seconds : that it is expected to take [s].
    """

    asked: AskedSweep
    work: Work[SweepResult]
    processes: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Repeated:
    """How a sweep that was made again compares with its manifest.

    Attributes
    ----------
    same_numbers : None where the manifest is of a sweep that was not finished. said : about it, in sentences.
    """

    same_numbers: bool | None
    said: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Workers:
    """Who does the work: processes on this machine unless another way is given.

    Attributes
    ----------
    processes : that share it. doer : does it; None for this machine's own.
    """

    processes: int
    doer: Doer | None = None

    def do(self, work: Work[SweepResult], progress: Callable[[int], None]) -> None:
        """Do what is left of the work."""
        if self.doer is not None:
            self.doer(work, progress)
        else:
            do(work, self.processes, progress)


def workers_here(jobs: int | None) -> Workers:
    """Processes on this machine; None for as many as there are cores.

    Raises
    ------
    InputFaults : a number that is not allowed.
    """
    return Workers(process_count(jobs))


@contextmanager
def workers_at(cluster: str | None, jobs: int | None) -> Iterator[Workers]:
    """The workers of the Dask scheduler at an address, for as long as the block lasts; without one, processes here.

    Raises
    ------
    InputFaults : a number of processes that is not allowed, or there is no cluster.
    """
    if cluster is None:
        yield workers_here(jobs)
        return
    from scheduler.rolling.dask_pool import cluster_at, do_on_cluster, processes_of

    with cluster_at(cluster) as client:
        yield Workers(processes_of(client), partial(do_on_cluster, client))


def sweep(
    options: SweepOptions,
    out: Path,
    workers: Workers,
    begin: Callable[[Beginning], None] = lambda beginning: None,
    progress: Callable[[int], None] = lambda nights: None,
) -> Study:
    """Make every run of a grid and write its tables; runs that are there already are not made again.

    Parameters
    ----------
    out : the folder, new or of this very sweep.
    begin : told what there is to do and how long it may take, once everything is read and found in order.
    progress : told from time to time how many nights are done.

    Raises
    ------
    InputFaults : a file or a word is at fault; nothing was begun.
    NoPlanError, PlanRefused : of a night. NotWrittenError : of the folder.
    """
    return _made(parse_sweep_request(options), out, workers, begin, progress)


def repeat(
    file: Path,
    out: Path,
    workers: Workers,
    begin: Callable[[Beginning], None] = lambda beginning: None,
    progress: Callable[[int], None] = lambda nights: None,
) -> tuple[Study, Repeated]:
    """Make the sweep of a manifest again, from the manifest alone, and compare the numbers.

    Raises
    ------
    InputFaults : the manifest is at fault. Otherwise as sweep.
    """
    manifest = manifest_from_file(file)
    if file.resolve().parent == out.resolve():
        raise single_fault(OUT_OPTION, f"{out} is the manifest's own folder; expected another, to make it again in")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        asked = parse_sweep_request(options_of_manifest(manifest, file, Path(name)))
        if asked.identity() != manifest["identity"]:
            raise single_fault(
                file,
                "what it says was asked, or a file that its site names by an absolute path, is not what it was; "
                f"expected {AS_WRITTEN}",
            )
        study = _made(asked, out, workers, begin, progress)
    same = _same_numbers(manifest, study)
    return study, Repeated(same, tuple(_compared(manifest, study, same)))


def _made(
    asked: AskedSweep,
    out: Path,
    workers: Workers,
    begin: Callable[[Beginning], None],
    progress: Callable[[int], None],
) -> Study:
    manifest = claim(out, asked)
    work = work_of(asked.runs, out / RUNS_FOLDER)
    seconds = expected_seconds(list(asked.runs.values()), work, workers.processes)
    begin(Beginning(asked, work, workers.processes, seconds))
    workers.do(work, progress)
    groups = {group: number for number, group in enumerate(dict.fromkeys(point.group for point in asked.points))}
    rows = list(numbered(_results(work), [groups[point.group] for point in asked.points]))
    runs = runs_frame(with_savings(rows))
    with folder_made_beside(out, last=MANIFEST_NAME) as folder:
        write_runs(runs, folder)
        write_nights(_results(work), folder)
        manifest = {**manifest, "results": hashes(folder)}
        write_figures(runs, manifest["currency"], folder / FIGURES_FOLDER)
        (folder / PAGE).write_text(sweep_page(runs, manifest), encoding="utf-8", newline="")
        (folder / MANIFEST_NAME).write_text(manifest_text(manifest), encoding="utf-8", newline="")
    return Study(out, runs, manifest)


def _results(work: Work[SweepResult]) -> Iterator[SweepResult]:
    return (result for _, result in results(work))


def _same_numbers(earlier: Mapping[str, Any], study: Study) -> bool | None:
    """Whether the tables are the same: runs.csv always, those in Parquet where the same package wrote them."""
    there, here = earlier["results"], study.manifest["results"]
    if not there:
        return None
    same_writer = earlier["versions"].get("pyarrow") == study.manifest["versions"].get("pyarrow")
    compared = [RUNS_CSV, NIGHTS_PARQUET] if same_writer else [RUNS_CSV]
    return all(there.get(name) == here[name] for name in compared)


def _compared(earlier: Mapping[str, Any], study: Study, same: bool | None) -> Iterator[str]:
    """Whether the numbers are the same, and if not what else is not."""
    if same is None:
        yield "The manifest is of a sweep that was not finished: there is nothing to compare with."
        return
    if same:
        yield "The same numbers as in the manifest, to the last digit: the tables' SHA-256 are the same."
        return
    yield "Not the same numbers as in the manifest: the SHA-256 of a table is another."
    if earlier["program"].get("fingerprint") != program_fingerprint():
        yield "The program, or a package that decides numbers, is of another version."
    for key in ("versions", "platform"):
        for name, here in study.manifest[key].items():
            there = earlier[key].get(name)
            if there != here:
                yield f"{name}: {there} in the manifest, {here} here."
