"""A task that rolls a number of days: what it rolls, its result, and the file that the result is saved in."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.request import ForecastKind, TripsKind
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.plans.replay import PlanRefused
from scheduler.rolling.flows import COLUMNS, NIGHT_COLUMNS, OTHER_COLUMNS, RolledFlows, rolled_flows
from scheduler.rolling.simulate import Policy, RolledNight, planning_times, rolled_nights
from scheduler.textio.array_cache import load_arrays, save_arrays
from scheduler.textio.fingerprint import fingerprint, program_fingerprint
from scheduler.textio.parse_time import local_text

_INSTANTS = ("start", "night_start", "night_end")
_NUMBERS = ("stored_before_kwh", "stored_energy_price")


@dataclass(frozen=True, slots=True, eq=False)
class RolledRun:
    """Days to roll.

    Attributes
    ----------
    name : what it is called in files and messages.
    inputs : the site, its series and one offer. first, last : local days.
    soc_percent : state of charge when the first day begins [%].
    forecast, policy, trips : what each plan knows, how the car is used, and which trips are expected; see
        `rolled_nights`.
    """

    name: str
    inputs: Inputs
    first: date
    last: date
    soc_percent: float
    forecast: ForecastKind = "typical"
    policy: Policy = "plan"
    trips: TripsKind = "recorded"

    @property
    def nights(self) -> int:
        """Return the number of nights to plan."""
        return len(planning_times(self.inputs, self.first, self.last)) - 1

    def key(self) -> str:
        """Return a hash of everything that decides the result, the source of the tool included."""
        inputs = self.inputs
        content = (inputs.site, inputs.offer, inputs.load, inputs.solar, inputs.recorded_trips)
        asked = (self.first, self.last, self.soc_percent, self.forecast, self.policy, self.trips)
        return fingerprint(content, asked, program_fingerprint())

    def do(self, tick: Callable[[], None]) -> RolledFlows:
        """Plan and carry out every night, and return the flows; `tick` is called after each night."""
        return roll(self, tick)

    @staticmethod
    def save(result: RolledFlows, key: str, file: Path) -> None:
        """Write a result into its file, whole or not at all.

        Raises
        ------
        NotWrittenError : nothing was written.
        """
        save_arrays(flows_content(result), key, file)

    @staticmethod
    def load(key: str, file: Path) -> RolledFlows | None:
        """Return a saved result; None if there is none, or if it was saved under another key or is damaged."""
        content = load_arrays(key, file)
        if content is None:
            return None
        try:
            return flows_from_content(content)
        except (KeyError, ValueError, TypeError):
            return None


def flows_content(flows: RolledFlows) -> dict[str, object]:
    """Return flows as arrays and numbers by name, to be saved."""
    content: dict[str, object] = {name: getattr(flows, name) for name in (*OTHER_COLUMNS, *_NUMBERS)}
    content |= {name: getattr(flows, name).as_unit("s").asi8 for name in _INSTANTS}
    content |= {f"energy.{name}": flows.energy[name] for name in COLUMNS}
    return content | {f"night.{name}": flows.night[name] for name in NIGHT_COLUMNS}


def flows_from_content(content: Mapping[str, Any]) -> RolledFlows:
    """Return the flows that `flows_content` gave.

    Raises
    ------
    KeyError, ValueError, TypeError : something is missing or is not what it should be.
    """
    found: dict[str, Any] = {name: content[name] for name in OTHER_COLUMNS}
    found |= {name: float(content[name]) for name in _NUMBERS}
    found |= {name: _as_instants(content[name]) for name in _INSTANTS}
    found["energy"] = {name: content[f"energy.{name}"] for name in COLUMNS}
    found["night"] = {name: content[f"night.{name}"] for name in NIGHT_COLUMNS}
    return RolledFlows(**found)


def roll(run: RolledRun, tick: Callable[[], None] = lambda: None) -> RolledFlows:
    """Plan and carry out every night of the run, and return what flowed.

    Parameters
    ----------
    tick : called after each night.

    Raises
    ------
    InputFaults, NoPlanError, PlanRefused : as for a plan; the last two name the night.
    """
    done: list[RolledNight] = []

    def nights() -> Iterator[RolledNight]:
        rolled = rolled_nights(run.inputs, run.first, run.last, run.soc_percent, run.forecast, run.policy, run.trips)
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


def _as_instants(seconds: np.ndarray) -> pd.DatetimeIndex:
    return pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC")


def _where(run: RolledRun, done: list[RolledNight]) -> str:
    """Return which night failed, as text: the one after the last that was done."""
    timezone = run.inputs.site.timezone
    at = planning_times(run.inputs, run.first, run.last)[0]
    if done:
        at = done[0].real.boundaries[-1].to_pydatetime()
    return f"{run.name}, the night from {local_text(at, timezone)}"
