"""The questions of `overnight new`: asked in order, checked beside each other, only where they matter."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from scheduler.cli.app import app
from scheduler.inputs.new_site_questions import QUESTIONS
from scheduler.inputs.site_inputs import read_inputs

BY_HAND = ("power_in", "setting_worth", "settings_between")
"""What is asked only where the owner sets the charger."""
ANSWERS = {
    "name": "",
    "timezone": "Europe/Dublin",
    "holiday_calendar": "IE",
    "import_limit_kw": "14",
    "export_limit_kw": "5",
    "battery_kwh": "52",
    "consumption_kwh_per_100km": "",
    "battery_price": "6800",
    "charge_max_kw": "7.4",
    "charge_min_kw": "1.4",
    "discharge_max_kw": "7.4",
    "discharge_min_kw": "1.2",
    "discharge_to": "building-and-grid",
    "set_by": "itself",
    "volts": "",
    "phases": "",
    "solar": "yes",
    "currency": "EUR",
    "offer_name": "",
    "daily_fee": "",
    "day_price": "0.34",
    "night_price": "0.12",
    "night_hours": "",
    "export_price": "0.05",
    "feed_in_price": "0.2",
    "feed_in_hours": "17:30-20:00",
    "usual_trips": "",
    "soc": "none",
}


def asked(folder: Path, typed: dict[str, str], *options: str) -> Result:
    """Run `overnight new` and type an answer a line."""
    return CliRunner().invoke(
        app, ["new", str(folder), "--ask", *options], input="".join(f"{t}\n" for t in typed.values())
    )


def test_an_owner_can_answer_every_question_at_the_prompt(tmp_path: Path) -> None:
    """Night price, feed-in price, solar and holidays are asked for too, each as the site then holds it."""
    assert list(ANSWERS) == [question.key for question in QUESTIONS if question.key not in BY_HAND]
    result = asked(tmp_path / "home", ANSWERS)
    assert result.exit_code == 0, result.output
    inputs = read_inputs(tmp_path / "home")
    assert inputs.solar is not None
    assert inputs.site.holiday_calendar == "IE"
    assert [band.price_per_kwh for band in inputs.offer.import_bands] == [0.34, 0.12]
    assert [(band.from_minute, band.to_minute) for band in inputs.offer.export_bands] == [(0, 1440), (1050, 1200)]


def test_what_does_not_matter_is_not_asked(tmp_path: Path) -> None:
    """No export: no export prices; no night price: no hours."""
    without = {"night_hours", "export_price", "feed_in_price", "feed_in_hours"}
    typed = {key: text for key, text in ANSWERS.items() if key not in without}
    result = asked(tmp_path / "home", typed | {"export_limit_kw": "0", "night_price": "none"})
    assert result.exit_code == 0, result.output
    assert "evening" not in result.output
    assert "hours of" not in result.output


def test_answers_are_checked_beside_each_other(tmp_path: Path) -> None:
    """A least power over the most is asked again at once, not refused after the last question."""
    result = asked(tmp_path / "home", ANSWERS | {"charge_min_kw": "9\n1.4"})
    assert result.exit_code == 0, result.output
    assert "9 is over --charge-max-kw; expected 0 to 7.4" in result.output


def test_an_asked_power_is_checked_beside_the_options(tmp_path: Path) -> None:
    """A most power that is asked for may not be under the least that an option gave."""
    typed = {key: text for key, text in ANSWERS.items() if key != "charge_min_kw"} | {"charge_max_kw": "1\n7.4"}
    result = asked(tmp_path / "home", typed, "--charge-min-kw", "1.4")
    assert result.exit_code == 0, result.output
    assert "1 is under --charge-min-kw; expected 1.4 or more" in result.output


def test_what_decides_safety_is_never_taken_for_granted() -> None:
    """No limit, battery or power has a default at the prompt."""
    without_default = {question.key for question in QUESTIONS if question.default is None}
    assert {key for key in ANSWERS if key.endswith("_kw")} | {"battery_kwh", "discharge_to"} <= without_default


def test_options_at_fault_are_told_before_anything_is_asked(tmp_path: Path) -> None:
    """Nobody answers twenty questions to learn that an option was wrong."""
    result = asked(tmp_path / "home", ANSWERS, "--phases", "5", "--night-hours", "7-9")
    assert result.exit_code == 2
    assert [line.split(":")[0] for line in result.stderr.splitlines()] == ["--phases", "--night-hours"]
    assert "What is the place called" not in result.output


def test_a_folder_in_use_is_refused_before_anything_is_asked(tmp_path: Path) -> None:
    """The folder is looked at first."""
    (tmp_path / "notes.txt").write_text("mine", encoding="utf-8")
    result = asked(tmp_path, ANSWERS)
    assert result.exit_code == 2
    assert "What is the place called" not in result.output


def test_stopping_half_way_writes_nothing(tmp_path: Path) -> None:
    """The end of the input in the middle of the questions is one line and exit 2; only the answers are kept."""
    result = asked(tmp_path / "home", {"name": "", "timezone": "Europe/Dublin"})
    assert result.exit_code == 2
    assert "nothing was written" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == [".overnight-new-home.toml"]


def test_hours_without_a_price_are_a_fault(tmp_path: Path) -> None:
    """Hours that would otherwise be dropped in silence are told."""
    options = [
        word
        for key, text in ANSWERS.items()
        if text and key not in ("solar", "night_price", "feed_in_price", "soc")
        for word in ("--" + key.replace("_", "-"), text)
    ]
    result = CliRunner().invoke(app, ["new", str(tmp_path / "home"), *options, "--night-hours", "23:00-07:00"])
    assert result.exit_code == 2
    assert "--night-hours: needs --night-price as well" in result.stderr
    assert "--feed-in-hours: needs --feed-in-price as well" in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_the_folder_one_stands_in_can_be_filled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`overnight new .` in an empty folder fills that very folder."""
    monkeypatch.chdir(tmp_path)
    assert asked(Path("."), ANSWERS).exit_code == 0
    assert {path.name for path in Path.cwd().iterdir()} == {
        "READ-ME-FIRST.txt",
        "load.csv",
        "offers",
        "site.toml",
        "solar.csv",
    }


def test_a_name_too_long_for_a_folder_is_one_clear_line(tmp_path: Path) -> None:
    """The system's refusal is told in a line, not as a traceback."""
    result = asked(tmp_path / ("x" * 300), ANSWERS)
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1
    assert "too long" in result.stderr


def test_parents_made_for_nothing_are_taken_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fails in the middle leaves neither the site nor the folders on the way to it."""

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("scheduler.inputs.new_site._read_back", fail)
    result = asked(tmp_path / "far" / "away" / "home", ANSWERS)
    assert result.exit_code == 2
    assert "No space left on device; nothing was changed" in result.stderr
    assert [path.name for path in tmp_path.iterdir()] == [".overnight-new-far-away-home.toml"]
