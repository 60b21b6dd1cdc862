"""Runs over the cores of one machine: processes end with the one that called them, however it ended."""

from __future__ import annotations

import signal
from datetime import date
from pathlib import Path

import pytest

from scheduler.inputs.site_inputs import read_inputs
from scheduler.rolling.process_pool import results, work_of
from scheduler.rolling.run import RolledRun
from scheduler.textio.errors import NotWrittenError
from tests.builders.places import SCENARIOS
from tests.builders.processes import started

WITHOUT_END = """
import sys
from datetime import date
from pathlib import Path
from scheduler.inputs.site_inputs import read_inputs
from scheduler.rolling.process_pool import do, work_of
from scheduler.rolling.run import RolledRun
from tests.builders.runs_without_end import RunWithoutEnd

inputs = read_inputs(Path(sys.argv[1]))
days = date(2026, 2, 2), date(2026, 2, 3)
runs = {name: RunWithoutEnd(RolledRun(name, inputs, *days, 80.0)) for name in ("one", "two")}
for _ in do(work_of(runs, Path(sys.argv[2])), 2):
    pass
"""


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_no_process_outlives_the_one_that_called_it(tmp_path: Path, how: signal.Signals) -> None:
    """Killed outright while two processes plan nights without end, which it cannot tell: they end by themselves."""
    with started(WITHOUT_END, str(SCENARIOS / "bookbindery"), str(tmp_path)) as begun:
        begun.wait_for("a night is planned", times=2)
        begun.process.send_signal(how)
        begun.wait_for_all()


def test_a_result_that_is_gone_is_told(tmp_path: Path) -> None:
    """Results are read from their files: one that is not there is said by its name, with what to do."""
    inputs = read_inputs(SCENARIOS / "bookbindery")
    run = RolledRun("one", inputs, date(2026, 2, 2), date(2026, 2, 2), 80.0)
    work = work_of({"one": run}, tmp_path)
    assert work.done == frozenset()
    with pytest.raises(NotWrittenError, match=r"one\.npz is gone; run the same command again"):
        next(results(work))
