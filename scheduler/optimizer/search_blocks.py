"""Plans set by hand, found in bounded effort: from coarse edges of blocks to fine ones, and from plan to plan.

A program of quarter hours set by hand has a relaxation far from its best plan, so that proving the best takes minutes.
Finding it does not. First blocks begin and end on the hour alone, which is as small as a program of hours. Then every
edge of the plan at hand may move by a few intervals at once, all powers free, until no such move gains. The whole
program is solved last, from that plan and for a fixed number of nodes: it finds what the moves could not and says how
much cheaper a plan could be. All limits count nodes and rounds, never time, so that a plan does not depend on the
machine's speed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.lexicographic import HELD, TIE_GAP_SHARE, NoPlanError, Program, Stage
from scheduler.optimizer.matrix_builder import Addition
from scheduler.optimizer.objectives import OBJECTIVES

TIMING = "charge_late_discharge_early"
REACH_SHARE = 1 / 32
"""How far an edge of a block may move at once, as a share of all intervals: of quarter hours in a day, by three."""
ROUNDS = 8
"""How often, at most, all edges are moved for one objective."""
HOUR_GAPS = 4
"""The plan on the hour is found to so many times the gap."""
TIE_ROUNDS = 2
"""How often for a choice among equally cheap plans."""
HOUR_NODES, MOVE_NODES, TIE_NODES = 200, 200, 5
"""Branch-and-bound nodes for the plan on the hour, for one move of all edges, and for one among equally cheap plans."""
PROOF_EFFORT = 200
"""Branch-and-bound nodes times intervals spent on the whole program once the moves gain nothing more."""
DIRECT_INTERVALS = 36
"""Up to so many intervals the whole program is solved at once, to its gap."""
COARSE_SHARE = 0.5
"""Blocks on the hour are tried where they leave at most this share of the intervals for an edge."""


def least_money_by_hand(stage: Stage, night: Night, gap: float) -> Stage:
    """Return the plan set by hand with least shortages, in their order, and then the least money that is found.

    The stage's gap bounds how much cheaper a plan of the same shortages could be.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    served = stage.on(stage.program.without_shortages())
    found = _on_the_hour(served, night, gap) or served.cheapest(highspy.kHighsInf)
    if found is not None:
        return _refined(found, gap)
    for shortage in OBJECTIVES[:3]:
        stage = stage.minimised(shortage, gap=HELD).holding(shortage, HELD)
    return _refined(stage.settled("least_money"), gap)


def well_timed(stage: Stage, gap: float) -> Stage:
    """Return the plan that charges late and discharges early, sought in a few moves of all edges.

    Parameters
    ----------
    gap : within this much of the best move, or TIE_GAP_SHARE of it [kWh h].
    """
    stage = stage.settled(TIMING)
    return moved(stage, TIMING, max(gap, TIE_GAP_SHARE * stage.value(TIMING)), TIE_ROUNDS, TIE_NODES)


def fewest_blocks(stage: Stage) -> Stage:
    """Return a plan with as few blocks as are found to do: one is left out, or two are joined, and edges move."""
    fewer: Stage | None = stage
    while fewer is not None:
        stage = fewer
        fewer = next(_one_block_less(stage), None)
    return stage


def moved(stage: Stage, objective: str, gap: float, rounds: int, nodes: int = MOVE_NODES) -> Stage:
    """Return the plan after moves of all edges by a few intervals, until none lowers the objective by the gap."""
    for _ in range(rounds):
        before = stage.value(objective)
        program = near(stage.program, stage.values, _reach(stage))
        found = stage.on(program).tried(objective, gap, nodes, begin=True)
        if found is None or found.value(objective) > before - gap:
            break
        stage = found.on(stage.program)
    return stage


def _refined(stage: Stage, gap: float) -> Stage:
    """Return the plan of least money found from one that is allowed, and the gap to the whole program's bound."""
    program = stage.program
    nodes = max(1, PROOF_EFFORT // len(program.columns["charging"]))
    best = moved(stage, "least_money", gap / 2, ROUNDS)
    proven = best.tried("least_money", gap, nodes, begin=True)
    if proven is None:  # presolve may call a row that is held to the last digit infeasible
        proven = best.tried("least_money", gap, nodes, begin=True, presolve=False)
    if proven is None:
        raise NoPlanError("HiGHS found no bound for a plan set by hand")
    bound = proven.bound
    if proven.value("least_money") < best.value("least_money"):
        best = moved(proven, "least_money", gap / 2, ROUNDS) if proven.status != "optimal" else proven
    return replace(best, status=proven.status, gap=max(0.0, best.value("least_money") - bound))


def _on_the_hour(stage: Stage, night: Night, gap: float) -> Stage | None:
    """Return the best plan whose blocks begin and end on the hour; None if none is found, or too few edges differ."""
    clock = night.boundaries[:-1].tz_convert(night.timezone)
    edges = np.asarray(clock.minute == 0, dtype=np.bool_)
    if edges.mean() > COARSE_SHARE:
        return None
    edges[0] = True
    edges[1:] |= night.at_home[1:] != night.at_home[:-1]
    found = stage.on(at_edges(stage.program, edges)).tried("least_money", HOUR_GAPS * gap, HOUR_NODES)
    return None if found is None else found.on(stage.program)


def _reach(stage: Stage) -> int:
    """Return how many intervals an edge may move at once."""
    return max(1, int(REACH_SHARE * len(stage.program.columns["charging"])))


def _one_block_less(stage: Stage) -> Iterator[Stage]:
    """Yield plans of one block less: each block left out, and each two of one direction joined."""
    program = stage.program
    count = np.zeros(len(stage.values))
    for _, begins in directions(program):
        count[begins] = 1.0
    fewer = round(float(count @ stage.values)) - 1.0
    for mode, begins in directions(program):
        runs = list(_blocks(stage.values, mode, begins))
        without = [(first, last, False) for first, last in runs]
        joined = [(a[0], b[1], True) for a, b in pairwise(runs)]
        for first, last, on in (*joined, *without):
            values = stage.values.copy()
            values[mode[first:last]] = float(on)
            values[begins[first:last]] = 0.0
            values[begins[first]] = float(on)
            if np.any(values[mode[first:last]] > program.upper[mode[first:last]]):
                continue
            for other, other_begins in directions(program):  # nothing else is set where the joined block reaches
                if on and other is not mode:
                    values[other[first:last]] = values[other_begins[first:last]] = 0.0
            smaller = near(program, values, 1).with_row(count, -np.inf, fewer)
            found = stage.on(smaller).tried("least_change", highspy.kHighsInf, MOVE_NODES)
            if found is not None:
                yield found.on(program)


def directions(program: Program) -> tuple[tuple[IntArray, IntArray], tuple[IntArray, IntArray]]:
    """Return for charging and discharging the columns of what is set and of the blocks' begins, shape (n,)."""
    columns = program.columns
    given = columns.get("cap_is_set", columns["discharging"])
    return (
        (columns["charging"], columns["charge_block_begins"]),
        (given, columns["discharge_block_begins"]),
    )


def near(program: Program, values: FloatArray, reach: int) -> Program:
    """Return the program in which edges of blocks lie at most so many intervals from where they are in the values."""
    lower, upper = program.lower.copy(), program.upper.copy()
    for mode, begins in directions(program):
        is_set, begin = np.round(values[mode]), np.round(values[begins]) > 0
        edge = np.diff(np.concatenate([[0.0], is_set, [0.0]])) != 0  # at each boundary
        edge[:-1] |= begin
        may_change, may_begin = _around(edge, reach, reach), _around(edge, reach, reach + 1)
        fixed = ~may_change
        lower[mode[fixed]] = upper[mode[fixed]] = is_set[fixed]
        upper[begins[~may_begin]] = 0.0
    return program.bounded(np.arange(len(lower)), lower, upper)


def at_edges(program: Program, edges: BoolArray) -> Program:
    """Return the program in which blocks begin and end at some intervals' begins alone, shape (n,).

    They may also end where the direction is no longer allowed.
    """
    upper = program.upper.copy()
    pairs = []
    for mode, begins in directions(program):
        may = program.upper[mode] > 0
        stays = ~edges
        stays[1:] &= may[1:] == may[:-1]
        at = np.flatnonzero(stays[1:]) + 1
        upper[begins[at]] = 0.0
        pairs.append(np.stack([mode[at], mode[at - 1]], axis=1))
    index = np.concatenate(pairs)
    rows = len(index)
    same = Addition(np.arange(rows) * 2, index.ravel(), np.tile([1.0, -1.0], rows), np.zeros(rows), np.zeros(rows))
    return program.bounded(np.arange(len(upper)), program.lower, upper).extended(same)


def _around(edge: BoolArray, before: int, after: int) -> BoolArray:
    """Return the intervals from so many before an edge to, but not with, so many after, shape (n,).

    Parameters
    ----------
    edge : whether one is at each boundary, shape (n + 1,).
    """
    found = np.zeros(len(edge) - 1, dtype=np.bool_)
    for at in np.flatnonzero(edge):
        found[max(0, at - before) : at + after] = True
    return found


def _blocks(values: FloatArray, mode: IntArray, begins: IntArray) -> Iterator[tuple[int, int]]:
    """Yield first interval and end of each block of one direction."""
    is_set, begin = np.round(values[mode]) > 0, np.round(values[begins]) > 0
    for first in np.flatnonzero(is_set & begin).tolist():
        last = first + 1
        while last < len(is_set) and is_set[last] and not begin[last]:
            last += 1
        yield first, last
