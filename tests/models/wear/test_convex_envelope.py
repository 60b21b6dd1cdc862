"""The lower convex envelope against scipy's hull, and by its own definition."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import ConvexHull

from models.wear.convex_envelope import convex_envelope

heights = st.lists(st.floats(-100, 100), min_size=3, max_size=20)


@settings(deadline=None)
@given(heights)
def test_convex_and_never_above(values: list[float]) -> None:
    """The envelope lies nowhere above the curve, is convex, and meets the curve at both ends."""
    x, y = np.arange(len(values), dtype=float), np.array(values)
    envelope = convex_envelope(x, y)
    assert (envelope <= y + 1e-9).all()
    assert (np.diff(envelope, 2) >= -1e-9).all()
    assert envelope[[0, -1]] == pytest.approx(y[[0, -1]])


@pytest.mark.parametrize("seed", range(20))
def test_same_as_scipys_hull(seed: int) -> None:
    """The largest convex function under the points is the lower side of the hull that scipy (Qhull) finds."""
    random = np.random.default_rng(seed)
    x, y = np.sort(random.uniform(0, 1, 30)), random.normal(size=30)
    equations = ConvexHull(np.column_stack([x, y])).equations
    lower = equations[equations[:, 1] < 0]
    below = (-(np.multiply.outer(x, lower[:, 0]) + lower[:, 2]) / lower[:, 1]).max(axis=1)
    assert convex_envelope(x, y) == pytest.approx(below, abs=1e-9)


def test_a_convex_curve_is_its_own_envelope() -> None:
    """Nothing changes where there is nothing to bridge."""
    x = np.linspace(0, 1, 101)
    assert convex_envelope(x, x**2) == pytest.approx(x**2, abs=1e-15)


@pytest.mark.parametrize(("x", "y"), [([0.0], [1.0]), ([0.0, 0.0], [1.0, 2.0]), ([0.0, 1.0], [1.0])])
def test_what_has_no_envelope_is_refused(x: list[float], y: list[float]) -> None:
    """A single point, a repeated x and shapes that differ are errors."""
    with pytest.raises(ValueError, match="rising x"):
        convex_envelope(np.array(x), np.array(y))
