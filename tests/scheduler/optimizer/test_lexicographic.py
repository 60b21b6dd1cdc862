"""Stages are values: a row, a bound or a power more gives a new one, and what was there stays as it was."""

from __future__ import annotations

import numpy as np
import pytest

from scheduler.nights.night import Night
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, Stage, first_stage
from tests.builders.random_nights import random_night


def solved(night: Night) -> Stage:
    """The stage with the night's priorities."""
    return first_stage(compact_matrix(night)).with_priorities(GAP_WORTH_KWH * night.highest_price)


def test_fixing_a_power_leaves_matrix_and_program_as_they_were() -> None:
    """Bounds are copied: neither the matrix nor the program that a power is fixed in changes."""
    matrix = compact_matrix(random_night(3))
    stage = first_stage(matrix)
    upper = np.array(matrix.lp.col_upper_)
    idle = stage.program.with_power(1, 0.0)
    np.testing.assert_array_equal(np.array(matrix.lp.col_upper_), upper)
    np.testing.assert_array_equal(stage.program.upper, upper)
    assert idle.upper[idle.columns["charge_kw"][1]] == 0.0


def test_a_matrix_that_was_solved_gives_the_same_again() -> None:
    """Two stages begun from one matrix, the second after the first was held and settled, find the same plan."""
    night = random_night(8)
    matrix = compact_matrix(night)
    gap = GAP_WORTH_KWH * night.highest_price
    first = first_stage(matrix).with_priorities(gap)
    first.holding("least_money", 0.1).counting_changes(night).settled("least_change")
    np.testing.assert_array_equal(first_stage(matrix).with_priorities(gap).values, first.values)


@pytest.mark.parametrize("seed", [2, 4, 7, 17])
def test_a_plan_to_begin_from_changes_no_least_money(seed: int) -> None:
    """Begun at the best plan or at one with an interval kept idle, the least money is that without a beginning."""
    night = random_night(seed)
    gap = GAP_WORTH_KWH * night.highest_price
    first = first_stage(compact_matrix(night))
    best = first.without_shortages(gap)
    assert best is not None
    idle = best.on(best.program.with_power(1, 0.0)).cheapest(gap)
    assert idle is not None
    for values in (best.values, idle.values):
        again = first_stage(compact_matrix(night)).without_shortages(gap, values)
        assert again is not None
        assert again.value("least_money") == pytest.approx(best.value("least_money"), abs=2 * gap)


@pytest.mark.parametrize("seed", [0, 2, 5, 9])
def test_stages_may_be_taken_up_in_any_order(seed: int) -> None:
    """From one stage two others: with the second interval idle, and with the changes counted and money held. Whichever
    is asked first, and the first stage asked once more in the end, each has the same least money."""
    night = random_night(seed)
    gap = GAP_WORTH_KWH * night.highest_price

    def idle(stage: Stage) -> float:
        found = stage.on(stage.program.with_power(1, 0.0)).cheapest(gap)
        return np.inf if found is None else found.value("least_money")

    def steady(stage: Stage) -> float:
        held = stage.holding("least_money", 0.5).counting_changes(night).settled("least_change")
        return held.holding("least_change", 0.01).settled("least_money").value("least_money")

    def again(stage: Stage) -> float:
        return stage.settled("least_money").value("least_money")

    asked = (idle, steady, again)
    one, other = solved(night), solved(night)
    in_order = [ask(one) for ask in asked]
    in_reverse = [ask(other) for ask in reversed(asked)][::-1]
    assert in_order[1:] == pytest.approx(in_reverse[1:], abs=1e-6)
    assert in_order[0] == pytest.approx(in_reverse[0], abs=2 * gap + 1e-6)
    assert again(one) == pytest.approx(one.value("least_money"), abs=1e-6)
