"""Cycles of a trace against the standard's example and the bare package."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import rainflow
from hypothesis import assume, given
from hypothesis import strategies as st

from models.wear.cycles import count_cycles, turning_points
from models.wear.soc_trace import time_spent
from tests.builders.traces import hourly

EXAMPLE = np.array([-2, 1, -3, 5, -1, 3, -4, 4, -2])
"""ASTM E1049-85, the rainflow-counting example (section 5.4.4, number from memory)."""

levels = st.lists(st.integers(0, 20).map(lambda tick: tick / 20), min_size=2, max_size=40)


def test_standards_example() -> None:
    """Ranges 3 (half), 4 (one and a half), 6 (half), 8 (one), 9 (half), as ASTM E1049-85 counts them."""
    cycles = count_cycles(hourly((EXAMPLE + 4) / 10))
    counted: Counter[int] = Counter()
    for depth, count in zip(cycles.depth, cycles.count, strict=True):
        counted[round(10 * depth)] += count
    assert counted == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}


@given(st.lists(st.integers(0, 10**6).map(lambda millionth: millionth / 1e6), min_size=3, max_size=60))
def test_same_as_the_bare_package(values: list[float]) -> None:
    """Handing over only the turning points changes neither ranges, nor means, nor counts."""
    assume(len(turning_points(np.array(values))) != 2)
    cycles = count_cycles(hourly(values))
    bare = [found[:3] for found in rainflow.extract_cycles(values) if found[0] > 0]
    ours = list(zip(cycles.depth, cycles.mean_soc, cycles.count, strict=True))
    assert sorted(ours) == sorted(bare)


@given(levels)
def test_all_change_is_counted(values: list[float]) -> None:
    """Ranges, each there and back, add up to all change of state of charge: nothing is lost or counted twice."""
    cycles = count_cycles(hourly(values))
    assert 2 * cycles.equivalent_full_cycles == pytest.approx(np.abs(np.diff(values)).sum())


@given(levels)
def test_rows_hold_the_range(values: list[float]) -> None:
    """Each cycle's rows are where the trace has its two ends, in order."""
    trace = hourly(values)
    cycles = count_cycles(trace)
    assert (cycles.begin < cycles.end).all()
    begin, end = trace.soc[cycles.begin], trace.soc[cycles.end]
    assert np.abs(begin - end) == pytest.approx(cycles.depth)
    assert (begin + end) / 2 == pytest.approx(cycles.mean_soc)


def test_one_discharge_is_one_half_cycle() -> None:
    """A trace that only falls has one half cycle, which the bare package leaves out when it is given two points."""
    for values in ([0.9, 0.4], [0.9, 0.7, 0.4], [0.9, 0.9, 0.4, 0.4]):
        cycles = count_cycles(hourly(values))
        assert cycles.depth == pytest.approx([0.5])
        assert list(cycles.count) == [0.5]
    assert not list(rainflow.extract_cycles([0.9, 0.4]))


def test_turns_too_small_for_arithmetic() -> None:
    """A turn so small that products of its changes underflow to zero is not a cycle, nor an error."""
    assert len(count_cycles(hourly([0.0, 3e-261, 0.0])).depth) == 0


def test_standing_still() -> None:
    """A trace that does not move has no cycle, and all its time is spent at one state of charge."""
    trace = hourly([0.6, 0.6, 0.6])
    assert len(count_cycles(trace).depth) == 0
    assert count_cycles(trace).equivalent_full_cycles == 0
    spent = time_spent(trace)
    assert list(spent.hours) == [1, 1]
    assert list(spent.soc) == [0.6, 0.6]


def test_temperature_of_a_cycle_is_its_own() -> None:
    """A cold discharge and a warm one have their own mean temperatures, by time (by hand)."""
    trace = hourly([0.8, 0.4, 0.4, 0.9, 0.5], [10.0, 20.0, 20.0, 40.0, 40.0])
    cycles = count_cycles(trace)
    falls = {(int(b), int(e)): float(t) for b, e, t in zip(cycles.begin, cycles.end, cycles.temp_degc, strict=True)}
    assert falls == {(0, 1): 15.0, (1, 3): 25.0, (3, 4): 40.0}


def test_turns() -> None:
    """First, last and each turn, and of a level turn the first row."""
    assert list(turning_points(np.array([5.0, 3, 3, 4, 6, 6, 2, 1]))) == [0, 1, 4, 7]
    assert list(turning_points(np.array([1.0, 1, 2, 3, 3]))) == [0, 3]
