"""Wear against the standard's cycle counting, the `rainflow` package, and a linear program."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import rainflow
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from models.base.arrays import FloatArray
from models.wear.segments import PowerLaw, WearSegments, initial_fill_kwh, wear_cost, wear_segments

LAW = PowerLaw(5.24e-4, 2.03)
"""Depth law of Xu, Zhao, Zheng, Litvinov and Kirschen 2018 (arXiv 1707.04567), case study."""
BATTERY_KWH = 40.0
BATTERY_PRICE = 150.0 * BATTERY_KWH
TENTHS = tuple(range(10, 101, 10))

EXAMPLE = (-2, 1, -3, 5, -1, 3, -4, 4, -2)
COUNTS = {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
"""ASTM E1049-85, the rainflow-counting example (section 5.4.4, number from memory): cycle counts by range."""

fills = st.lists(st.floats(0, BATTERY_KWH), min_size=1, max_size=12)


def cost_of_profile(segments: WearSegments, stored_kwh: FloatArray, highest_kwh: float | None = None) -> float:
    change = np.diff(stored_kwh)
    initial = initial_fill_kwh(segments, float(stored_kwh[0]), highest_kwh)
    return float(wear_cost(segments, initial, np.maximum(change, 0), np.maximum(-change, 0)).sum())


def cost_by_counting(stored_kwh: FloatArray, law: PowerLaw = LAW) -> float:
    """Life lost by the cycles that the `rainflow` package counts, in money."""
    counts = rainflow.count_cycles(stored_kwh / BATTERY_KWH)
    return BATTERY_PRICE * sum(float(law.life_lost(depth)) * count for depth, count in counts)


def closed_profile(random: np.random.Generator, levels: FloatArray) -> FloatArray:
    """Starts and ends at the highest of the levels."""
    return np.concatenate(([levels.max()], random.permutation(levels), [levels.max()]))


def test_rainflow_counts_the_standards_example() -> None:
    """The counting package that wear is compared with gives ASTM E1049-85's own counts."""
    counted = Counter(dict(rainflow.count_cycles(EXAMPLE)))
    assert counted == COUNTS


def test_standard_example_as_a_profile() -> None:
    """The standard's history, closed at its peak and in tenths of depth, costs what its cycles cost."""
    peak = EXAMPLE.index(max(EXAMPLE))
    closed = np.array([*EXAMPLE[peak:], *EXAMPLE[1 : peak + 1]], dtype=float)
    stored = (closed + 4) * BATTERY_KWH / 10
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    assert cost_of_profile(segments, stored) == pytest.approx(cost_by_counting(stored), rel=1e-12)


@pytest.mark.parametrize("seed", range(20))
def test_equal_to_rainflow_on_segment_edges(seed: int) -> None:
    """A closed profile from its highest point, all depths on edges, costs exactly what rainflow says."""
    random = np.random.default_rng(seed)
    levels = random.integers(0, 11, 14) * BATTERY_KWH / 10
    profile = closed_profile(random, levels)
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    assert cost_of_profile(segments, profile) == pytest.approx(cost_by_counting(profile), rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(fills)
def test_never_less_than_rainflow(levels: list[float]) -> None:
    """A closed profile from its highest point never costs less in segments than by rainflow counting."""
    profile = np.array([max(levels), *levels, max(levels)])
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    assert cost_of_profile(segments, profile) >= cost_by_counting(profile) - 1e-9


def test_excess_shrinks_with_finer_edges() -> None:
    """Over 30 closed profiles in the upper half the excess falls: a few percent at 8 segments, 0.1 at 40."""
    excess = []
    for count in (4, 8, 16, 40):
        edges = [*(100 * np.arange(1, count) / count), 100.0]
        segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, edges)
        random = np.random.default_rng(7)
        profiles = [closed_profile(random, random.uniform(20, 40, 15)) for _ in range(30)]
        in_segments = sum(cost_of_profile(segments, profile) for profile in profiles)
        excess.append(in_segments / sum(cost_by_counting(profile) for profile in profiles) - 1)
    assert excess == sorted(excess, reverse=True)
    assert 0.01 < excess[1] < 0.08
    assert 0 <= excess[3] < 0.003


def test_published_law_in_money() -> None:
    """40 kWh at 150 per kWh: 20 kWh, the same after a drive of 12 kWh, and 4 kWh (by hand from the law)."""
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    assert cost_of_profile(segments, np.array([32.0, 12.0])) == pytest.approx(0.770, abs=5e-4)
    assert cost_of_profile(segments, np.array([28.0, 8.0]), 40.0) == pytest.approx(1.726, abs=5e-4)
    assert cost_of_profile(segments, np.array([32.0, 28.0])) == pytest.approx(0.029, abs=5e-4)


def test_flat_price() -> None:
    """One segment prices every kWh alike: a full cycle's share of the battery spread over its capacity."""
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, [100])
    assert cost_of_profile(segments, np.array([30.0, 20.0, 25.0, 5.0])) == pytest.approx(
        30.0 * BATTERY_PRICE * LAW.coefficient / BATTERY_KWH
    )


@given(st.floats(0, BATTERY_KWH), st.floats(0, BATTERY_KWH))
def test_initial_fill_conserves_energy(first: float, second: float) -> None:
    """The segments hold what the battery holds, each within its size, driven or not."""
    stored, highest = sorted((first, second))
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    for fill in (initial_fill_kwh(segments, stored), initial_fill_kwh(segments, stored, highest)):
        assert fill.sum() == pytest.approx(stored)
        assert (fill >= 0).all()
        assert (fill <= segments.size_kwh + 1e-9).all()


@settings(max_examples=60, deadline=None)
@given(st.data(), fills)
def test_greedy_wear_is_the_cheapest(data: st.DataObject, levels: list[float]) -> None:
    """Taking from the cheapest segment costs as little as a linear program that sees the whole night."""
    stored = np.array([data.draw(st.floats(0, BATTERY_KWH)), *levels])
    highest = data.draw(st.none() | st.floats(float(stored[0]), BATTERY_KWH))
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, (5, 10, 20, 30, 45, 60, 80, 100))
    initial = initial_fill_kwh(segments, float(stored[0]), highest)
    cheapest = cheapest_by_linear_program(segments, initial, np.diff(stored))
    assert cost_of_profile(segments, stored, highest) == pytest.approx(cheapest, abs=1e-6)


def cheapest_by_linear_program(segments: WearSegments, initial: FloatArray, change: FloatArray) -> float:
    """Columns: what enters each segment in each interval, then what leaves it."""
    steps, count = len(change), len(initial)
    until = np.tril(np.ones((steps, steps)))
    moved = np.hstack([np.kron(until, np.eye(count)), -np.kron(until, np.eye(count))])
    room, held = np.tile(segments.size_kwh - initial, steps), np.tile(initial, steps)
    balance = np.hstack([np.kron(np.eye(steps), np.ones(count)), -np.kron(np.eye(steps), np.ones(count))])
    cost = np.concatenate([np.zeros(steps * count), np.tile(segments.price_per_kwh, steps)])
    answer = linprog(
        cost, A_ub=np.vstack([moved, -moved]), b_ub=np.concatenate([room, held]), A_eq=balance, b_eq=change
    )
    return float(answer.fun)


def test_passing_through_costs_the_cheapest_segment() -> None:
    """In a trip's last interval what is charged on the way and driven goes through the cheapest segment."""
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    initial = initial_fill_kwh(segments, 20.0)
    through = wear_cost(segments, initial, np.array([50.0]), np.array([50.0]))
    assert through == pytest.approx(50.0 * segments.price_per_kwh[0])


def test_a_loss_while_charging_is_wear_too() -> None:
    """Energy that charging below the fixed loss takes out of the battery costs what discharging it does."""
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    initial = initial_fill_kwh(segments, 20.0)
    nothing, some = np.array([0.0]), np.array([3.0])
    assert wear_cost(segments, initial, -some, nothing) == pytest.approx(wear_cost(segments, initial, nothing, some))


@pytest.mark.parametrize("edges", [[50, 40, 100], [50, 90], [0, 100], [100, 120]])
def test_edges_must_rise_to_the_whole_battery(edges: list[float]) -> None:
    """Edges that fall, repeat or stop short of the whole battery are refused."""
    with pytest.raises(ValueError, match="rise to 100"):
        wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, edges)


def test_impossible_inputs_are_refused() -> None:
    """A law that makes deeper cycles cheaper, and a highest level below the present one, are errors."""
    with pytest.raises(ValueError, match="exponent"):
        wear_segments(PowerLaw(5e-4, 0.9), BATTERY_PRICE, BATTERY_KWH, TENTHS)
    segments = wear_segments(LAW, BATTERY_PRICE, BATTERY_KWH, TENTHS)
    with pytest.raises(ValueError, match="highest"):
        initial_fill_kwh(segments, 20.0, 19.0)
