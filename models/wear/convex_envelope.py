"""The lower convex envelope of a curve: the largest convex function below it, which a linear program can price."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray


def convex_envelope(x: FloatArray, y: FloatArray) -> FloatArray:
    """Return the lower convex envelope of the points (x, y).

    It is the lower convex hull by Andrew's monotone chain, with straight lines between its corners.

    Parameters
    ----------
    x : rising, two or more, shape (n,).
    y : finite, in any unit, shape (n,).

    Returns
    -------
    The envelope at each x, in the unit of y, shape (n,).

    Raises
    ------
    ValueError : x does not rise, there are fewer than two points, or the shapes differ.

    Examples
    --------
    >>> convex_envelope(np.array([0.0, 1.0, 2.0, 3.0]), np.array([0.0, 3.0, 2.0, 3.0])).tolist()
    [0.0, 1.0, 2.0, 3.0]
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
    """Return whether the middle point lies on or above the line between the other two."""
    rise = (right[1] - left[1]) * (middle[0] - left[0])
    return (middle[1] - left[1]) * (right[0] - left[0]) >= rise
