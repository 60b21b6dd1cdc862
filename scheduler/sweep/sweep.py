"""`overnight sweep`: from a site and a grid to a folder with tidy tables, and a manifest to make them again from."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from scheduler.rolling.full_horizon import FullHorizon
from scheduler.rolling.process_pool import Work, results, work_of
from scheduler.rolling.workers import Workers, expected_seconds
from scheduler.sweep.figures import write_figures
from scheduler.sweep.folder import RUNS_FOLDER, claim, hashes
from scheduler.sweep.manifest import AS_WRITTEN, manifest_from_file, manifest_text, options_of_manifest
from scheduler.sweep.page import sweep_page
from scheduler.sweep.read_results import MANIFEST_NAME
from scheduler.sweep.request import SweepOptions, SweepRequest, parse_sweep_request
from scheduler.sweep.rows import Value, with_savings
from scheduler.sweep.run import SweepResult
from scheduler.sweep.tables import NIGHTS_PARQUET, RUNS_CSV, numbered, runs_frame, write_nights, write_runs
from scheduler.textio.errors import single_fault
from scheduler.textio.fingerprint import program_fingerprint
from scheduler.textio.write import folder_made_beside

OUT_OPTION = "--out"
FIGURES_FOLDER, PAGE = "figures", "sweep.html"
FIGURES_SECONDS = 4.0
"""Time that figures and page take on a machine of two cores [s]."""


@dataclass(frozen=True, slots=True, eq=False)
class Study:
    """A sweep that was made.

    Attributes
    ----------
    folder : where its files are. runs : one row per run, see dictionary.csv. manifest : of manifest.json.
    """

    folder: Path
    runs: pd.DataFrame
    manifest: Mapping[str, Any] = field(repr=False)

    @property
    def nights(self) -> pd.DataFrame:
        """Return one row per night of every run, see dictionary.csv."""
        return pd.read_parquet(self.folder / NIGHTS_PARQUET)


@dataclass(frozen=True, slots=True)
class Beginning:
    """What is known before the work starts.

    Attributes
    ----------
    request : the sweep. work : what is left of it. processes : how many share it.
    seconds : time that it is expected to take [s].
    """

    request: SweepRequest
    work: Work[SweepResult]
    processes: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Repeated:
    """How a repeated sweep compares with its manifest.

    Attributes
    ----------
    same_numbers : whether the tables are the same; None where the manifest is of a sweep that was not finished.
    said : sentences on it.
    """

    same_numbers: bool | None
    said: tuple[str, ...]


def sweep(
    options: SweepOptions,
    out: Path,
    workers: Workers,
    begin: Callable[[Beginning], None] = lambda beginning: None,
    progress: Callable[[int], None] = lambda nights: None,
) -> Study:
    """Make every run of a grid and write its tables; runs that are already in the folder are not made again.

    Parameters
    ----------
    out : the folder, new or of this very sweep.
    begin : called with what there is to do and how long it may take, once everything is read and checked.
    progress : called from time to time with the number of nights done.

    Returns
    -------
    The sweep, as it was written.

    Raises
    ------
    InputFaults : a file or an option is at fault; nothing was begun.
    NoPlanError, PlanRefused : of a night. NotWrittenError : of the folder.
    """
    return _make_study(parse_sweep_request(options), out, workers, begin, progress)


def repeat(
    file: Path,
    out: Path,
    workers: Workers,
    begin: Callable[[Beginning], None] = lambda beginning: None,
    progress: Callable[[int], None] = lambda nights: None,
) -> tuple[Study, Repeated]:
    """Make the sweep of a manifest again, from the manifest alone, and compare the numbers.

    Parameters
    ----------
    file : the manifest. out, workers, begin, progress : as in sweep.

    Returns
    -------
    The new sweep, and how it compares.

    Raises
    ------
    InputFaults : the manifest is at fault. Otherwise as in sweep.
    """
    manifest = manifest_from_file(file)
    if file.resolve().parent == out.resolve():
        raise single_fault(OUT_OPTION, f"{out} is the manifest's own folder; expected another, to make it again in")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        request = parse_sweep_request(options_of_manifest(manifest, file, Path(name)))
        if request.identity() != manifest["identity"]:
            raise single_fault(
                file,
                "what it says was asked, or a file that its site names by an absolute path, is not what it was; "
                f"expected {AS_WRITTEN}",
            )
        study = _make_study(request, out, workers, begin, progress)
    same = _same_numbers(manifest, study)
    return study, Repeated(same, tuple(_comparison_sentences(manifest, study, same)))


def _make_study(
    request: SweepRequest,
    out: Path,
    workers: Workers,
    begin: Callable[[Beginning], None],
    progress: Callable[[int], None],
) -> Study:
    manifest = claim(out, request)
    work = work_of(request.runs, out / RUNS_FOLDER)
    left = [run.run for (file, run) in request.runs.items() if file not in work.done]
    seconds = expected_seconds(left, workers.processes)
    if seconds:
        seconds += FIGURES_SECONDS
    begin(Beginning(request, work, workers.processes, seconds))
    workers.do(work, progress)
    groups = {group: number for number, group in enumerate(dict.fromkeys(point.group for point in request.points))}
    rows = list(numbered(_results(work), [groups[point.group] for point in request.points]))
    runs = runs_frame(with_savings(rows, _bounds(request, out / RUNS_FOLDER, workers, progress)))
    with folder_made_beside(out, last=MANIFEST_NAME) as folder:
        write_runs(runs, folder)
        write_nights(_results(work), folder)
        manifest = {**manifest, "results": hashes(folder)}
        write_figures(runs, manifest["currency"], folder / FIGURES_FOLDER)
        (folder / PAGE).write_text(sweep_page(runs, manifest), encoding="utf-8", newline="")
        (folder / MANIFEST_NAME).write_text(manifest_text(manifest), encoding="utf-8", newline="")
    return Study(out, runs, manifest)


def _bounds(
    request: SweepRequest, folder: Path, workers: Workers, progress: Callable[[int], None]
) -> dict[Value, FullHorizon]:
    """Return the full horizon of each group by its number; {} if not asked."""
    runs = request.bound_runs()
    if not runs:
        return {}
    keys = {number: run.key() for number, run in runs.items()}
    files = {number: f"{key[:2]}/{key}" for number, key in keys.items()}
    work: Work[FullHorizon] = work_of({files[number]: run for number, run in runs.items()}, folder)
    workers.do(work, progress)
    found = dict(results(work))
    return {number: found[file] for number, file in files.items()}


def _results(work: Work[SweepResult]) -> Iterator[SweepResult]:
    return (result for _, result in results(work))


def _same_numbers(earlier: Mapping[str, Any], study: Study) -> bool | None:
    """Return whether the tables are the same: runs.csv always, those in Parquet if the same package wrote them."""
    there, here = earlier["results"], study.manifest["results"]
    if not there:
        return None
    same_writer = earlier["versions"].get("pyarrow") == study.manifest["versions"].get("pyarrow")
    compared = [RUNS_CSV, NIGHTS_PARQUET] if same_writer else [RUNS_CSV]
    return all(there.get(name) == here[name] for name in compared)


def _comparison_sentences(earlier: Mapping[str, Any], study: Study, same: bool | None) -> Iterator[str]:
    """Yield sentences: whether the numbers are the same, and if they are not, what else is not."""
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
