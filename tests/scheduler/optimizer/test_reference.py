"""The reference formulation as a model to extend and a file to solve: it has the money of the plan.

Solver of the comparison: HiGHS through Pyomo for the model, and reading the file by itself.
"""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import highspy
import pyomo.environ as pyo
import pytest
from typer.testing import CliRunner

from scheduler import api
from scheduler.cli.app import app
from scheduler.inputs.control_mode import Setting
from scheduler.optimizer.formulation import formulate
from scheduler.optimizer.lexicographic import TIE_WORTH_KWH
from scheduler.optimizer.reference import model_text
from scheduler.optimizer.solve import solve
from tests.builders.places import SCENARIOS
from tests.builders.random_nights import random_night
from tests.builders.random_offers import random_offer_night

README = Path(__file__).parents[3] / "scheduler" / "optimizer" / "README.md"
PLAN = ["plan", str(SCENARIOS / "bookbindery"), "--soc", "71", "--now", "2026-03-02T18:20"]


@pytest.mark.parametrize(
    ("make", "seed"), [(random_night, 0), (random_night, 3), (random_night, 6), (random_offer_night, 204)]
)
def test_the_model_has_the_money_of_the_plan(make: object, seed: int) -> None:
    """Solved by HiGHS through Pyomo, on a night that misses a target (seed 0) too: the plan's money, within its tie."""
    night = make(seed)  # type: ignore[operator]
    model = api.model(night)
    pyo.SolverFactory("appsi_highs").solve(model)
    answer = solve(night)
    assert pyo.value(model.least_money) == pytest.approx(answer.money, abs=TIE_WORTH_KWH * night.highest_price + 1e-4)
    assert pyo.value(model.most_on_the_way) == pytest.approx(pyo.value(model.least_on_the_way), abs=1e-5)


def test_the_model_of_a_night_set_by_hand_has_its_constraints() -> None:
    """Two blocks at most: fewer begins than that, and the money of the plan set by hand."""
    night = replace(random_night(3), setting=Setting("blocks", 2, 60))
    model = api.model(night)
    pyo.SolverFactory("appsi_highs").solve(model)
    begun = sum(
        round(pyo.value(model.charge_block_begins[t] + model.discharge_block_begins[t])) for t in model.intervals
    )
    assert begun <= 2
    assert pyo.value(model.least_money) == pytest.approx(
        solve(night).money, abs=TIE_WORTH_KWH * night.highest_price + 1e-4
    )


@pytest.mark.parametrize("ending", [".mps", ".lp"])
def test_the_file_has_the_money_of_the_plan(tmp_path: Path, ending: str) -> None:
    """HiGHS reads the file that the command writes and finds the plan's money; columns have readable names."""
    night = random_night(3)
    file = tmp_path / f"night{ending}"
    file.write_text(model_text(night, ending))
    highs = highspy.Highs()
    highs.silent()
    assert highs.readModel(str(file)) == highspy.HighsStatus.kOk
    highs.run()
    found = highs.getInfo().objective_function_value
    assert found == pytest.approx(solve(night).money, abs=TIE_WORTH_KWH * night.highest_price + 1e-4)
    assert any("stored_kwh" in name for name in highs.getLp().col_names_)


def test_the_command_writes_the_model_beside_the_plan(tmp_path: Path) -> None:
    """One more line on the screen says where it is; the plan is written as ever."""
    file = tmp_path / "night.lp"
    ran = CliRunner().invoke(app, [*PLAN, "--out", str(tmp_path / "plans"), "--write-model", str(file)])
    assert ran.exit_code == 0, ran.output
    assert "least_money" in file.read_text()
    assert f"The night's program is in {file}." in " ".join(ran.output.split("\n"))
    assert sorted(each.name for each in tmp_path.iterdir()) == ["night.lp", "plans"]


@pytest.mark.parametrize(
    ("name", "said"),
    [("night.txt", "expected a file name that ends in .mps or .lp"), ("file/night.lp", "cannot be written")],
)
def test_a_file_that_cannot_be_is_refused_in_one_line(tmp_path: Path, name: str, said: str) -> None:
    """Another ending, and a file where a folder belongs: one message, and no plan is written."""
    (tmp_path / "file").write_text("mine")
    ran = CliRunner().invoke(app, [*PLAN, "--out", str(tmp_path / "plans"), "--write-model", str(tmp_path / name)])
    assert ran.exit_code == 2
    (line,) = ran.stderr.strip().splitlines()
    assert said in line
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@pytest.mark.parametrize("setting", ["", 'set_by = "blocks"\nmax_blocks = 3\nmin_block_minutes = 60\n'])
def test_planning_does_not_load_pyomo(tmp_path: Path, setting: str) -> None:
    """`overnight plan` of the demo site, as a schedule and set by hand, ends without Pyomo among the modules."""
    demo = SCENARIOS / "bookbindery"
    site = tmp_path / "site"
    site.mkdir()
    for each in ("load.csv", "solar.csv", "trips.csv", "offers"):
        if (demo / each).exists():
            (site / each).symlink_to(demo / each)
    text = (demo / "site.toml").read_text()
    (site / "site.toml").write_text(text.replace("[charger]\n", f"[charger]\n{setting}", 1))
    code = (
        "import sys\n"
        "from scheduler.cli.app import app\n"
        f"app({['plan', str(site), '--soc', '71', '--now', '2026-03-02T18:20', '--out', str(tmp_path / 'plans')]!r}, "
        "standalone_mode=False)\n"
        "assert 'highspy' in sys.modules\n"
        "print('loaded:', sorted(name for name in sys.modules if name.startswith('pyomo')))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    assert ran.stdout.strip().splitlines()[-1] == "loaded: []"


def test_the_example_of_the_readme_runs(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """The worked example adds a constraint, solves it with HiGHS through Pyomo and prints what the page shows."""
    monkeypatch.chdir(SCENARIOS.parent)
    text = README.read_text()
    code, shown = re.search(r"```python\n(.*?)```\n+```text\n(.*?)```", text, re.DOTALL).groups()  # type: ignore[union-attr]
    exec(compile(code, str(README), "exec"), {})
    assert capsys.readouterr().out == shown


def test_the_readme_names_every_component() -> None:
    """Each variable and constraint of a night with tiers, trips and whole amps set in waking hours is on the page."""
    night = random_offer_night(204)
    setting = Setting("current", 2, 60, worth=0.05, between=(720, 721))
    by_hand = replace(night, setting=setting, charger=replace(night.charger, discharge_to="building"))
    text = README.read_text()
    for kind in (pyo.Var, pyo.Constraint, pyo.Objective):
        missing = [
            each.local_name for each in formulate(by_hand).component_objects(kind) if f"`{each.local_name}`" not in text
        ]
        assert missing == []
