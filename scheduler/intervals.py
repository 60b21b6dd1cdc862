"""Cut the night into intervals inside which nothing changes, so that nothing is rounded to the hour."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
import pandas as pd

from models.arrays import FloatArray
from models.clock import local_clock
from models.offer import Offer, prices


@dataclass(frozen=True, slots=True, eq=False)
class Intervals:
    """Boundaries (UTC, shape (n + 1,)) and the prices between them [money per kWh], each of shape (n,)."""

    boundaries: pd.DatetimeIndex
    import_price: FloatArray
    export_price: FloatArray

    def boundary_at(self, instant: datetime) -> int:
        """Index of the boundary at an instant that was asked for."""
        return int(self.boundaries.get_indexer(pd.DatetimeIndex([instant]))[0])


def cut(
    now: datetime,
    end: datetime,
    timezone: str,
    step_minutes: int,
    offer: Offer,
    holidays: Collection[date],
    instants: Iterable[datetime] = (),
) -> Intervals:
    """Boundaries and prices of a night.

    A boundary lies at now and the end, at every instant at which the local clock's minutes since midnight are a
    multiple of the step, at every change of an import or export price, and at each of `instants` inside the night.

    Parameters
    ----------
    now, end : timezone-aware, whole minutes. step_minutes : [min]. holidays : local dates.

    Raises
    ------
    ValueError : an instant has no import price.
    """
    first, last = pd.Timestamp(now).tz_convert("UTC"), pd.Timestamp(end).tz_convert("UTC")
    minutes = pd.date_range(first, last, freq="min", inclusive="left", unit="s")
    import_price, export_price = prices(offer, minutes, timezone, holidays)
    opens = np.asarray(local_clock(minutes, timezone).minute % step_minutes == 0)
    opens[1:] |= (np.diff(import_price) != 0) | (np.diff(export_price) != 0)
    opens[0] = True
    inside = [pd.Timestamp(instant).tz_convert("UTC") for instant in instants]
    opens |= np.asarray(minutes.isin([instant for instant in inside if first <= instant < last]))
    boundaries = pd.DatetimeIndex([*minutes[opens], last]).as_unit("s")
    return Intervals(boundaries, import_price[opens], export_price[opens])
