"""`overnight fit-losses`: what it prints and writes, and how it stops."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from models.site.charger_losses import fit_losses
from scheduler.cli.app import app
from scheduler.diagnostics.losses import fit_table, site_lines
from tests.builders.loss_tables import GOOD, written
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery" / "losses.csv"


def run(*words: str) -> tuple[int, str, str]:
    """Exit code, standard output and standard error."""
    result = CliRunner().invoke(app, ["fit-losses", *words])
    assert "Traceback" not in result.output
    return result.exit_code, result.stdout, result.stderr


def test_the_screen() -> None:
    """Values with how sure they are, a row for each point, and the lines to paste, unbroken."""
    code, output, _ = run(str(DEMO))
    made = fit_table(DEMO)
    assert code == 0
    for key in made.keys:
        assert key.estimate_text in output
        assert key.uncertainty_text in output
    assert site_lines(made) in output
    for line, point in zip(made.table.lines, made.table.points, strict=True):
        assert any(row.split()[:2] == [str(line), point.direction] for row in output.splitlines())


def test_warnings_are_printed(tmp_path: Path) -> None:
    """What is implausible stands under the lines."""
    _, output, _ = run(str(written(tmp_path, *GOOD)))
    assert "Note: There are only as many points as unknowns" in output


def test_json_is_the_fit(tmp_path: Path) -> None:
    """Standard output is JSON alone: the model's numbers, null where nothing is known, differences that add up."""
    code, output, errors = run(str(DEMO), "--json", "--out", str(tmp_path))
    document = json.loads(output)
    fitted = fit_losses(fit_table(DEMO).table.points)
    assert code == 0
    assert "Written to" in errors
    assert document["fixed_loss_kw"] == fitted.fixed_loss_kw
    assert document["charge_efficiency_percent"] == fitted.charge_efficiency_percent
    assert document["standard_errors"]["fixed_loss_kw"] == fitted.standard_errors[0]
    squares = [point["difference_points"] ** 2 for point in document["points"]]
    assert document["root_mean_square_points"] == pytest.approx((sum(squares) / len(squares)) ** 0.5)
    for point in document["points"]:
        assert point["efficiency_percent"] - point["fitted_percent"] == pytest.approx(point["difference_points"])
    _, output, _ = run(str(written(tmp_path, "charge,1,70", "charge,8,99", "discharge,8,90")), "--json")
    document = json.loads(output)
    assert document["at_bound"] == ["charge_efficiency_percent"]
    assert list(document["standard_errors"].values()) == [None, None, None]


def test_the_page_is_written(tmp_path: Path) -> None:
    """--out makes the folder and the one page in it, and says so."""
    code, output, _ = run(str(DEMO), "--out", str(tmp_path / "new" / "folder"))
    assert code == 0
    assert [file.name for file in (tmp_path / "new" / "folder").iterdir()] == ["losses.html"]
    assert f"Written to {tmp_path / 'new' / 'folder' / 'losses.html'}." in output


def test_bad_input_writes_nothing(tmp_path: Path) -> None:
    """A fault is one line with exit code 2, with --json too, and no page is made."""
    table = written(tmp_path, *GOOD, "charge,3,104")
    for more in ((), ("--json",)):
        code, output, errors = run(str(table), "--out", str(tmp_path / "out"), *more)
        assert code == 2
        assert output == ""
        assert errors == (f'{table} line 5, efficiency_percent: "104" is over 100; expected over 1, up to 100 %\n')
        assert not (tmp_path / "out").exists()


def test_no_table_and_no_room_for_the_page(tmp_path: Path) -> None:
    """A missing table, a folder as the table and an output folder that is a file are each one message."""
    assert run(str(tmp_path / "none.csv"))[::2] == (2, f"{tmp_path / 'none.csv'}: there is no such file\n")
    assert run(str(tmp_path))[0] == 2
    (tmp_path / "taken").write_text("kept", encoding="utf-8")
    code, output, errors = run(str(DEMO), "--out", str(tmp_path / "taken"))
    assert (code, output) == (2, "")
    assert errors.count("\n") == 1
    assert "nothing was changed" in errors
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "kept"
