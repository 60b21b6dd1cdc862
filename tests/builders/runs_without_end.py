"""Runs that plan the same nights again and again until somebody ends them, and say when each has planned its first."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from scheduler.rolling.flows import RolledFlows
from scheduler.rolling.run import RolledRun, roll


@dataclass(frozen=True, slots=True)
class RunWithoutEnd:
    """A run of which no result ever comes."""

    run: RolledRun

    @property
    def nights(self) -> int:
        """How many nights each round has."""
        return self.run.nights

    def key(self) -> str:
        """Hash of the run behind it."""
        return self.run.key()

    def do(self, tick: Callable[[], None]) -> RolledFlows:
        """Plan, and begin anew; the first night is told in a line on standard output."""
        roll(self.run)
        os.write(sys.stdout.fileno(), b"a night is planned\n")  # in one piece: two processes write to one pipe
        while True:
            roll(self.run)

    def save(self, result: RolledFlows, key: str, file: Path) -> None:
        """Never called."""

    def load(self, key: str, file: Path) -> RolledFlows | None:
        """Nothing was kept."""
        return None
