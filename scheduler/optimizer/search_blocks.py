"""Plans set by hand, found in bounded effort.

Where what an interval costs depends on nothing but itself, branch and price (branch_blocks) finds the plan and bounds
it; one move of all edges follows where a gap is left. Where prices depend on amounts, or a target must be missed, plans
go from coarse edges of blocks to fine ones, and from plan to plan.

A program of quarter hours set by hand has a relaxation far from its best plan, so that proving the best takes minutes.
Finding it does not. First blocks begin and end on the hour alone, which is as small as a program of hours. Then every
edge of the plan at hand may move by a few intervals at once, all powers free, until no such move gains. The whole
program is solved last, from that plan and for a fixed number of nodes: it finds what the moves could not and says how
much cheaper a plan could be. All limits count nodes and rounds, never time, so that a plan does not depend on the
machine's speed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import highspy
import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.branch_blocks import BlockSearch
from scheduler.optimizer.cheapest_blocks import BlockChoices, HandBlock
from scheduler.optimizer.lexicographic import (
    HELD,
    SETTLED,
    TIE_GAP_SHARE,
    NoPlanError,
    Program,
    Stage,
)
from scheduler.optimizer.matrix_builder import Addition
from scheduler.optimizer.objectives import OBJECTIVES

NEAR_KW = 1e-6
"""How far a power may be off its whole current [kW]."""
TIMING = "ready_soonest"
REACH_SHARE = 1 / 32
"""How far an edge of a block may move at once, as a share of all intervals: of quarter hours in a day, by three."""
ROUNDS = 8
"""How often, at most, all edges are moved for one objective."""
HOUR_GAPS = 4
"""The plan on the hour is found to so many times the gap."""
OPEN_ROUNDS = 1
"""How often of a plan that branch and price leaves with a gap."""
TIE_ROUNDS = 2
"""How often for a choice among equally cheap plans."""
HOUR_NODES, MOVE_NODES, TIE_NODES = 200, 200, 5
"""Branch-and-bound nodes for the plan on the hour, for one move of all edges, and for one among equally cheap plans."""
KNOWN_EFFORT, KNOWN_PASSES = 5_000, 50
"""Intervals, and passes, for plans whose blocks a person ends, where settings count."""
COUNTED_EFFORT, COUNTED_PASSES = 25_000, 250
"""For all plans after that: a bound takes longer where blocks may end by themselves."""
DRAFT_EFFORT, DRAFT_PASSES = 4_000, 20
"""For a plan that is only compared with others: it finds the best of most nights of hours."""
FEWER_EFFORT = 4000
"""Intervals that passes may go through for a plan of one block less."""
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
    if has_choices(night):
        priced = _priced(stage, night, gap)
        if priced is not None:
            return priced
    served = stage.on(stage.program.without_shortages())
    found = _on_the_hour(served, night, gap) or served.cheapest(highspy.kHighsInf)
    if found is not None:
        return _refined(found, gap)
    for shortage in OBJECTIVES[:3]:
        stage = stage.minimised(shortage, gap=HELD).holding(shortage, HELD)
    return _refined(stage.settled("least_money"), gap)


def drafted_by_hand(stage: Stage, night: Night) -> Stage | None:
    """Return a good plan set by hand with nothing missing, by few passes of branch and price; None if none is found.

    Parameters
    ----------
    night : one that `has_choices`.
    """
    search = BlockSearch(
        night, BlockChoices.of(night, _may_discharge(stage)), effort=DRAFT_EFFORT, most_passes=DRAFT_PASSES
    )
    search.run()
    if search.best is None:
        return None
    return stage.on(at_blocks(stage.program.without_shortages(), search.best.blocks)).cheapest(SETTLED)


def has_choices(night: Night) -> bool:
    """Return whether what each interval costs depends on nothing but itself, as branch and price needs it."""
    return not night.prices_depend_on_amounts and night.highest_price > 0


def _was_priced(stage: Stage, night: Night) -> bool:
    """Return whether branch and price has found the plan: of a longer night, with nothing missing."""
    served = all(stage.value(objective) <= HELD for objective in OBJECTIVES[:3])
    return served and night.intervals > DIRECT_INTERVALS and has_choices(night)


def _priced(stage: Stage, night: Night, gap: float) -> Stage | None:
    """Return the plan of branch and price with its gap; None if it finds none without shortages."""
    choices = BlockChoices.of(night, _may_discharge(stage))
    search = BlockSearch(night, choices)
    if choices.may_end_by_itself.any():  # which the relaxation knows less well: plans without it first, then all
        known = BlockSearch(night, choices.ended_by_hand, effort=KNOWN_EFFORT, most_passes=KNOWN_PASSES)
        known.run()
        search = BlockSearch(
            night,
            choices,
            most_money=known.most_money,
            best=known.best,
            effort=COUNTED_EFFORT,
            most_passes=COUNTED_PASSES,
        )
    bound = search.run() - choices.most_timing_money
    if search.best is None:
        return None
    program = stage.program.without_shortages()
    served = stage.on(at_blocks(program, search.best.blocks)).cheapest(SETTLED)
    if served is None:
        return None
    served = served.on(program)
    if served.value("least_money") - bound > gap:
        served = moved(served, "least_money", gap, OPEN_ROUNDS)
    left = max(0.0, served.value("least_money") - bound)
    return replace(served, status="optimal" if left <= gap else "effort spent", gap=left)


def _fewest_priced(stage: Stage, night: Night, most_money: float) -> Stage:
    """Return a plan with as few blocks as branch and price finds to do, and the least change of power at those."""
    choices = BlockChoices.of(night, _may_discharge(stage))
    while (fewer := _block_count(stage) - 1) >= 0:
        search = BlockSearch(
            night, replace(choices, most_blocks=fewer), (0.0, 0.0, 0.0), most_money, FEWER_EFFORT, True
        )
        search.run()
        if search.best is None:
            break
        found = stage.on(at_blocks(stage.program, search.best.blocks)).tried("least_change", SETTLED, MOVE_NODES)
        if found is None:
            break
        stage = found.on(stage.program)
    return stage


def _may_discharge(stage: Stage) -> bool:
    return bool((stage.program.upper[stage.program.columns["discharging"]] > 0).any())


def _block_count(stage: Stage) -> int:
    return round(sum(float(stage.values[begins].sum()) for _, begins in directions(stage.program)))


def at_blocks(program: Program, blocks: Sequence[tuple[HandBlock, float]]) -> Program:
    """Return the program in which these blocks are set, at about these powers [kW] where they are whole currents."""
    lower, upper = program.lower.copy(), program.upper.copy()
    names = ("charge_kw", "cap_kw" if "cap_kw" in program.columns else "discharge_kw")
    by_amps = "charge_amps" in program.columns
    for direction, (mode, begins) in enumerate(directions(program)):
        lower[mode] = upper[mode] = lower[begins] = upper[begins] = 0.0
        power = program.columns[names[direction]]
        for block, kw in blocks:
            if block.direction == direction:
                at = slice(block.first, block.last)
                lower[mode[at]] = upper[mode[at]] = 1.0
                lower[begins[block.first]] = upper[begins[block.first]] = 1.0
                if by_amps:
                    lower[power[at]], upper[power[at]] = kw - NEAR_KW, np.minimum(kw + NEAR_KW, upper[power[at]])
    return program.bounded(np.arange(len(lower)), lower, upper)


def well_timed(stage: Stage, night: Night, gap: float) -> Stage:
    """Return the plan that charges late and discharges early.

    Branch and price has looked for well timed blocks already; else they are sought in a few moves of all edges.

    Parameters
    ----------
    gap : within this much of the best move, or TIE_GAP_SHARE of it [kWh h].
    """
    stage = stage.settled(TIMING)
    if _was_priced(stage, night):
        return stage
    return moved(stage, TIMING, max(gap, TIE_GAP_SHARE * stage.value(TIMING)), TIE_ROUNDS, TIE_NODES)


def fewest_blocks(stage: Stage, night: Night, most_money: float) -> Stage:
    """Return a plan with as few blocks as are found to do, by branch and price where that holds everything.

    Else one block is left out, or two are joined, and edges move.

    Parameters
    ----------
    most_money : what the plan may cost, as the stage's program holds it.
    """
    if _was_priced(stage, night):
        return _fewest_priced(stage, night, most_money)
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
