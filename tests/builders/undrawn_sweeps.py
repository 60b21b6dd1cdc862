"""Sweeps whose figures and page are not drawn, for tests that look at the numbers."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest


@contextmanager
def undrawn_sweeps() -> Iterator[None]:
    """Leave out the twelve figures and make the page empty while the block lasts.

    Drawing takes more time than a run of some nights. `tests/scheduler/sweep/test_sweep.py` and `test_page.py` show
    what is drawn, and that it is made from runs.csv and the manifest alone.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("scheduler.sweep.sweep.write_figures", lambda runs, currency, folder: None)
        patch.setattr("scheduler.sweep.sweep.sweep_page", lambda runs, manifest: "")
        yield
