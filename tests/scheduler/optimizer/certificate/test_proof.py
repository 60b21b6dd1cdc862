"""The proof of a bound, checked as a sceptic would: by other means, from the parts and prices that the answer gives."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_program import ROOM_KWH
from scheduler.optimizer.setpoints import DYNAMIC_PROGRAM, ProvedPart
from scheduler.optimizer.solve import solve
from tests.builders.random_nights import random_night
from tests.oracles.independent_matrix import least_at_prices

NEAR_KWH = 1e-4
"""What the two ways of solving may differ by, in kWh at the highest price."""

FEW_KWH = 0.2
"""What is left open when branch and bound takes over is less than this, in kWh at the highest price."""


def _covered(least: FloatArray, most: FloatArray, parts: list[tuple[FloatArray, FloatArray]]) -> bool:
    """Whether parts, each bounds on stored energy, hold every trajectory between two others."""
    inside = [(low, high) for low, high in parts if (low < most).all() and (high > least).all()]
    if any((low <= least + 2 * ROOM_KWH).all() and (high >= most - 2 * ROOM_KWH).all() for low, high in inside):
        return True
    for low, high in inside:
        for edge in (low, high):
            within = np.flatnonzero((edge > least + 2 * ROOM_KWH) & (edge < most - 2 * ROOM_KWH))
            if len(within):
                boundary = int(within[0])
                lower, upper = most.copy(), least.copy()
                lower[boundary] = upper[boundary] = edge[boundary]
                return _covered(least, lower, inside) and _covered(upper, most, inside)
    return False


def _least_wear(night: Night, stored_price: FloatArray) -> float:
    """Least of wear less priced energy in the segments, each as free as its size, by a linear program [money]."""
    total = 0.0
    n = night.intervals
    for size, fill, price in zip(
        night.wear.size_kwh, night.initial_fill_kwh, night.wear.price_per_kwh * night.wear_weight, strict=True
    ):
        falls = np.zeros((n, 2 * n))
        falls[np.arange(n), np.arange(n)] = falls[np.arange(n), n + np.arange(n)] = -1.0
        falls[np.arange(1, n), np.arange(n - 1)] = 1.0
        most = np.zeros(n)
        most[0] = -fill
        cost = np.concatenate([-stored_price[1:], np.full(n, price)])
        best = linprog(cost, A_ub=falls, b_ub=most, bounds=[(0.0, size)] * n + [(0.0, None)] * n)
        assert best.fun is not None, best.message
        total += best.fun
    return total


def _bound(night: Night, part: ProvedPart) -> float:
    """The bound of a part, by the independent statement and a linear program [money]."""
    paths = least_at_prices(night, part.least_kwh, part.most_kwh, part.stored_price, part.given_price)
    return paths + _least_wear(night, part.stored_price) - part.given_price * (night.car.discharge_limit_kwh or 0.0)


def _bounded(values: FloatArray, boundary: int, value: float) -> FloatArray:
    """The bounds with another at one boundary."""
    found = values.copy()
    found[boundary] = value
    return found


@pytest.mark.parametrize("seed", [3, 8, 14, 23, 29, 44, 53, 57, 61, 1010, 1045, 1048])
def test_the_proof_holds_by_other_means(seed: int) -> None:
    """The parts hold every plan, each one's bound is no less than is said, and the least of them is the bound told."""
    night = random_night(seed)
    answer = solve(night)
    least = min(part.bound for part in answer.proof)
    if answer.way == DYNAMIC_PROGRAM:
        assert answer.bound == pytest.approx(least, abs=1e-9)
    else:  # branch and bound went on from there
        assert least - 1e-9 <= answer.bound <= least + FEW_KWH * night.highest_price
    bounds = [_bound(night, part) for part in answer.proof]
    assert min(bounds) < np.inf
    for part, bound in zip(answer.proof, bounds, strict=True):
        assert bound >= part.bound - NEAR_KWH * night.highest_price
    lows, highs = (np.array([getattr(part, name) for part in answer.proof]) for name in ("least_kwh", "most_kwh"))
    lowest, highest = lows.min(axis=0), highs.max(axis=0)
    assert _covered(lowest, highest, list(zip(lows, highs, strict=True)))
    empty, full = np.zeros(night.intervals + 1), np.full(night.intervals + 1, night.car.battery_kwh)
    for boundary in range(0, night.intervals + 1, 5):  # outside what the parts reach no plan serves every trip
        under = _bounded(full, boundary, lowest[boundary] - 0.01)
        over = _bounded(empty, boundary, highest[boundary] + 0.01)
        for low, high in ((empty, under), (over, full)):
            assert least_at_prices(night, low, high, empty, 0.0) == np.inf
