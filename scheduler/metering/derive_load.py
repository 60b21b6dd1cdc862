"""Derive the building's load and solar from metered flows: load = import − export + generation, without the car."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from scheduler.metering.align_channels import MeteredFlows
from scheduler.metering.fill_gaps import LOAD_DAYS, SOLAR_DAYS, Filled, check_gaps, filled
from scheduler.textio.errors import single_fault
from scheduler.textio.parse_time import local_text

ROUNDING_KW = 0.02
"""A load below 0 by no more than this comes from the rounding of registers [kW]."""


@dataclass(frozen=True, slots=True, eq=False)
class MeteredLoad:
    """Load and solar of each interval, without gaps.

    Attributes
    ----------
    start : of each interval, UTC, regular, shape (n,).
    step_minutes : length of the intervals [min].
    load_kwh : energy the building used, without the car's charger where that is metered [kWh], shape (n,).
    solar_kwh : energy that was generated [kWh], shape (n,); None where the files do not show solar.
    filled : every gap that was filled, in time order.
    notes : one sentence each.
    """

    start: pd.DatetimeIndex
    step_minutes: int
    load_kwh: FloatArray
    solar_kwh: FloatArray | None
    filled: tuple[Filled, ...]
    notes: tuple[str, ...]


def metered_load(
    flows: MeteredFlows,
    timezone: str,
    car: MeteredFlows | None = None,
    file: str = "the meter files",
    car_file: str = "",
) -> MeteredLoad:
    """Derive load and solar of a span.

    Without a generation channel, export counts as solar and import as load: solar that the building uses directly is in
    neither, and their difference is right.

    Parameters
    ----------
    car : flows of the car's own meter over the same span, subtracted from the load; what it exports is added back.
    file, car_file : files that faults name.

    Raises
    ------
    InputFaults : no import channel, a load under 0 by more than rounding, gaps that are too many or too long, a gap in
        the car's meter.
    """
    notes: list[str] = []
    _check_import(flows, file)
    net_kwh = flows.import_kwh - flows.export_kwh
    if car is not None:
        _check_car(flows, car, timezone, car_file)
        net_kwh = net_kwh - (car.import_kwh - car.export_kwh)
        if car.has_export:
            notes.append("The car's meter counts export too: what the car discharged was added back to the load.")
    if flows.generation_kwh is not None:
        solar_kwh: FloatArray | None = flows.generation_kwh
        load_kwh = net_kwh + flows.generation_kwh
    elif flows.has_export:
        solar_kwh = flows.export_kwh
        load_kwh = net_kwh + flows.export_kwh
        notes.append(
            "There is export but no generation channel: export counts as solar, and import as load. The solar that "
            "the building uses directly is in neither; their difference is right."
        )
    else:
        solar_kwh, load_kwh = None, net_kwh
    load_kwh = _without_rounding(load_kwh, flows, timezone, car_file if car is not None else "", file, notes)
    missing = np.isnan(load_kwh) if solar_kwh is None else np.isnan(load_kwh) | np.isnan(solar_kwh)
    if not missing.any():
        return MeteredLoad(flows.start, flows.step_minutes, load_kwh, solar_kwh, (), tuple(notes))
    check_gaps(missing, flows.start, flows.step_minutes, timezone, file)
    load_kwh, solar_kwh, done = _filled(flows, net_kwh, load_kwh, solar_kwh, timezone, file)
    return MeteredLoad(flows.start, flows.step_minutes, load_kwh, solar_kwh, done, tuple(notes))


def _check_import(flows: MeteredFlows, file: str) -> None:
    """Refuse flows without an import channel."""
    if not any(channel.kind == "import" for channel in flows.channels):
        raise single_fault(file, "there is no import channel; expected at least one")


def _check_car(flows: MeteredFlows, car: MeteredFlows, timezone: str, car_file: str) -> None:
    """Refuse a car's meter with other intervals, with generation, or that does not cover the span."""
    _check_import(car, car_file)
    if car.step_minutes != flows.step_minutes:
        message = (
            f"it has intervals of {car.step_minutes} minutes; expected those of the site, {flows.step_minutes} minutes"
        )
        raise single_fault(car_file, message)
    if car.generation_kwh is not None:
        raise single_fault(car_file, "it has a generation channel; expected only import and export of a car's meter")
    if not car.start.equals(flows.start):
        message = "its intervals begin at other minutes than those of the site; expected the same intervals"
        raise single_fault(car_file, message)
    if car.gaps:
        gap = car.gaps[0]
        begin, end = (local_text(instant.to_pydatetime(), timezone) for instant in (gap.begin, gap.end))
        message = (
            f"{gap.channel} has no values from {begin} to {end}; expected a file that covers the span; "
            "or choose a span that it covers with --from and --to"
        )
        raise single_fault(car_file, message)


def _without_rounding(
    load_kwh: FloatArray, flows: MeteredFlows, timezone: str, car_file: str, file: str, notes: list[str]
) -> FloatArray:
    """Return the load with values just under 0 from rounding set to 0; refuse values further under 0."""
    below = np.flatnonzero(load_kwh < 0)
    if not len(below):
        return load_kwh
    kw = load_kwh * (60 / flows.step_minutes)
    far = below[kw[below] <= -ROUNDING_KW - 1e-9]
    if len(far):
        at = local_text(flows.start[int(far[0])].to_pydatetime(), timezone)
        why = (
            "is this the car of this site, and was it charged from solar that no channel counts?"
            if car_file
            else "is a generation channel missing, or is a channel of another kind? Give its kind with --as NAME=KIND"
        )
        message = (
            f"the load of {at} is {kw[int(far[0])]:.3f} kW (intervals under 0 by more than rounding: {len(far)}); "
            f"expected 0 or more: {why}"
        )
        raise single_fault(car_file or file, message)
    notes.append(f"Load just under 0 from the rounding of registers was set to 0; intervals: {len(below)}.")
    return np.where(load_kwh < 0, 0.0, load_kwh)


def _filled(
    flows: MeteredFlows,
    net_kwh: FloatArray,
    load_kwh: FloatArray,
    solar_kwh: FloatArray | None,
    timezone: str,
    file: str,
) -> tuple[FloatArray, FloatArray | None, tuple[Filled, ...]]:
    """Fill the gaps of load and solar.

    Where only the generation is missing, import and export stay as metered: solar is at least what they show, and the
    load follows from them.

    Returns
    -------
    Load and solar [kWh], shapes (n,), and the gaps that were filled.
    """
    done: list[Filled] = []

    def fill(values: FloatArray, which: BoolArray, days: tuple[int, ...], series: str) -> FloatArray:
        whole, gaps = filled(values, which, flows.start, flows.step_minutes, timezone, days, series, file)
        done.extend(gaps)
        return whole

    if solar_kwh is not None:
        no_solar = np.isnan(solar_kwh)
        solar_kwh = fill(solar_kwh, no_solar, SOLAR_DAYS, "solar")
        if flows.generation_kwh is not None:
            follows = no_solar & ~np.isnan(net_kwh)
            solar_kwh = np.where(follows, np.maximum(solar_kwh, -net_kwh), solar_kwh)
            load_kwh = np.where(follows, net_kwh + solar_kwh, load_kwh)
    load_kwh = fill(load_kwh, np.isnan(load_kwh), LOAD_DAYS, "load")
    return load_kwh, solar_kwh, tuple(sorted(done, key=lambda gap: (gap.begin, gap.series)))
