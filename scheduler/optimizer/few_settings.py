"""Few settings: what a schedule asks to be set, and the shapes near it that ask for less.

A setting is where a block starts, or its action or power changes; a block that covers the building, or takes the
surplus, is one setting however its power varies. Among equally cheap schedules the one with the fewest settings is
taken. Which one that is no linear program tells: a schedule is taken as it is found, and its blocks are joined or left
out one move at a time. Each shape that comes of it is a linear program, whose money says whether it is as cheap.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.inputs.control_mode import CHARGING, Action
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import SAME_POWER_KW, find_blocks
from scheduler.optimizer.setpoints import Setpoints
from scheduler.optimizer.smoothing import Changes

SETTING_EFFORT = 500
"""Linear programs times intervals spent on shapes with fewer settings."""
VARIES = ("cover", "surplus")
"""Actions whose power varies within a block."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """What a schedule is held to while its powers are free.

    Attributes
    ----------
    blocks : its settings, in time order.
    powers : where it runs, and about which powers it has; those of blocks that vary exactly.
    stays : whether the power is that of the interval before, shape (n,).
    given : whether the power is exactly that of `powers`, shape (n,).
    """

    blocks: tuple[Block, ...]
    powers: Setpoints
    stays: BoolArray
    given: BoolArray


def settings_of(night: Night, powers: Setpoints) -> tuple[Block, ...]:
    """Return what a schedule asks to be set, in time order."""
    blocks = find_blocks(night, powers)
    if not night.charger.can_follow_surplus:
        return blocks
    surplus_kw = np.maximum(0.0, night.solar_kw - night.load_kw)
    found: list[Block] = []
    for block in blocks:
        at = block.intervals
        if block.action == "charge" and bool((powers.charge_kw[at] <= surplus_kw[at] + SAME_POWER_KW).all()):
            block = replace(block, action="surplus")
        if found and found[-1].action == block.action == "surplus" and found[-1].last == block.first:
            block = replace(block, first=found.pop().first)
        found.append(block)
    return tuple(found)


def change_between_settings(blocks: tuple[Block, ...], powers: Setpoints) -> float:
    """Return the change of power inside runs, without what varies within a block that covers or takes surplus [kW]."""
    signed = powers.charge_kw - powers.discharge_kw
    same_way = (powers.charging[1:] & powers.charging[:-1]) | (powers.discharging[1:] & powers.discharging[:-1])
    change = np.abs(np.diff(signed)) * same_way
    for block in blocks:
        if block.action in VARIES:
            change[block.first : block.last - 1] = 0.0
    return float(change.sum())


def shape_of(blocks: tuple[Block, ...], powers: Setpoints) -> Shape:
    """Return the shape of a schedule with its settings."""
    n = len(powers.charge_kw)
    charging, stays, given = np.zeros(n), np.zeros(n, np.bool_), np.zeros(n, np.bool_)
    discharging = charging.copy()
    for block in blocks:
        (charging if block.action in CHARGING else discharging)[block.intervals] = 1.0
        (given if block.action in VARIES else stays)[block.intervals] = True
        stays[block.first] = False
    held = Setpoints(
        powers.charge_kw * charging, powers.discharge_kw * discharging, charging, discharging, powers.curtailed_kw
    )
    return Shape(blocks, held, stays, given)


def shapes_with_less(night: Night, blocks: tuple[Block, ...], powers: Setpoints) -> Iterator[Shape]:
    """Yield shapes near a schedule's with fewer settings: neighbours in one run joined, or one block left out.

    Blocks that are joined run at their mean power, or cover the building: up to the charger's power, or up to that
    which gives the same energy.
    """
    for group in _neighbours(blocks):
        first, last = group[0], group[-1]
        rest = tuple(block for block in blocks if block not in group)
        for action, kw in _joined(night, slice(first.first, last.last), first.action, powers):
            joined = replace(first, last=last.last, action=action, kw=float(kw.max()))
            yield shape_of(tuple(sorted((*rest, joined), key=lambda block: block.first)), _with(powers, joined, kw))
    for block in blocks:
        yield shape_of(tuple(other for other in blocks if other is not block), powers)


def _neighbours(blocks: tuple[Block, ...]) -> Iterator[tuple[Block, ...]]:
    """Yield blocks of one direction that follow each other without a pause: all of a run, then two by two."""
    run: list[Block] = []
    for block in (*blocks, None):
        if block is not None and run and run[-1].last == block.first and _way(run[-1]) == _way(block):
            run.append(block)
            continue
        if len(run) > 2:
            yield tuple(run)
        yield from itertools.pairwise(run)
        run = [] if block is None else [block]


def _way(block: Block) -> bool:
    return block.action in CHARGING


def _joined(night: Night, at: slice, action: Action, powers: Setpoints) -> Iterator[tuple[Action, FloatArray]]:
    """Yield the actions of one block in place of several, with its powers [kW], shape (its intervals,)."""
    hours = night.hours[at]
    kw = (powers.charge_kw if action in CHARGING else powers.discharge_kw)[at]
    energy = float(hours @ kw)
    if action in CHARGING or night.charger.discharge_to != "building":
        yield "charge" if action in CHARGING else "discharge", np.full(len(kw), energy / float(hours.sum()))
    if action in CHARGING:
        return
    charger = night.charger
    draw = np.minimum(np.maximum(0.0, night.load_kw - night.solar_kw)[at], charger.discharge_max_kw)
    if draw.min() < charger.discharge_min_kw - SAME_POWER_KW or draw.min() <= 0:
        return
    draw = np.maximum(draw, charger.discharge_min_kw)
    yield "cover", draw
    if float(hours @ draw) > energy:
        cap = _cap_with(energy, hours, draw)
        if cap >= charger.discharge_min_kw:
            yield "cover", np.minimum(draw, cap)


def _cap_with(energy_kwh: float, hours: FloatArray, draw_kw: FloatArray) -> float:
    """Return the power up to which a draw is covered with so much energy [kW], less than the whole."""
    order = np.argsort(draw_kw, kind="stable")
    draw, length = draw_kw[order], hours[order]
    below = np.concatenate([[0.0], np.cumsum(draw * length)[:-1]])
    caps = (energy_kwh - below) / np.cumsum(length[::-1])[::-1]
    return float(caps[np.argmax(caps <= draw)])


def _with(powers: Setpoints, block: Block, kw: FloatArray) -> Setpoints:
    """Return powers with those of one block changed."""
    name = "charge_kw" if block.action in CHARGING else "discharge_kw"
    changed = getattr(powers, name).copy()
    changed[block.intervals] = kw
    return replace(powers, **{name: changed})


def held_columns(
    shape: Shape, columns: dict[str, IntArray], changes: Changes, first_change: int, most_kw: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return which columns of a program a shape bounds, with their lower and upper bounds.

    Parameters
    ----------
    columns : by name. changes, first_change : of power, and the number of their first column.
    most_kw : by how much each pair's power may change inside a block that has one power [kW], shape (pairs,).
    """
    stays = shape.stays[changes.later]
    change = first_change + np.flatnonzero(stays)
    given = np.flatnonzero(shape.given)
    names = ("charge_kw", "discharge_kw")
    power = np.concatenate([columns[name][given] for name in names])
    value = np.concatenate([getattr(shape.powers, name)[given] for name in names])
    return (
        np.concatenate([change, power]),
        np.concatenate([np.zeros(len(change)), value]),
        np.concatenate([most_kw[stays], value]),
    )
