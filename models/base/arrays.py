"""Array types of the models' inputs and outputs, and the runs of true values in one."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]


def runs(running: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield the first interval of each run of true values, and the one after its last.

    Parameters
    ----------
    running : shape (n,).

    Examples
    --------
    >>> list(runs(np.array([True, True, False, True])))
    [(0, 2), (3, 4)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], running, [False]]).astype(np.int8)))
    yield from ((int(first), int(last)) for first, last in edges.reshape(-1, 2))
