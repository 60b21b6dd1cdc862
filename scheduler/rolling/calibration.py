"""Chances told against what came: of the nights that were given a chance, how many had a departure short."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

from scheduler.rolling.flows import RolledFlows

EDGES = (0.0, 0.005, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Chances between two of these stand together [-]."""


@dataclass(frozen=True, slots=True)
class Told:
    """Nights that were given a chance between two edges.

    Attributes
    ----------
    low, high : the edges [-].
    nights, short : how many there are, and how many had a departure short.
    expected : how many would be, by the chances told.
    """

    low: float
    high: float
    nights: int
    short: int
    expected: float


def calibration(flows: RolledFlows) -> tuple[Told, ...]:
    """Return the nights of a period by the chance that was told for any departure of theirs to be short.

    Returns
    -------
    One row for each two edges between which a chance was told; none where the forecast is not of samples.
    """
    return tuple(_rows(flows))


def _rows(flows: RolledFlows) -> Iterator[Told]:
    chance, short = flows.night["chance_short"], flows.night["missed_departures"] > 0
    for low, high in pairwise(EDGES):
        inside = (chance >= low) & ((chance < high) | (high == EDGES[-1]))
        if inside.any():
            yield Told(low, high, int(inside.sum()), int(short[inside].sum()), float(chance[inside].sum()))


def calibration_text(flows: RolledFlows) -> str:
    """Return the rows as text for one cell; "none" where no chance was told."""
    told = [
        f"{row.short} of {row.nights} short where {100 * row.low:g} to {100 * row.high:g} % was told"
        for row in calibration(flows)
    ]
    return "; ".join(told) or "none"
