"""A new site: written whole and commented, planned at once, and never over what is there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.plan_tonight import plan_tonight

OPTIONS = {
    "--name": "Brook Cottage",
    "--timezone": "Europe/Dublin",
    "--currency": "EUR",
    "--battery-kwh": "52",
    "--consumption-kwh-per-100km": "17",
    "--charge-min-kw": "1.4",
    "--charge-max-kw": "7.4",
    "--discharge-min-kw": "1.2",
    "--discharge-max-kw": "7.4",
    "--volts": "230",
    "--phases": "1",
    "--discharge-to": "building-and-grid",
    "--import-limit-kw": "14",
    "--export-limit-kw": "5",
    "--battery-price": "6800",
    "--day-price": "0.34",
    "--export-price": "0.05",
}


def new(folder: Path, changes: dict[str, str | None] | None = None, *flags: str, typed: str | None = None) -> Result:
    """Run the command with the options changed; None leaves one out."""
    options = {**OPTIONS, **(changes or {})}
    words = [word for name, value in options.items() if value is not None for word in (name, value)]
    return CliRunner().invoke(app, ["new", str(folder), *words, *flags], input=typed)


@pytest.mark.parametrize("flags", [(), ("--solar", "--night-price", "0.12", "--feed-in-price", "0.25")])
def test_a_new_site_plans_at_once(tmp_path: Path, flags: tuple[str, ...]) -> None:
    """With and without panels, a night price and an evening feed-in price: read without a fault, and planned."""
    folder = tmp_path / "site"
    result = new(folder, None, *flags)
    assert result.exit_code == 0, result.output
    assert "put your own meter's data there (start,kw)" in result.stdout
    inputs = read_inputs(folder)
    assert (inputs.solar is not None) is bool(flags)
    assert inputs.site.connection.export_limit_kw == 5.0
    assert len(inputs.offer.import_bands) == (2 if flags else 1)
    plan = plan_tonight(folder, RequestOptions(70))
    assert plan.answer.status == "optimal"
    assert not any("fewer than" in warning for warning in plan.warnings)
    assert "PLACEHOLDER" in (folder / "site.toml").read_text(encoding="utf-8")
    assert "Replace them" in (folder / "READ-ME-FIRST.txt").read_text(encoding="utf-8")


def test_what_is_missing_is_asked_for_and_a_wrong_answer_is_asked_again(tmp_path: Path) -> None:
    """The approved limits have no default; minus one is not taken, and the question comes again."""
    missing = {"--import-limit-kw": None, "--export-limit-kw": None, "--volts": None}
    result = new(tmp_path / "site", missing, "--ask", typed="\n11\n-1\n4\n" + "\n" * 12)
    assert result.exit_code == 0, result.output
    assert "-1 is under 0; expected 0 to" in result.stdout
    connection = read_inputs(tmp_path / "site").site.connection
    assert (connection.import_limit_kw, connection.export_limit_kw) == (11.0, 4.0)


def test_without_a_terminal_what_decides_safety_must_be_given(tmp_path: Path) -> None:
    """Nobody to ask: every missing option at once, those with a harmless default left out of the list."""
    missing = {"--import-limit-kw": None, "--battery-kwh": None, "--volts": None, "--export-price": None}
    result = new(tmp_path / "site", missing)
    assert result.exit_code == 2
    assert [line.split(":")[0] for line in result.stderr.splitlines()] == ["--import-limit-kw", "--battery-kwh"]
    assert not (tmp_path / "site").exists()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"--timezone": "Europe/Dublim"}, '--timezone: "Europe/Dublim" is not known; expected an IANA time zone'),
        ({"--currency": "euro"}, '--currency: found "euro"; expected three capital letters'),
        ({"--battery-kwh": "0"}, "--battery-kwh: 0 is under 1; expected 1 to 2000 kWh"),
        ({"--charge-max-kw": "nan"}, "--charge-max-kw"),
        ({"--export-limit-kw": "-1"}, "--export-limit-kw: -1 is under 0; expected 0 to 2000 kW"),
        ({"--phases": "4"}, "--phases: 4 is over 3; expected 1, 2 or 3"),
        ({"--discharge-to": "grid"}, "--discharge-to"),
        (
            {"--night-hours": "23-7"},
            '--night-hours: found "23-7"; expected two clock times that differ, such as "23:00-07:00"',
        ),
        ({"--charge-min-kw": "9"}, "--charge-min-kw: 9 is over --charge-max-kw; expected 0 to 7.4"),
        ({"--holiday-calendar": "ZZ"}, '--holiday-calendar: "ZZ" is not known'),
        ({"--name": "two\nlines"}, "--name"),
    ],
)
def test_a_wrong_answer_is_one_clear_fault(tmp_path: Path, changes: dict[str, str | None], said: str) -> None:
    """Exit 2, the option or the key named, and nothing written."""
    result = new(tmp_path / "site", changes)
    assert result.exit_code == 2
    assert said in result.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("name", ['The "Barn"', "back\\slash", "Älvdal – nº 5 # 1", "{braces} %s", "'''"])
def test_any_name_is_kept_as_it_is(tmp_path: Path, name: str) -> None:
    """Quotes, backslashes, marks and letters of any kind come back as they were typed."""
    assert new(tmp_path / "site", {"--name": name}).exit_code == 0
    assert read_inputs(tmp_path / "site").site.name == name


@pytest.mark.parametrize(
    "make", [lambda path: path.mkdir() or (path / "mine").write_text("1"), lambda path: path.write_text("1")]
)
def test_nothing_is_overwritten(tmp_path: Path, make: Any) -> None:
    """A folder with something in it, or a file in its place, is left as it is."""
    make(tmp_path / "site")
    before = sorted(str(each) for each in tmp_path.rglob("*"))
    result = new(tmp_path / "site")
    assert result.exit_code == 2
    assert "expected a folder that is new or empty" in result.stderr
    assert sorted(str(each) for each in tmp_path.rglob("*")) == before


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    """A folder made beforehand is as good as none."""
    (tmp_path / "site").mkdir()
    assert new(tmp_path / "site").exit_code == 0
    assert (tmp_path / "site" / "offers" / "offer.toml").is_file()
