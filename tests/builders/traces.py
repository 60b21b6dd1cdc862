"""Traces of state of charge for tests."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.wear.soc_trace import SocTrace


def hourly(levels: Sequence[float] | FloatArray, temp_degc: float | FloatArray = 25.0, hours: float = 1.0) -> SocTrace:
    """Levels [0 to 1] at equal steps, at one temperature or one for each."""
    soc = np.asarray(levels, dtype=np.float64)
    seconds = np.rint(np.arange(len(soc)) * hours * 3600).astype(np.int64) + 1_772_000_000
    instants = pd.DatetimeIndex(seconds.view("datetime64[s]"), tz="UTC")
    return SocTrace(instants, soc, np.broadcast_to(np.asarray(temp_degc, dtype=np.float64), soc.shape).copy())


def closed(random: np.random.Generator, levels: FloatArray) -> FloatArray:
    """A profile that starts and ends at the highest of the levels."""
    return np.concatenate([[levels.max()], random.permutation(levels), [levels.max()]])
