"""Plans set by hand that are found by moves: how far they may be from the best, and what their gap says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scheduler.inputs.control_mode import Setting
from scheduler.nights.night import Night
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, first_stage
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.search_blocks import (
    DIRECT_INTERVALS,
    at_edges,
    directions,
    fewest_blocks,
    least_money_by_hand,
    near,
)
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from tests.builders.nights import flat_night, plain_charger
from tests.builders.random_nights import random_night


def by_hand(seed: int) -> Night:
    """A random night in one to three blocks of at least an hour, every other seed in whole amps."""
    set_by = "blocks" if seed % 2 else "current"
    return replace(random_night(seed), setting=Setting(set_by, 1 + seed % 3, 60))  # type: ignore[arg-type]


def quarter_hours(set_by: str, discharge_to: str = "building-and-grid") -> Night:
    """Twelve hours of quarters: an evening peak, a cheap night from the fifth hour on."""
    load_kw = np.random.default_rng(5).uniform(0.3, 3.0, 12).round(2)
    night = flat_night(
        48,
        hours=0.25,
        soc_percent=60,
        load_kw=np.repeat(load_kw, 4).tolist(),
        import_price=[0.30] * 8 + [0.45] * 12 + [0.12] * 28,
        export_price=[0.05] * 8 + [0.20] * 12 + [0.05] * 28,
        charger=plain_charger(discharge_to=discharge_to),
    )
    return replace(night, setting=Setting(set_by, 3, 60))  # type: ignore[arg-type]


@pytest.mark.parametrize("seed", range(12))
def test_the_gap_bounds_how_much_cheaper_a_plan_is(seed: int) -> None:
    """Against the whole program solved to its gap: as well served, never cheaper than the best, and dearer by no more
    than the gap that is told."""
    night = by_hand(seed)
    gap = GAP_WORTH_KWH * night.highest_price
    best = first_stage(compact_matrix(night), True).with_priorities(gap)
    found = least_money_by_hand(first_stage(compact_matrix(night), True), night, gap)
    for shortage in OBJECTIVES[:3]:
        assert found.value(shortage) == pytest.approx(best.value(shortage), abs=2e-4)
    dearer = found.value("least_money") - best.value("least_money")
    assert -gap - 1e-4 <= dearer <= found.gap + 1e-4


@pytest.mark.parametrize("set_by", ["blocks", "current"])
def test_a_plan_of_quarter_hours_is_the_same_twice_and_passes_replay(set_by: str) -> None:
    """Nothing of the search goes by the clock: two solves give equal blocks and an equal gap."""
    night = quarter_hours(set_by)
    assert night.intervals > DIRECT_INTERVALS
    one, other = solve(night), solve(night)
    assert one.blocks == other.blocks
    assert (one.status, one.gap, one.money) == (other.status, other.gap, other.money)
    assert verify(night, one).costs.total == pytest.approx(one.money, abs=1e-4)
    assert 0 <= one.gap < np.inf


def test_edges_stay_within_reach() -> None:
    """Of a plan's neighbours: what is set more than the reach away from every edge is as it was."""
    night = quarter_hours("blocks")
    stage = least_money_by_hand(first_stage(compact_matrix(night), True), night, GAP_WORTH_KWH * night.highest_price)
    program = near(stage.program, stage.values, 2)
    for mode, begins in directions(program):
        is_set = np.round(stage.values[mode])
        ends = np.flatnonzero(np.diff(np.concatenate([[0.0], is_set, [0.0]])))
        edges = {*ends.tolist(), *np.flatnonzero(np.round(stage.values[begins])).tolist()}
        for t in range(night.intervals):
            free = program.lower[mode[t]] < program.upper[mode[t]]
            if free:
                assert any(edge - 2 <= t < edge + 2 for edge in edges)
            else:
                assert program.lower[mode[t]] == is_set[t] or stage.program.upper[mode[t]] == 0
    stays = stage.on(program).tried("least_money", 1e-6, 50, begin=True)
    assert stays is not None
    assert stays.value("least_money") <= stage.value("least_money") + 1e-6


def test_blocks_on_the_hour_begin_and_end_there() -> None:
    """With edges allowed at every fourth interval alone, modes change nowhere else."""
    night = quarter_hours("blocks")
    edges = np.arange(night.intervals) % 4 == 0
    stage = first_stage(compact_matrix(night), True)
    found = stage.on(at_edges(stage.program, edges)).tried("least_money", 0.01, 500)
    assert found is not None
    assert any(np.round(found.values[mode]).any() for mode, _ in directions(found.program))
    for mode, _ in directions(found.program):
        changes = np.flatnonzero(np.diff(np.round(found.values[mode]))) + 1
        assert not np.any(changes % 4)


def test_two_blocks_that_one_replaces_are_joined() -> None:
    """A plan whose blocks are cut in two at equal money is told as one: the cut costs nothing and gains nothing."""
    night = quarter_hours("blocks", "building")
    gap = GAP_WORTH_KWH * night.highest_price
    stage = least_money_by_hand(first_stage(compact_matrix(night), True), night, gap)
    most_money = stage.value("least_money") + 2 * gap
    held = stage.holding("least_money", 2 * gap).counting_changes(night)
    mode, begins = directions(held.program)[0]
    first, *_ = np.flatnonzero(np.round(held.values[begins]))
    length = int(np.argmin(np.append(np.round(held.values[mode[first:]]), 0)))
    assert length >= 8
    values = held.values.copy()
    values[begins[first + length // 2]] = 1.0
    cut = replace(held, values=values)
    fewer = fewest_blocks(cut, night, most_money)
    count = np.concatenate([columns for _, columns in directions(held.program)])
    assert round(fewer.values[count].sum()) < round(values[count].sum())
