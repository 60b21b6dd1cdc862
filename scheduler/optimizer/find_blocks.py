"""Blocks: the plan's intervals as the few things a person sets."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from models.base.arrays import FloatArray, runs
from scheduler.inputs.control_mode import Action
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.setpoints import Setpoints

SAME_POWER_KW = 0.05
"""Powers closer than this are one setting [kW]."""
NOTHING_TO_SET_KW = 0.001
"""A charger that stands by below this power needs no setting [kW]."""
SAME_ENERGY_KWH, SAME_SHARE = 0.02, 0.02
"""A run that differs from following the building by less than this [kWh], and this share of it, follows it."""


def find_blocks(night: Night, setpoints: Setpoints) -> tuple[Block, ...]:
    """Return the plan's blocks in time order."""
    found = []
    for first, last in runs(setpoints.charging):
        found += list(_charge_blocks(night, setpoints.charge_kw, first, last))
    for first, last in runs(setpoints.discharging):
        found += list(_discharge_blocks(night, setpoints.discharge_kw, first, last))
    something = (block for block in found if block.kw >= NOTHING_TO_SET_KW)
    return tuple(sorted(something, key=lambda block: block.first))


def _charge_blocks(night: Night, charge_kw: FloatArray, first: int, last: int) -> Iterator[Block]:
    """Cut a run where the power changes."""
    while first < last:
        end = _constant_until(charge_kw, first, last)
        yield _block(night, charge_kw, first, end, "charge")
        first = end


def _discharge_blocks(night: Night, discharge_kw: FloatArray, first: int, last: int) -> Iterator[Block]:
    """Cut a run where following the building ends or the power changes, each block as long as it can be."""
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    always_follows = night.charger.discharge_to == "building"
    while first < last:
        constant = _constant_until(discharge_kw, first, last)
        follows = _follows_until(night, discharge_kw, draw, first, last)
        end = max(constant, follows)
        if always_follows or follows >= constant:
            yield Block(first, end, "cover", *_cap(night, discharge_kw, first, end))
        else:
            yield _block(night, discharge_kw, first, end, "discharge")
        first = end


def _constant_until(power_kw: FloatArray, first: int, last: int) -> int:
    """Return the end of the longest stretch from first whose powers are one setting."""
    end = first + 1
    while end < last and np.ptp(power_kw[first : end + 1]) <= SAME_POWER_KW:
        end += 1
    return end


def _follows_until(night: Night, discharge_kw: FloatArray, draw_kw: FloatArray, first: int, last: int) -> int:
    """Return the end of the longest stretch that covers the building's draw up to one power; `first` if none does.

    A constant power under the draw all along is not following. Nor is the least power where the draw is under it: a
    charger that covers the building would stand idle there.
    """
    end = first
    for candidate in range(first + 1, last + 1):
        if draw_kw[candidate - 1] < night.charger.discharge_min_kw - SAME_POWER_KW:
            break
        stretch = slice(first, candidate)
        covered = np.minimum(draw_kw[stretch], discharge_kw[stretch].max())
        off = np.abs(discharge_kw[stretch] - covered) * night.hours[stretch]
        reaches_the_draw = bool(np.any(draw_kw[stretch] - discharge_kw[stretch] <= SAME_POWER_KW))
        given = float(night.hours[stretch] @ discharge_kw[stretch])
        if off.sum() > SAME_ENERGY_KWH + SAME_SHARE * given:
            break
        if reaches_the_draw:
            end = candidate
    return end


def _block(night: Night, power_kw: FloatArray, first: int, last: int, action: Action) -> Block:
    """Return a block at the mean power of its intervals."""
    hours = night.hours[first:last]
    kw = float(hours @ power_kw[first:last] / hours.sum())
    return Block(first, last, action, kw, night.charger.amps(kw))


def _cap(night: Night, discharge_kw: FloatArray, first: int, last: int) -> tuple[float, float]:
    """Return the most power of a stretch [kW] and its current [A]."""
    kw = float(discharge_kw[first:last].max())
    return kw, night.charger.amps(kw)
