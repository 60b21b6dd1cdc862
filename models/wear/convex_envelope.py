"""The largest convex function under a curve: what a linear program can price without integers."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray


def convex_envelope(x: FloatArray, y: FloatArray) -> FloatArray:
    """Lower convex envelope of the points (x, y), at each x, shape (n,).

    The lower convex hull by Andrew's monotone chain, then straight between its corners.

    Parameters
    ----------
    x : rising, shape (n,), at least two.
    y : of any unit, finite, shape (n,).

    Raises
    ------
    ValueError : x does not rise, fewer than two points, or shapes that differ.
    """
    if x.shape != y.shape or x.ndim != 1 or len(x) < 2 or not np.all(np.diff(x) > 0):
        raise ValueError("the envelope needs two or more points with rising x")
    corners: list[tuple[float, float]] = []
    for point in zip(x.tolist(), y.tolist(), strict=True):
        while len(corners) >= 2 and _not_below(corners[-2], corners[-1], point):
            corners.pop()
        corners.append(point)
    at, height = np.array(corners).T
    return np.asarray(np.interp(x, at, height), dtype=np.float64)


def _not_below(left: tuple[float, float], middle: tuple[float, float], right: tuple[float, float]) -> bool:
    """Whether the middle point lies on or above the line between the other two."""
    rise = (right[1] - left[1]) * (middle[0] - left[0])
    return (middle[1] - left[1]) * (right[0] - left[0]) >= rise
