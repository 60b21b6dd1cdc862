"""One stretch of rolled days as a task of its own: which, what came of it, and its file."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import ForecastKind
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plans.replay import PlanRefused
from scheduler.rolling.flows import COLUMNS, NIGHT_COLUMNS, RolledFlows, rolled_flows
from scheduler.rolling.simulate import Policy, RolledNight, planning_times, rolled_nights
from scheduler.textio.array_cache import load_arrays, save_arrays
from scheduler.textio.fingerprint import fingerprint, program_fingerprint
from scheduler.textio.parse_time import local_text

_ARRAYS = ("minutes", "stored_kwh", "wear_cost", "on_the_way_cost", "out_of_battery_kwh")
_INSTANTS = ("start", "night_start", "night_end")
_NUMBERS = ("stored_before_kwh", "stored_energy_price")


@dataclass(frozen=True, slots=True, eq=False)
class RolledRun:
    """One stretch of days to roll.

    Attributes
    ----------
    name : what it is called in files and messages.
    inputs : the site, its series and one offer. first, last : local days.
    soc_percent : when the first day begins [%].
    forecast, policy : as rolled_nights takes them.
    """

    name: str
    inputs: Inputs
    first: date
    last: date
    soc_percent: float
    forecast: ForecastKind = "typical"
    policy: Policy = "plan"

    @property
    def nights(self) -> int:
        """How many nights there are to plan."""
        return len(planning_times(self.inputs, self.first, self.last)) - 1

    def key(self) -> str:
        """Hash of everything that decides the result, the program included."""
        inputs = self.inputs
        content = (inputs.site, inputs.offer, inputs.load, inputs.solar, inputs.recorded_trips)
        asked = (self.first, self.last, self.soc_percent, self.forecast, self.policy)
        return fingerprint(content, asked, program_fingerprint())

    def do(self, tick: Callable[[], None]) -> RolledFlows:
        """Plan and carry out every night, see roll."""
        return roll(self, tick)

    @staticmethod
    def keep(result: RolledFlows, key: str, file: Path) -> None:
        """Write a result, see keep."""
        keep(result, key, file)

    @staticmethod
    def kept(key: str, file: Path) -> RolledFlows | None:
        """A result that was kept, see kept."""
        return kept(key, file)


def roll(run: RolledRun, tick: Callable[[], None] = lambda: None) -> RolledFlows:
    """Plan and carry out every night of the run.

    Parameters
    ----------
    tick : called after each night.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused : as for a plan; the latter two say which night it was.
    """
    done: list[RolledNight] = []

    def nights() -> Iterator[RolledNight]:
        rolled = rolled_nights(run.inputs, run.first, run.last, run.soc_percent, run.forecast, run.policy)
        for night in rolled:
            done[:] = [night]
            yield night
            tick()

    try:
        return rolled_flows(nights(), run.first, run.last, run.inputs.site.timezone)
    except NoPlanError as error:
        raise NoPlanError(f"{error} ({_where(run, done)})") from None
    except PlanRefused as refused:
        raise PlanRefused((*refused.broken, _where(run, done))) from None


def keep(flows: RolledFlows, key: str, file: Path) -> None:
    """Write a result beside its place and move it there whole.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    content: dict[str, object] = {name: getattr(flows, name) for name in (*_ARRAYS, *_NUMBERS)}
    content |= {name: getattr(flows, name).as_unit("s").asi8 for name in _INSTANTS}
    content |= {f"energy.{name}": flows.energy[name] for name in COLUMNS}
    content |= {f"night.{name}": flows.night[name] for name in NIGHT_COLUMNS}
    save_arrays(content, key, file)


def kept(key: str, file: Path) -> RolledFlows | None:
    """A result that was kept, or None if there is none, or it is of something else or damaged."""
    content = load_arrays(key, file)
    if content is None:
        return None
    try:
        found: dict[str, Any] = {name: content[name] for name in _ARRAYS}
        found |= {name: float(content[name]) for name in _NUMBERS}
        found |= {name: _as_instants(content[name]) for name in _INSTANTS}
        found["energy"] = {name: content[f"energy.{name}"] for name in COLUMNS}
        found["night"] = {name: content[f"night.{name}"] for name in NIGHT_COLUMNS}
        return RolledFlows(**found)
    except (KeyError, ValueError, TypeError):
        return None


def _as_instants(seconds: np.ndarray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC")


def _where(run: RolledRun, done: list[RolledNight]) -> str:
    """Which night it was: the one after the last that was done."""
    timezone = run.inputs.site.timezone
    at = planning_times(run.inputs, run.first, run.last)[0]
    if done:
        at = done[0].real.boundaries[-1].to_pydatetime()
    return f"{run.name}, the night from {local_text(at, timezone)}"
