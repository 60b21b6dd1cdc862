"""Meter readings made up in memory, for tests of what is done with them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from scheduler.metering.channels import Channel, ChannelKind, MeterReading


def channel(
    kind: ChannelKind,
    kwh: Sequence[float],
    begin: str = "2026-03-02T00:00Z",
    step_minutes: int = 60,
    name: str = "",
    meter: str = "",
    without: Sequence[int] = (),
    estimated: Sequence[int] = (),
) -> Channel:
    """A channel of these energies from begin on; the steps of `without` are a gap."""
    start = pd.date_range(
        pd.Timestamp(begin).tz_convert("UTC").as_unit("s"), periods=len(kwh), freq=f"{step_minutes}min"
    )
    kept = np.ones(len(kwh), dtype=np.bool_)
    kept[list(without)] = False
    marked = np.zeros(len(kwh), dtype=np.bool_)
    marked[list(estimated)] = True
    values = np.array(kwh, dtype=np.float64)
    return Channel(name or kind, meter, kind, start[kept], values[kept], marked[kept], step_minutes)


def reading(*channels: Channel) -> MeterReading:
    return MeterReading("made up", channels)
