"""One run of a sweep as a task of its own: a rolled period, of which only its row and its nights are kept.

Without the flows of its intervals a run of a year takes 25 kB instead of half a megabyte. Its file is named by the hash
that decides its result, without the number of the run.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.base.arrays import FloatArray, IntArray
from scheduler.inputs.site_inputs import Inputs
from scheduler.rolling.flows import NIGHT_COLUMNS, RolledFlows
from scheduler.rolling.run import RolledRun, roll
from scheduler.sweep.grid import GridPoint
from scheduler.sweep.rows import Row, run_row
from scheduler.textio.array_cache import load_arrays, save_arrays
from scheduler.textio.fingerprint import fingerprint, program_fingerprint


@dataclass(frozen=True, slots=True, eq=False)
class SweepResult:
    """What is kept of a run.

    Attributes
    ----------
    row : by name of column of the table of runs, without what depends on other runs.
    night_start, night_end : of each night, seconds since 1970 UTC, shape (nights,).
    night : by name of NIGHT_COLUMNS, each of shape (nights,).
    """

    row: Row
    night_start: IntArray
    night_end: IntArray
    night: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True, eq=False)
class SweepRun:
    """A run of the grid, with everything it needs.

    Attributes
    ----------
    point : of the grid. run : the period to roll. data : hash of the offer and the series, see hash_of_data.
    """

    point: GridPoint
    run: RolledRun
    data: str

    @property
    def nights(self) -> int:
        """Return the number of nights to plan."""
        return self.run.nights

    def question(self) -> str:
        """Return the hash of everything but the program that decides the result."""
        run = self.run
        asked = (run.first, run.last, run.soc_percent, run.forecast, run.policy, run.trips)
        return fingerprint(self.point, self.data, run.inputs.site, asked)

    def key(self) -> str:
        """Return the hash of everything that decides the result, the program included."""
        return fingerprint(self.question(), program_fingerprint())

    def do(self, tick: Callable[[], None]) -> SweepResult:
        """Return the result, after planning and carrying out every night.

        Parameters
        ----------
        tick : called after each night.

        Raises
        ------
        InputFaults, NoPlanError, PlanRefused : of a night.
        """
        return sweep_result(self.point, self.run, roll(self.run, tick))

    @staticmethod
    def save(result: SweepResult, key: str, file: Path) -> None:
        """Write a result to its file, whole or not at all.

        Raises
        ------
        NotWrittenError : nothing was written.
        """
        content: dict[str, object] = {f"night.{name}": result.night[name] for name in NIGHT_COLUMNS}
        content |= {"night_start": result.night_start, "night_end": result.night_end}
        save_arrays(content | {"row": json.dumps(result.row)}, key, file)

    @staticmethod
    def load(key: str, file: Path) -> SweepResult | None:
        """Return a result that was kept; None if there is none, or it is of another run or damaged."""
        content = load_arrays(key, file)
        if content is None:
            return None
        try:
            night = {name: content[f"night.{name}"] for name in NIGHT_COLUMNS}
            return SweepResult(json.loads(str(content["row"])), content["night_start"], content["night_end"], night)
        except (KeyError, ValueError):
            return None


def sweep_result(point: GridPoint, run: RolledRun, flows: RolledFlows) -> SweepResult:
    """Return what is kept of a run that was rolled."""
    start, end = (instants.as_unit("s").asi8 for instants in (flows.night_start, flows.night_end))
    night = {name: np.asarray(flows.night[name], dtype=np.float64) for name in NIGHT_COLUMNS}
    return SweepResult(run_row(point, run, flows), start, end, night)


def hash_of_data(inputs: Inputs) -> str:
    """Return the hash of the offer and the series, which many runs share."""
    return fingerprint(inputs.offer, inputs.load, inputs.solar, inputs.recorded_trips)
