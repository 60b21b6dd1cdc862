"""Flows at a meter for tests of bills; all figures are invented."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from models.tariff.bill import GridFlows

Each = float | Sequence[float]


def flows(
    begin: str, days: int, import_kwh: Each = 1.0, export_kwh: Each = 0.0, zone: str = "UTC", step_minutes: int = 60
) -> GridFlows:
    """Flows from local midnight of `begin` for so many local days; lists are repeated to the end."""
    first = pd.Timestamp(begin).tz_localize(zone)
    last = (pd.Timestamp(begin) + pd.Timedelta(days=days)).tz_localize(zone)
    start = pd.date_range(first, last, freq=f"{step_minutes}min", inclusive="left").tz_convert("UTC").as_unit("s")

    def every(value: Each) -> np.ndarray:
        return np.resize(np.atleast_1d(np.asarray(value, dtype=np.float64)), len(start))

    return GridFlows(start, step_minutes, every(import_kwh), every(export_kwh))
