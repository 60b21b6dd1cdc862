"""A sweep: numbers that do not depend on who did the work, and what theory says of the weight."""

from __future__ import annotations

import json
import shutil
import signal
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from scheduler.api import figures
from scheduler.comparison.compare import compare
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, TIE_WORTH_KWH
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from scheduler.rolling.period import CompareOptions
from scheduler.rolling.process_pool import Work
from scheduler.rolling.workers import Workers, workers_here
from scheduler.sweep.figures import figure_bytes
from scheduler.sweep.folder import RUNS_FOLDER, claim
from scheduler.sweep.read_results import MANIFEST_NAME
from scheduler.sweep.request import SweepOptions, parse_sweep_request
from scheduler.sweep.run import SweepResult
from scheduler.sweep.sweep import Beginning, Study, repeat, sweep
from scheduler.textio.errors import InputFaults, NotWrittenError
from tests.builders.plans import DEMO, demo_copy
from tests.builders.processes import started

WORDS = SweepOptions(
    DEMO, "0,1,1000", settings=("charger.discharge_min_kw=0,2",), first_day="2026-02-02", last_day="2026-02-03"
)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    """Three weights and two least powers over two days, in two processes."""
    return sweep(WORDS, tmp_path_factory.mktemp("swept") / "out", workers_here(2))


def tables(folder: Path) -> dict[str, bytes]:
    """Every table by name."""
    made = [*folder.glob("*.csv"), *folder.glob("*.parquet")]
    assert len(made) == 4
    return {file.name: file.read_bytes() for file in made}


def files(folder: Path) -> dict[str, bytes]:
    """Every table and figure by name; the manifest and the page say when they were made."""
    figures_made = {file.name: file.read_bytes() for file in folder.glob("figures/*")}
    assert len(figures_made) == 12
    return tables(folder) | figures_made


@pytest.fixture
def copy(study: Study, tmp_path: Path) -> Path:
    """The sweep's folder again, for tests that write into it."""
    return shutil.copytree(study.folder, tmp_path / "copy")


def backwards(work: Work[SweepResult], progress: Callable[[int], None]) -> None:
    """What is left, the last run first."""
    for name, run in reversed(work.runs.items()):
        if name not in work.done:
            run.save(run.do(lambda: None), work.keys[name], work.file(name))


def test_the_same_files_whoever_did_the_work(study: Study, tmp_path: Path) -> None:
    """One process in backward order makes the very bytes that two processes made in any order."""
    sweep(WORDS, tmp_path / "out", Workers(1, backwards))
    assert files(tmp_path / "out") == files(study.folder)


def test_a_row_for_every_run_and_every_reference(study: Study) -> None:
    """Six of the grid, weights fastest, then the two references of both groups; nights belong to runs."""
    runs = study.runs
    assert runs["run"].tolist() == list(range(10))
    assert runs["policy"].tolist() == ["plan"] * 6 + ["charge-only", "charge-on-return"] * 2
    assert runs["weight"].tolist()[:6] == [0, 1, 1000] * 2
    assert runs["charger.discharge_min_kw"].tolist() == [0, 0, 0, 2, 2, 2, 0, 0, 2, 2]
    assert runs["group"].tolist() == [0, 0, 0, 1, 1, 1, 0, 0, 1, 1]
    nights = study.nights
    summed = nights.groupby("run")["discharge_kwh"].sum()
    assert summed.tolist() == pytest.approx(runs["discharged_kwh"].tolist(), abs=1e-9)
    assert (nights.groupby("run").size() == runs["nights"]).all()


def test_figures_are_made_from_the_tidy_files_alone(study: Study, tmp_path: Path) -> None:
    """A folder with runs.csv and manifest.json and nothing else gives the very figures of the sweep."""
    for name in ("runs.csv", MANIFEST_NAME):
        (tmp_path / name).write_bytes((study.folder / name).read_bytes())
    for name, figure in figures(tmp_path).items():
        assert figure_bytes(figure, "svg") == (study.folder / "figures" / f"{name}.svg").read_bytes()
    assert (study.folder / "sweep.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_savings_are_against_the_references(study: Study) -> None:
    """A reference saves nothing against itself; cash saved, less the wear that it cost, is the saving."""
    runs = study.runs.set_index(["group", "policy"])
    for group in (0, 1):
        assert runs.loc[(group, "charge-on-return"), "cash_saved_a_year"].item() == 0
        assert runs.loc[(group, "charge-only"), "discharge_value_a_year"].item() == 0
    plan = study.runs[study.runs["policy"] == "plan"]
    on_return = study.runs[study.runs["policy"] == "charge-on-return"].set_index("group")
    wear = (plan["wear_cost"] - on_return["wear_cost"].loc[plan["group"]].to_numpy()) * 365.25 / 2
    assert (plan["cash_saved_a_year"] - wear).tolist() == pytest.approx(plan["saving_a_year"].tolist(), abs=1e-9)


def test_a_very_large_weight_is_charge_only(study: Study) -> None:
    """At weight 1000 nothing is given, and it costs what only charging costs, to the gap of every night."""
    dear = study.runs[study.runs["weight"] == 1000]
    assert dear["discharged_kwh"].tolist() == [0, 0]
    assert dear["equivalent_full_cycles"].tolist() == pytest.approx(
        study.runs[study.runs["policy"] == "charge-only"]["equivalent_full_cycles"].tolist(), rel=0.02
    )


@pytest.mark.usefixtures("undrawn")
def test_one_run_is_that_of_compare(tmp_path: Path) -> None:
    """The site's own weight, law and offer: bill, wear, energies and what discharging is worth are compare's."""
    days = {"first_day": "2026-02-02", "last_day": "2026-02-03"}
    found = sweep(SweepOptions(DEMO, "1", **days), tmp_path / "sweep", workers_here(1)).runs.iloc[0]
    compared = compare(
        CompareOptions(DEMO, (Path("offers/evening-feed-in.toml"),), **days), tmp_path / "compared", 1
    ).best
    money = compared.money["plan"]
    assert found["bill"] == pytest.approx(money.bill, abs=1e-9)
    assert found["wear_cost"] == pytest.approx(money.wear, abs=1e-9)
    assert found["in_all"] == pytest.approx(money.total, abs=1e-9)
    assert found["discharge_value_a_year"] * 2 / 365.25 == pytest.approx(compared.discharge_value, abs=1e-9)
    assert found["saving_a_year"] * 2 / 365.25 == pytest.approx(compared.saving, abs=1e-9)
    assert found["discharged_kwh"] == pytest.approx(compared.flows["plan"].energy["discharge_kwh"].sum(), abs=1e-9)
    assert found["equivalent_full_cycles"] == pytest.approx(compared.equivalent_full_cycles, abs=1e-12)


@pytest.mark.usefixtures("undrawn")
def test_killed_and_begun_again(study: Study, tmp_path: Path) -> None:
    """Killed in the third run: the second time does the others alone, and every table is as if nothing had been."""
    out = tmp_path / "out"
    asked = json.dumps([str(DEMO), WORDS.weights, WORDS.settings[0], WORDS.first_day, WORDS.last_day, str(out)])
    code = """
import json, sys, threading
from pathlib import Path
from scheduler.rolling.workers import Workers
from scheduler.sweep.sweep import sweep
from scheduler.sweep.request import SweepOptions

def after_a_night():
    print("third run", flush=True)
    threading.Event().wait()

def work_on(work, progress):
    for number, (name, run) in enumerate(work.runs.items()):
        run.save(run.do(after_a_night if number == 2 else lambda: None), work.keys[name], work.file(name))

site, weights, setting, first, last, out = json.loads(sys.argv[1])
asked = SweepOptions(Path(site), weights, settings=(setting,), first_day=first, last_day=last)
sweep(asked, Path(out), Workers(1, work_on))
"""
    with started(code, asked) as begun:
        begun.wait_for("third run")
        begun.signal_all(signal.SIGKILL)
    kept = {file: file.stat().st_mtime_ns for file in (out / RUNS_FOLDER).glob("*/[!.]*.npz")}
    assert len(kept) == 2
    told: list[Beginning] = []
    sweep(WORDS, out, workers_here(1), told.append)
    assert len(told[0].work.done) == len(kept)
    assert {file: file.stat().st_mtime_ns for file in kept} == kept
    assert tables(out) == tables(study.folder)


@pytest.mark.usefixtures("undrawn")
def test_a_finished_sweep_does_nothing_again(study: Study, copy: Path) -> None:
    """All runs are there; the same tables, and a manifest of the same day."""
    told: list[Beginning] = []
    sweep(WORDS, copy, Workers(1, lambda work, progress: None), told.append)
    assert told[0].work.nights == 0
    assert tables(copy) == tables(study.folder)
    assert (copy / MANIFEST_NAME).read_bytes() == (study.folder / MANIFEST_NAME).read_bytes()


@pytest.mark.usefixtures("undrawn")
def test_the_same_numbers_from_the_manifest_alone(study: Study, tmp_path: Path) -> None:
    """Copied to another place without its site, the manifest makes the same tables, byte for byte."""
    alone = tmp_path / "elsewhere.json"
    alone.write_bytes((study.folder / MANIFEST_NAME).read_bytes())
    again, said = repeat(alone, tmp_path / "again", workers_here(1))
    assert said.same_numbers
    assert said.said[0].startswith("The same numbers as in the manifest, to the last digit")
    assert tables(again.folder) == tables(study.folder)
    assert again.manifest["identity"] == study.manifest["identity"]


def test_a_manifest_tells_no_more_of_the_machine_than_its_kind(study: Study) -> None:
    """System and processor, on which numbers may depend; not the kernel's release, which changes with each update."""
    assert set(study.manifest["platform"]) == {"system", "machine"}


@pytest.mark.usefixtures("undrawn")
def test_numbers_that_are_not_the_manifest_s_are_told(study: Study, copy: Path, tmp_path: Path) -> None:
    """A manifest with another hash of runs.csv, made with another package."""
    changed = json.loads((study.folder / MANIFEST_NAME).read_text(encoding="utf-8"))
    changed["results"]["runs.csv"] = "0" * 64
    changed["versions"]["highspy"] = "1.0.0"
    file = tmp_path / MANIFEST_NAME
    file.write_text(json.dumps(changed), encoding="utf-8")
    _, found = repeat(file, copy, workers_here(1))
    assert found.same_numbers is False
    assert found.said[0].startswith("Not the same numbers")
    assert any(sentence.startswith("highspy: 1.0.0 in the manifest") for sentence in found.said)
    with pytest.raises(InputFaults, match="the manifest's own folder"):
        repeat(study.folder / MANIFEST_NAME, study.folder, workers_here(1))


@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda manifest: manifest["inputs"][0].update(text="format = 2\n"), "not what its hash says"),
        (lambda manifest: manifest["inputs"][0].update(file="../../site.toml"), "as a sweep wrote it"),
        (lambda manifest: manifest.pop("asked"), "asked"),
        (lambda manifest: manifest["asked"].pop("weights"), "as a sweep wrote it"),
        (lambda manifest: manifest["asked"].update(weights="0,2"), "what it says was asked"),
        (lambda manifest: manifest["asked"].update(weights=[0, 1]), "as a sweep wrote it"),
        (lambda manifest: manifest.update(versions="x"), "versions: is missing, or not what it should be"),
        (lambda manifest: manifest.update(format=2), "found 2; expected 1"),
    ],
)
def test_manifests_that_are_at_fault(
    study: Study, tmp_path: Path, damage: Callable[[dict[str, object]], object], says: str
) -> None:
    """One clear message, and nothing is written."""
    manifest = json.loads((study.folder / MANIFEST_NAME).read_text(encoding="utf-8"))
    damage(manifest)
    file = tmp_path / MANIFEST_NAME
    file.write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(InputFaults, match=says):
        repeat(file, tmp_path / "again", workers_here(1))
    assert not (tmp_path / "again").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (replace(WORDS, weights="0,1"), "its weights are \\[0.0, 1.0, 1000.0\\], here"),
        (replace(WORDS, last_day="2026-02-05"), 'its last_day are "2026-02-03", here "2026-02-05"'),
        (replace(WORDS, settings=()), "its settings are"),
    ],
)
def test_a_folder_of_another_sweep_is_refused(study: Study, words: SweepOptions, says: str) -> None:
    """Told what differs, before any work, and the folder is as it was."""
    before = files(study.folder)
    with pytest.raises(NotWrittenError, match=says):
        sweep(words, study.folder, Workers(1, lambda work, progress: pytest.fail("worked")))
    assert files(study.folder) == before


def test_a_folder_of_another_program_or_of_something_else_is_refused(study: Study, tmp_path: Path) -> None:
    """Another version of the program; a folder with a letter in it."""
    other = tmp_path / "other"
    other.mkdir()
    manifest = json.loads((study.folder / MANIFEST_NAME).read_text(encoding="utf-8"))
    manifest["program"]["fingerprint"] = "0" * 64
    (other / MANIFEST_NAME).write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(NotWrittenError, match="another version of the program"):
        sweep(WORDS, other, workers_here(1))
    (tmp_path / "letter.txt").write_text("Dear Ada", encoding="utf-8")
    with pytest.raises(NotWrittenError, match="is not a sweep"):
        sweep(WORDS, tmp_path, workers_here(1))


def test_a_folder_with_the_rest_of_a_first_manifest_is_new(tmp_path: Path) -> None:
    """Killed while it wrote its very first file, a sweep can begin again."""
    (tmp_path / ".manifest.json-x1").write_text("{", encoding="utf-8")
    request = parse_sweep_request(WORDS)
    assert claim(tmp_path, request)["identity"] == request.identity()


@pytest.mark.usefixtures("undrawn")
def test_a_file_by_an_absolute_path_is_noted(tmp_path: Path) -> None:
    """From the manifest alone it is not there for anyone else."""
    site = demo_copy(tmp_path / "site")
    text = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(text.replace('"load.csv"', f'"{site / "load.csv"}"'), encoding="utf-8")
    made = sweep(replace(WORDS, site=site, weights="1", settings=()), tmp_path / "out", workers_here(1))
    assert any("data.load by an absolute path" in note for note in made.manifest["notes"])


def test_the_site_s_own_offer_and_law_where_none_is_named() -> None:
    """One offer, one law; the days are those asked for."""
    request = parse_sweep_request(WORDS)
    assert {point.offer for point in request.points} == {"evening-feed-in"}
    assert {point.law for point in request.points} == {"depth"}
    assert (request.first.isoformat(), request.last.isoformat()) == ("2026-02-02", "2026-02-03")
    assert "The site names no battery temperature: laws that depend on it use 25 °C." in request.notes


def test_faults_come_before_any_work(tmp_path: Path) -> None:
    """A value that the site's file would refuse; more runs than one would want by mistake."""
    with pytest.raises(InputFaults, match="--set"):
        sweep(replace(WORDS, settings=("charger.discharge_min_kw=9",)), tmp_path / "out", workers_here(1))
    many = replace(WORDS, weights="0:10:0.002", settings=(f"car.floor_percent={','.join(map(str, range(10, 40)))}",))
    with pytest.raises(InputFaults, match="the grid has 150,030 runs; expected up to 100,000, or --yes for more"):
        sweep(many, tmp_path / "out", workers_here(1))
    with pytest.raises(InputFaults, match="--jobs: 0 is under 1"):
        workers_here(0)
    assert not (tmp_path / "out").exists()


def test_the_time_is_said_before_the_work(tmp_path: Path) -> None:
    """Runs, references and nights, and a time above 0; then the work begins."""
    told: list[Beginning] = []

    def begun(work: object, progress: object) -> None:
        assert len(told) == 1
        raise InterruptedError

    with pytest.raises(InterruptedError):
        sweep(replace(WORDS, settings=()), tmp_path / "out", Workers(1, begun), told.append)
    (beginning,) = told
    assert (beginning.request.grid_runs, len(beginning.request.points), beginning.work.nights) == (3, 5, 15)
    assert beginning.seconds > 0


def test_total_is_concave_and_rising_in_the_weight_and_wear_falls() -> None:
    """Of a single night.

    The total is the least over plans of cash and what goes with it plus weight × wear: a lowest envelope of straight
    lines whose slopes, the wear, are not below zero. So it never falls, is concave, and the wear of the best plan never
    rises with the weight. Each total is within the gap and the worth of a tie of the least; two plans within that
    slack e of their least may differ in wear the wrong way by no more than 2 e over the step of the weight.
    """
    inputs = read_inputs(DEMO)
    evening = parse_request(RequestOptions(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",)), inputs)
    night = build_night(inputs, evening)[0]
    weights = [0.25 * step for step in range(13)]
    found = [verify(each, solve(each)).costs for each in (replace(night, wear_weight=weight) for weight in weights)]
    slack = (GAP_WORTH_KWH + TIE_WORTH_KWH) * night.highest_price
    totals, wears = [costs.total for costs in found], [costs.wear for costs in found]
    for earlier, later in pairwise(totals):
        assert later >= earlier - slack
    for before, here, after in zip(totals, totals[1:], totals[2:], strict=False):
        assert here >= (before + after) / 2 - slack
    for earlier, later in pairwise(wears):
        assert later <= earlier + 2 * slack / 0.25
    assert wears[0] > wears[-1]


def test_weight_0_is_no_wear_and_a_very_large_weight_is_charge_only() -> None:
    """At weight 0 a battery that costs nothing gives the same total; at 1000 nothing is given."""
    inputs = read_inputs(DEMO)
    evening = parse_request(RequestOptions(71, now=datetime(2026, 3, 2, 16, 20, tzinfo=UTC).isoformat()), inputs)
    night = build_night(inputs, evening)[0]
    free = replace(inputs.site, wear=replace(inputs.site.wear, battery_price=0.0))
    without = build_night(replace(inputs, site=free), evening)[0]
    slack = (GAP_WORTH_KWH + TIE_WORTH_KWH) * night.highest_price
    no_weight = replace(night, wear_weight=0.0)
    assert verify(no_weight, solve(no_weight)).costs.total == pytest.approx(
        verify(without, solve(without)).costs.total, abs=slack
    )
    dear = replace(night, wear_weight=1000.0)
    assert not solve(dear).setpoints.gives_energy
