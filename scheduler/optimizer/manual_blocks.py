"""Blocks that a person sets: what the charger then does, and whether they keep to the setting."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from scheduler.inputs.control_mode import Action
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers

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


def without_pauses_at_its_ends(night: Night, block: Block) -> Block:
    """Return a block that covers the building without the intervals at its ends in which the charger pauses.

    It stays as long as the setting demands.
    """
    runs = np.maximum(0.0, night.load_kw - night.solar_kw) >= night.charger.discharge_min_kw

    def long_enough(first: int, last: int) -> bool:
        return first < last and 60 * night.hours[first:last].sum() >= night.setting.min_block_minutes - TOLERANCE

    first, last = block.first, block.last
    while not runs[last - 1] and long_enough(first, last - 1):
        last -= 1
    while not runs[first] and long_enough(first + 1, last):
        first += 1
    return replace(block, first=first, last=last)


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


def broken_setting(night: Night, setpoints: Setpoints, blocks: tuple[Block, ...]) -> Iterator[str]:
    """Yield every way in which blocks do not keep to the night's setting, in words."""
    setting = night.setting
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
