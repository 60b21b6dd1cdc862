"""`overnight sweep` as its user meets it: what is said first, what is refused, and what is written."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.cli.sweep import begin_text
from scheduler.rolling.process_pool import Work
from scheduler.rolling.workers import workers_here
from scheduler.sweep.request import SweepOptions, parse_sweep_request
from scheduler.sweep.sweep import Beginning, Study, sweep
from scheduler.textio.format import duration_text
from tests.builders.places import SCENARIOS
from tests.builders.undrawn_sweeps import undrawn_sweeps

DEMO = SCENARIOS / "bookbindery"
RUNNER = CliRunner()
WEEK = ["--from", "2026-02-02", "--to", "2026-02-03"]


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    words = SweepOptions(DEMO, "0,1", first_day="2026-02-02", last_day="2026-02-03")
    with undrawn_sweeps():
        return sweep(words, tmp_path_factory.mktemp("command") / "out", workers_here(1))


@pytest.mark.usefixtures("undrawn")
def test_what_is_there_already_is_shown_again(study: Study) -> None:
    """On the screen what weight 1 saves and the cautions; on standard error what there was to do."""
    found = RUNNER.invoke(app, ["sweep", str(DEMO), "--weights", "0,1", *WEEK, "--out", str(study.folder)])
    assert found.exit_code == 0, found.output
    assert "2 runs and 2 references of 2 days each; all of them are done already." in found.stderr
    assert "At wear weight 1" in found.stdout
    assert "A plan is advice, not control" in found.stdout
    assert f"Written to {study.folder}" in " ".join(found.stdout.split())


@pytest.mark.usefixtures("undrawn")
def test_json_is_alone_on_standard_output(study: Study) -> None:
    """Every frontier with its points, and the manifest without the texts of the files."""
    words = ["sweep", str(DEMO), "--weights", "0,1", *WEEK, "--out", str(study.folder), "--json"]
    found = json.loads(RUNNER.invoke(app, words).stdout)
    assert [point["weight"] for point in found["frontiers"][0]["points"]] == [0, 1]
    assert found["frontiers"][0]["charge_only"]["discharged_kwh"] == 0
    assert {"file", "sha256"} == set(found["inputs"][0])
    assert found["asked"]["weights"] == "0,1"


@pytest.mark.usefixtures("undrawn")
def test_a_manifest_makes_it_again(study: Study, tmp_path: Path) -> None:
    """With --out and nothing that the manifest says itself."""
    manifest = str(study.folder / "manifest.json")
    found = RUNNER.invoke(app, ["sweep", manifest, "--out", str(tmp_path / "again"), "--jobs", "1"])
    assert found.exit_code == 0, found.output
    assert "The same numbers as in the manifest, to the last digit" in " ".join(found.stdout.split())
    refused = RUNNER.invoke(app, ["sweep", manifest, "--weights", "0", "--out", str(tmp_path / "again")])
    assert refused.exit_code == 2
    assert "SITE: this is a manifest, which sets the other options" in refused.stderr
    homeless = RUNNER.invoke(app, ["sweep", manifest])
    assert homeless.exit_code == 2
    assert "--out: none given" in homeless.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "--weights: none given"),
        (["--weights", "3:0:1"], "which is empty"),
        (["--weights", "-1:1:1"], "expected FIRST:LAST:STEP"),
        (["--weights", "0:1:0.3"], "goes from 0.9 past 1; expected a last weight that the steps meet"),
        (["--weights", "0:1e999999:1"], "expected FIRST:LAST:STEP"),
        (["--weights", "0:1:1e-999999999"], "found the step"),
        (["--weights", "0:1:1e-900000"], "expected 0.000001 or more"),
        (["--weights", "0,1e-400"], "has a weight twice"),
        (["--weights", "1", "--set", "wear.battery_price=6900,6900.0"], "6900 and 6900.0 make the same site"),
        (["--weights", "1", "--set", "charger.volts=1,2"], "1 is under 80"),
        (["--weights", "1", "--set", "charger.max_blocks=3,5"], "there is no set_by, so it counts for nothing"),
        (
            ["--weights", "1", "--set", "charger.set_by=schedule", "--set", "charger.max_blocks=3,5"],
            "3 and 5 make the same site",
        ),
        (["--weights", "1", "--set", "car.floor_percent=10,"], "with nothing between commas"),
        (["--weights", "1", "--laws", "flat"], "--set wear.life_full_cycles=... gives it"),
        (["--weights", "0,1", "--laws", "dept"], "did you mean depth?"),
        (["--weights", "0,1", "--set", "charger.discharge_min=1"], "did you mean charger.discharge_min_kw?"),
        (["--weights", "0,1", "--set", "car.floor_percent=90"], "90 is not under ceiling_percent"),
        (["--weights", "0,1", "--set", "data.load=other.csv"], "expected a key of connection, car"),
        (["--weights", "0,1", "--offers", "offers/no-such.toml"], "no-such.toml"),
        (["--weights", "0,1", "--from", "2026-02-03", "--to", "2026-02-02"], "--from"),
        (["--weights", "0,1", "--jobs", "0"], "--jobs: 0 is under 1"),
        (
            ["--weights", "0,1", "--jobs", "1", "--cluster", "tcp://127.0.0.1:1"],
            "--jobs: cannot be given with --cluster",
        ),
        (["--weights", "0:1000:0.001"], "expected"),
        (["--weights", "0:9:0.001", "--laws", "flat,depth", "--set", "car.floor_percent=10,11,12,13,14,15"], "--yes"),
    ],
)
def test_input_at_fault(words: list[str], says: str, tmp_path: Path) -> None:
    """Exit 2, one clear message, and no folder."""
    found = RUNNER.invoke(app, ["sweep", str(DEMO), *words, "--out", str(tmp_path / "out")])
    assert found.exit_code == 2, found.output
    assert says in found.stderr
    assert "Traceback" not in found.output
    assert not (tmp_path / "out").exists()


def test_a_fault_of_a_law_is_told_alone(tmp_path: Path) -> None:
    """A law without its parameter is at fault at every value of another key; that the values differ is not doubted."""
    words = ["sweep", str(DEMO), "--weights", "1", "--laws", "flat,depth", "--set", "car.floor_percent=10,20"]
    found = RUNNER.invoke(app, [*words, "--out", str(tmp_path / "out")])
    assert found.exit_code == 2
    assert "--set wear.life_full_cycles=... gives it" in found.stderr
    assert "make the same site" not in found.stderr
    assert len(found.stderr.splitlines()) == 1


def test_a_folder_of_another_sweep(study: Study) -> None:
    """Refused before any work, with what differs."""
    found = RUNNER.invoke(app, ["sweep", str(DEMO), "--weights", "0,2", *WEEK, "--out", str(study.folder)])
    assert found.exit_code == 2
    assert "holds another sweep: its weights are [0.0, 1.0], here [0.0, 2.0]" in found.stderr


@pytest.mark.usefixtures("undrawn")
def test_offers_with_commas_between(tmp_path: Path) -> None:
    """Two in one word, and a third."""
    offers = "offers/evening-feed-in.toml,offers/day-and-night.toml"
    day = "2026-02-02"
    options = SweepOptions(DEMO, "1", offers=tuple(map(Path, offers.split(","))), first_day=day, last_day=day)
    request = parse_sweep_request(options)
    words = ["sweep", str(DEMO), "--weights", "1", "--offers", offers, "--from", day, "--to", day]
    found = RUNNER.invoke(app, [*words, "--jobs", "1", "--out", str(tmp_path)])
    assert found.exit_code == 0, found.output
    manifest = json.loads((tmp_path / "manifest.json").read_text(encoding="utf-8"))
    assert [each["name"] for each in manifest["offers"]] == [each.offer.name for each in request.offers.values()]


def test_missing_packages_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """Which extra brings them, before anything else."""
    monkeypatch.setattr("scheduler.cli.failures.find_spec", lambda name: None if name == "pyarrow" else object())
    found = RUNNER.invoke(app, ["sweep", str(DEMO), "--weights", "0,1"])
    assert found.exit_code == 2
    assert "pyarrow is not installed" in found.stderr
    assert "overnight-scheduler[study]" in found.stderr


def test_what_is_said_before_the_work(tmp_path: Path) -> None:
    """Runs, references, days, nights, processes and time; how many are there already."""
    request = parse_sweep_request(SweepOptions(DEMO, "0,1", first_day="2026-02-02", last_day="2026-02-03"))
    work = Work(request.runs, tmp_path, {}, frozenset())
    words = begin_text(Beginning(request, work, 2, 95.0))
    assert words == (
        "2 runs and 2 references of 2 days each: 12 nights to plan in intervals of 60 minutes in 2 processes, about 2 "
        "minutes."
    )
    some = replace(work, done=frozenset(list(request.runs)[:1]))
    told = begin_text(Beginning(request, some, 1, 3.2))
    assert "each, 1 of them done already: 9 nights to plan in intervals of 60 minutes, about" in told


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.2, "about 1 second"),
        (31, "about 31 seconds"),
        (61, "about a minute"),
        (95, "about 2 minutes"),
        (7200, "about 2 hours"),
        (400_000, "about 5 days"),
    ],
)
def test_times_as_one_would_say_them(seconds: float, words: str) -> None:
    """Seconds, minutes, hours, days."""
    assert duration_text(seconds) == words
