"""The command line as an owner uses it: screens, files, exit codes, and one clear line for each mistake."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plans.plan import Plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replay import PlanRefused
from tests.builders.places import SCENARIOS
from tests.builders.sites import series_text, write_site

BOOKBINDERY = SCENARIOS / "bookbindery"
BOATYARD = SCENARIOS / "boatyard"
NOW = ("--now", "2026-03-02T18:20")
TRIP = ("--trip", "07:30-18:00 96km")


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A valid site folder."""
    return write_site(tmp_path / "home")


def overnight(*words: str | Path) -> Result:
    """Run the command."""
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "100"})


def plan_of(site: Path) -> dict[str, object]:
    """The one plan in the site's folder."""
    (folder,) = (site / "plans").iterdir()
    return json.loads((folder / "plan.json").read_text(encoding="utf-8"))


def test_plan_prints_what_to_set_and_writes_the_same(site: Path) -> None:
    """The owner reads blocks, departures, money and cautions; the folder is named after the first local instant."""
    result = overnight("plan", site, "--soc", 71, *NOW, *TRIP, "--full")
    assert result.exit_code == 0, result.output
    for words in ("What to set", "Departures", "Money, EUR", "Cautions", "saves", "2026-03-02T1820"):
        assert words in result.stdout
    assert {file.name for file in (site / "plans" / "2026-03-02T1820").iterdir()} == {
        "schedule.csv",
        "plan.json",
        "report.html",
    }
    for block in plan_of(site)["blocks"]:
        if block["start"] < plan_of(site)["tonight_until"]:
            assert f"{block['kw']:.1f} kW ({block['amps']:.1f} A)" in result.stdout


def test_json_is_alone_on_standard_output(site: Path) -> None:
    """`--json` prints plan.json and nothing else on standard output, whatever the solver likes to print."""
    command = [sys.executable, "-c", "from scheduler.cli.app import main; main()"]
    words = ["plan", str(site), "--soc", "71", *NOW, *TRIP, "--json"]
    run = subprocess.run([*command, *words], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout) == plan_of(site)
    assert "Written to" in run.stderr


def test_the_state_of_charge_is_required(site: Path) -> None:
    """Without --soc there is no plan: nothing that decides safety has a silent default."""
    result = overnight("plan", site, *NOW)
    assert result.exit_code == 2
    assert "--soc" in result.stderr
    assert not (site / "plans").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--soc", "140"), "--soc: 140 is over 100; expected 0, or 1 to 100"),
        (("--soc", "nan"), "--soc: nan is not finite"),
        (("--soc", "full"), '--soc: found "full"; expected a number'),
        (("--soc", "71", "--highest-soc-today", "60"), "--highest-soc-today: 60 is under --soc 71"),
        (("--soc", "71", "--stay-home", *TRIP), "--stay-home: cannot be given with --trip"),
        (("--soc", "71", "--trip", "tomorrow"), '--trip: found "tomorrow"'),
        (("--soc", "71", "--trip", "2026-03-01T07:30-18:00 40km"), "in the past"),
        (("--soc", "71", "--trip", "2026-03-03T18:00-2026-03-03T07:30 40km"), "returns before it departs"),
        (("--soc", "71", *TRIP, "--trip", "08:00-09:00 5km"), "overlap"),
        (("--soc", "71", "--home-at", "2026-03-04T21:00"), "--home-at"),
        (("--soc", "71", "--wear-weight", "-1"), "--wear-weight: -1 is under 0; expected 0 to 1000"),
        (("--soc", "71", "--offer", "nowhere.toml"), "nowhere.toml"),
        (("--soc", "71", "--forecast", "guess"), '--forecast: found "guess"; expected samples, typical or recorded'),
    ],
)
def test_a_mistyped_option_is_one_clear_message(site: Path, words: tuple[str, ...], said: str) -> None:
    """Exit 2, the option named, no traceback and nothing written."""
    result = overnight("plan", site, *NOW, *words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert "Traceback" not in result.output
    assert not (site / "plans").exists()


def test_faults_of_several_files_and_options_do_not_hide_each_other(tmp_path: Path) -> None:
    """`check` and `plan` report every fault of every file at once, `check` without planning."""
    site = write_site(
        tmp_path / "home",
        site={"floor_percent = 20": "floor_percent = 120", "charge_min_kw": "charge_mim_kw"},
        offer={'currency = "EUR"': 'currency = "euro"'},
        load="start;kw\n",
    )
    for words in (("check", site), ("plan", site, "--soc", 71, *NOW)):
        result = overnight(*words)
        assert result.exit_code == 2
        for said in ("car.floor_percent", "did you mean charge_min_kw", "currency", "load.csv"):
            assert said in result.stderr
    found = json.loads(overnight("check", site, "--json").stdout)["faults"]
    assert {"file", "line", "key", "message"} == set(found[0])
    assert len(found) >= 4


def test_check_of_a_good_site_names_the_files_it_read(site: Path) -> None:
    """A good site has no faults and exit 0."""
    result = overnight("check", site)
    assert result.exit_code == 0
    assert "no faults in site.toml, evening.toml, load.csv, solar.csv, trips.csv" in result.stdout
    assert json.loads(overnight("check", site, "--json").stdout) == {"faults": []}


def test_a_missed_target_is_planned_and_exits_3(site: Path) -> None:
    """A trip that leaves too early is planned as well as can be, said in words with the kWh, and exits 3."""
    result = overnight("plan", site, "--soc", 30, *NOW, "--trip", "19:30-22:00 196km")
    assert result.exit_code == 3
    assert plan_of(site)["status"] == "target-missed"
    text = " ".join(result.stdout.split())
    assert re.search(
        r"leaves with [\d.]+ %, [\d.]+ kWh short of its target .* would be ready at .* What would help", text
    )


def test_a_car_best_left_alone_says_so_and_why(tmp_path: Path) -> None:
    """With a full car, nothing to drive, no sun and no price that pays, the one sentence is to leave it alone."""
    site = write_site(tmp_path / "home", solar=series_text(lambda hour: 0.0))
    offer = site / "offers" / "evening.toml"
    flat = 'format = 1\nname = "Flat"\ncurrency = "EUR"\ndaily_fee = 0\n[[import]]\nprice_per_kwh = 0.3\n'
    offer.write_text(flat, encoding="utf-8")
    result = overnight("plan", site, "--soc", 80, *NOW, "--stay-home")
    assert result.exit_code == 0
    assert "Tonight the car is best left alone: a kWh discharged would at best earn" in " ".join(result.stdout.split())
    assert plan_of(site)["blocks"] == []


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (NoPlanError("HiGHS stopped with: infeasible"), 4, "The solver found no plan"),
        (PlanRefused(("over the import limit, by 1.0",)), 5, "over the import limit"),
    ],
)
def test_no_plan_and_a_refused_plan_have_their_exit_codes(
    site: Path, monkeypatch: pytest.MonkeyPatch, error: Exception, code: int, said: str
) -> None:
    """The solver without a plan exits 4 and a plan that replay refuses exits 5, with nothing written."""

    def fail(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(
        "scheduler.plans.sampled_choice.solve" if code == 4 else "scheduler.plans.sampled_choice.verify", fail
    )
    result = overnight("plan", site, "--soc", 71, *NOW)
    assert result.exit_code == code
    assert said in result.stderr
    assert not (site / "plans").exists()


def test_an_unwritable_folder_is_one_clear_line(site: Path) -> None:
    """A file where the plans folder belongs is said in one line, and the file is left."""
    (site / "plans").write_text("notes", encoding="utf-8")
    result = overnight("plan", site, "--soc", 71, *NOW)
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr
    assert (site / "plans").read_text(encoding="utf-8") == "notes"


def test_help_loads_nothing_heavy() -> None:
    """`overnight --help` and that of every command answer without Pyomo, HiGHS, pandas, NumPy, matplotlib or rich."""
    program = """
import sys, typer
from scheduler.cli.app import app
commands = list(typer.main.get_command(app).commands)
for words in (["--help"], *([name, "--help"] for name in commands)):
    try:
        app(words)
    except SystemExit as left:
        assert not left.code, words
heavy = {"pyomo", "highspy", "pandas", "numpy", "matplotlib", "scipy", "rich.console", "starlette"} & set(sys.modules)
print(len(commands), sorted(heavy))
"""
    run = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert run.stdout.endswith("\n13 []\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("hand-over", "folder", "--as", "pdf"), '--as: found "pdf"; expected calendar or ocpp21'),
        (("plan", "site", "--soc", "71", "--wear-weight", "abc"), '--wear-weight: found "abc"; expected a number'),
        (("sweep", "site", "--jobs", "1.5"), '--jobs: found "1.5"; expected a whole number'),
        (("plan", "site"), "--soc: none given; expected a value"),
        (("plan",), "SITE: none given; expected a value"),
        (("plan", "site", "--soc"), "--soc: no value given; expected one after it"),
        (("plan", "site", "--json=3"), "--json: takes no value"),
        (("plan", "site", "--socc", "71"), "--socc: there is no such option; did you mean --soc?"),
        (("plann",), "plann: there is no such command; did you mean plan?"),
        (("--nothing",), "--nothing: there is no such option"),
    ],
)
def test_a_command_line_at_fault_is_one_line(words: tuple[str, ...], said: str) -> None:
    """What the framework finds is said as every other fault: where, what was found and what is expected."""
    result = overnight(*words)
    assert (result.exit_code, result.stdout, result.stderr) == (2, "", f"{said}\n")


@pytest.mark.parametrize("name", ["plan", "replan"])
def test_an_interrupted_plan_is_one_line(site: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    """Ctrl-C is told and exits as shells count it; nothing is written."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(f"scheduler.plans.{'plan_tonight' if name == 'plan' else name}.read_inputs", interrupt)
    result = overnight(name, site, "--soc", 71, *NOW)
    assert result.exit_code == 130
    assert result.stderr == "Interrupted.\n"
    assert not (site / "plans").exists()


@pytest.mark.parametrize(("peak", "words"), [(3.1, "33.01 of it through the month's demand charge"), (50.0, None)])
def test_a_saving_by_the_demand_charge_is_named_and_never_more_than_the_whole(
    tmp_path: Path, peak: float, words: str | None
) -> None:
    """Where charging on return would raise the month's peak, the saving says so; where it would not, it does not."""
    asked = ["--soc", "52", "--peak-so-far", str(peak), "--imported-so-far", "240", "--offer", "offers/low-draw.toml"]
    result = CliRunner().invoke(
        app, ["plan", str(BOOKBINDERY), *asked, "--now", "2026-02-16T18:20", "--out", str(tmp_path)]
    )
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert ("demand charge; discharging adds nothing" in text) is (words is not None)
    assert words is None or words in text


def test_a_night_of_many_steps_is_told_in_brief(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Quarter-hour prices make many steps: ten are listed, and how many more there are; with --full all are."""
    made: list[Plan] = []

    def solved_once(*asked: Any) -> Plan:
        made.append(made[0] if made else plan_tonight(*asked))
        return made[-1]

    monkeypatch.setattr("scheduler.plans.plan_tonight.plan_tonight", solved_once)
    words = ["plan", str(BOATYARD), "--soc", "60", "--offer", "offers/quarter-hours.toml", "--now", "2026-02-03T16:30"]
    words += ["--out", str(tmp_path), "--forecast", "typical"]
    result = CliRunner().invoke(app, words, env={"COLUMNS": "100"})
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    first = lines.index("What to set tonight") + 1
    more = next(number for number, line in enumerate(lines) if line.startswith("Then "))
    begun = [line for line in lines[first:more] if re.match(r"  (Wed )?\d\d:\d\d ", line)]  # others are wrapped
    assert len(begun) == 10
    assert int(lines[more].split()[1]) > 0
    full = CliRunner().invoke(app, [*words, "--full"], env={"COLUMNS": "100"}).stdout
    assert len(made) == 2
    [folder] = tmp_path.iterdir()
    kept = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    tonight = [block for block in kept["blocks"] if block["start"] < kept["tonight_until"]]
    assert len(tonight) > 5
    assert full.count(" kW (") == len(tonight)
