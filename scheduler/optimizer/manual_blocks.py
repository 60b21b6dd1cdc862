"""Blocks that a person sets: what the charger then does, and whether they keep to the setting."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from scheduler.inputs.control_mode import CHARGING, Action
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers
from scheduler.textio.format import clock_text

END_TOLERANCE_KWH = 1e-6
"""How far stored energy may be off the limit at which a block ends by itself [kWh]."""
TOLERANCE = 1e-6
"""Most by which a power [kW], a current [A] or a length [min] may be off."""


def blocks_from(
    night: Night, action: Action, is_set: BoolArray, begins: BoolArray, power_kw: FloatArray
) -> Iterator[Block]:
    """Yield blocks of one action from when one is set, where one begins, and its power [kW]; arrays of shape (n,)."""
    firsts = np.flatnonzero(is_set & begins)
    for first in firsts:
        last = int(first) + 1
        while last < night.intervals and is_set[last] and not begins[last]:
            last += 1
        kw = float(power_kw[first])
        if night.setting.set_by == "current":
            kw = round(night.charger.amps(kw)) / night.charger.amps(1.0)
        yield Block(int(first), last, action, kw, night.charger.amps(kw))


class MadeSetting(NamedTuple):
    """What a person does at the charger at a boundary: begin the block of a number, or end it."""

    boundary: int
    block: int
    begins: bool


def settings_made(night: Night, blocks: Sequence[Block], stored_kwh: FloatArray) -> tuple[MadeSetting, ...]:
    """Return what a person does at the charger, in time order.

    Each block is begun. It is ended where nothing follows directly, unless it ends by itself: full or empty, as the car
    departs, with the night, or at a state of charge that was set.

    Parameters
    ----------
    blocks : in time order. stored_kwh : at each boundary [kWh], shape (n + 1,).
    """
    found = []
    is_set, full_from_kwh = night.end_is_set, night.full_from_kwh
    for number, block in enumerate(blocks):
        found.append(MadeSetting(block.first, number, True))
        stored, last = float(stored_kwh[block.last]), block.last
        if block.action in CHARGING:
            by_itself = stored >= full_from_kwh[last] - END_TOLERANCE_KWH
        else:
            by_itself = stored <= night.empty_until_kwh + END_TOLERANCE_KWH
        follows = number + 1 < len(blocks) and blocks[number + 1].first == last
        if is_set[last] and not by_itself and not follows:
            found.append(MadeSetting(last, number, False))
    return tuple(found)


def at_night(night: Night, made: Iterable[MadeSetting]) -> tuple[MadeSetting, ...]:
    """Return the settings that lie outside the clock times at which a person sets the charger."""
    is_waking = night.is_waking
    return tuple(each for each in made if not is_waking[each.boundary])


def without_pauses(night: Night, blocks: Sequence[Block], stored_kwh: FloatArray) -> tuple[Block, ...]:
    """Return blocks without the intervals at their ends in which a charger that covers the building pauses.

    A block stays as long as the setting demands, and a person sets no more, nor at other hours.

    Parameters
    ----------
    blocks : in time order. stored_kwh : at each boundary [kWh], shape (n + 1,).
    """
    runs = np.maximum(0.0, night.load_kw - night.solar_kw) >= night.charger.discharge_min_kw

    def effort(blocks: Sequence[Block]) -> tuple[int, int]:
        made = settings_made(night, blocks, stored_kwh)
        return (len(at_night(night, made)), len(made)) if night.counts_settings else (0, 0)

    found = list(blocks)

    def shortened(number: int, first: int, last: int) -> bool:
        shorter = [*found[:number], replace(found[number], first=first, last=last), *found[number + 1 :]]
        if 60 * night.hours[first:last].sum() < night.setting.min_block_minutes - TOLERANCE or first >= last:
            return False
        if effort(shorter) > effort(found):
            return False
        found[number] = shorter[number]
        return True

    for number, block in enumerate(found):
        first, last = block.first, block.last
        if block.action == "cover":
            while not runs[last - 1] and shortened(number, first, last - 1):
                last -= 1
            while not runs[first] and shortened(number, first + 1, last):
                first += 1
    return tuple(found)


def setpoints_of(night: Night, blocks: tuple[Block, ...], curtailed_kw: FloatArray | None = None) -> Setpoints:
    """Return what a charger with these blocks set does: one power, or the building's draw up to it.

    A charger that covers the building pauses where the draw is under its least power.
    """
    charge, discharge = np.zeros(night.intervals), np.zeros(night.intervals)
    charging, discharging = np.zeros(night.intervals), np.zeros(night.intervals)
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    for block in blocks:
        at = block.intervals
        if block.action == "charge":
            charge[at], charging[at] = block.kw, 1.0
        elif block.action == "discharge":
            discharge[at], discharging[at] = block.kw, 1.0
        else:
            runs = draw[at] >= night.charger.discharge_min_kw
            discharge[at], discharging[at] = np.where(runs, np.minimum(draw[at], block.kw), 0.0), runs
    return setpoints_from_powers(night, charge, discharge, charging, discharging, curtailed_kw)


def broken_setting(
    night: Night, setpoints: Setpoints, blocks: tuple[Block, ...], stored_kwh: FloatArray, most_at_night: int = 0
) -> Iterator[str]:
    """Yield every way in which blocks do not keep to the night's setting, in words.

    Parameters
    ----------
    stored_kwh : that they lead to at each boundary [kWh], shape (n + 1,).
    most_at_night : settings that may lie outside the hours in which a person sets the charger.
    """
    setting = night.setting
    late = at_night(night, settings_made(night, blocks, stored_kwh))
    if len(late) > most_at_night:
        times = ", ".join(clock_text(night.boundaries[each.boundary].to_pydatetime(), night.timezone) for each in late)
        yield f"settings at {times}, outside the hours in which a person makes them"
    if len(blocks) > setting.max_blocks:
        yield f"{len(blocks)} blocks, more than the {setting.max_blocks} allowed"
    for earlier, later in pairwise(blocks):
        if later.first < earlier.last:
            yield f"blocks that overlap, at interval {later.first}"
    for block in blocks:
        minutes = 60 * float(night.hours[block.intervals].sum())
        at_the_end = block.last == night.intervals
        if minutes < setting.min_block_minutes - TOLERANCE and not at_the_end:
            yield f"a block of {minutes:g} minutes, shorter than the {setting.min_block_minutes} allowed"
        if setting.set_by == "current" and abs(block.amps - round(block.amps)) > TOLERANCE:
            yield f"a block of {block.amps:.6f} A, no whole current"
    follows = setpoints_of(night, blocks)
    off = np.abs(setpoints.charge_kw - follows.charge_kw) + np.abs(setpoints.discharge_kw - follows.discharge_kw)
    worst = int(np.argmax(off))
    if not off[worst] <= TOLERANCE:
        yield f"setpoints that its blocks do not give, by {off[worst]:.6f} kW in interval {worst}"
