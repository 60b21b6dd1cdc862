"""`overnight compare` says what there is to do first, and how far it is where there is no terminal."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.cli.compare import begin_text
from scheduler.cli.progress import NightsShown
from scheduler.rolling.period import CompareOptions, parse_period
from tests.builders.plans import DEMO

OFFERS = (Path("offers/day-and-night.toml"),)
RUNNER = CliRunner()


def test_what_there_is_to_do_is_said_first(tmp_path: Path) -> None:
    """Runs, days, nights, the interval, the processes and the time; on standard error."""
    one = parse_period(CompareOptions(DEMO, OFFERS, "2026-03-03", "2026-03-16")).runs()["day-and-night.plan"]
    assert begin_text(16, 0, 210, one, 2, 95.0) == (
        "16 runs of 14 days each: 210 nights to plan in intervals of 60 minutes in 2 processes, about 2 minutes."
    )
    assert begin_text(4, 1, 45, one, 1, None) == (
        "4 runs of 14 days each, 1 of them done already: 45 nights to plan in intervals of 60 minutes."
    )
    assert "26 runs of 14 days each, 22 of them with other sizes: " in begin_text(26, 0, 104, one, 1, None, 22)
    command = ["compare", str(DEMO), str(OFFERS[0]), "--from", "2026-03-03", "--to", "2026-03-03", "--jobs", "1"]
    result = RUNNER.invoke(app, [*command, "--out", str(tmp_path / "out")])
    assert result.exit_code == 0, result.output
    assert "4 runs of 1 day each: 8 nights to plan in intervals of 60 minutes." in result.stderr
    again = RUNNER.invoke(app, [*command, "--out", str(tmp_path / "out")])
    assert again.stderr == ""


def test_a_line_a_minute_where_there_is_no_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    """By a clock of our own: nothing for a minute, then a line, and the next after another minute."""
    now = 0.0
    with NightsShown(lambda: now) as shown:
        shown.begin(SimpleNamespace(nights=600))  # type: ignore[arg-type]
        for seconds, nights in ((30, 50), (59.9, 99), (60, 100), (90, 150), (119.9, 199), (120, 200), (180, 600)):
            now = seconds
            shown.progress(nights)
    assert capsys.readouterr().err.splitlines() == [
        "100 of 600 nights done, about 5 minutes left.",
        "200 of 600 nights done, about 4 minutes left.",
        "600 of 600 nights done.",
    ]
