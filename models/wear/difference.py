"""The difference between counted wear and the wear that a program charged by segments, reason by reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.wear.cycles import count_cycles
from models.wear.law import WearLaw
from models.wear.prices import REFERENCE_DEGC, States, envelope_of_law, mean_soc_at
from models.wear.segments import WearSegments, initial_fill_kwh, wear_cost
from models.wear.soc_trace import SocTrace
from models.wear.stress import REFERENCE_SOC


@dataclass(frozen=True, slots=True)
class WearDifference:
    """The cost of wear of a trace, counted and as charged; `counted` and the five terms after it add up to `program`.

    Attributes
    ----------
    counted : cost of each counted cycle by the law, at its own state of charge and temperature [money].
    conditions : because segments assume a state of charge for each depth and one temperature for all cycles
        [money].
    envelope : because they use the law's convex envelope, which is never above it; 0 or less [money].
    segments : because they are linear between their edges; 0 or more [money].
    open_ends : because a half cycle counts half, while segments charge each kWh as it is taken out, and none that is
        put in [money].
    before : because the program knew the driving of the day before, while the other terms start with the cheapest
        segments full; and because of energy that passed through the battery on the way [money].
    """

    counted: float
    conditions: float
    envelope: float
    segments: float
    open_ends: float
    before: float

    @property
    def program(self) -> float:
        """Return what the program charged [money]."""
        return self.counted + self.conditions + self.envelope + self.segments + self.open_ends + self.before


def wear_difference(
    law: WearLaw,
    trace: SocTrace,
    segments: WearSegments,
    battery_price: float,
    program_cost: float,
    states: States = REFERENCE_SOC,
    temp_degc: float = REFERENCE_DEGC,
) -> WearDifference:
    """Explain the difference between counted wear and what the program charged.

    Parameters
    ----------
    law : the wear law from which the segments were priced.
    trace : state of charge and temperature.
    segments : sizes, which add up to the battery's capacity, and prices.
    battery_price : price of a replacement battery [money].
    program_cost : what the program charged for the trace [money].
    states : the mean state of charge by depth at which the segments were priced.
    temp_degc : temperature at which the segments were priced [degrees C].

    Examples
    --------
    A discharge of half the battery that is not put back counts half:

    >>> import pandas as pd
    >>> from models.wear.flat import FlatLaw
    >>> from models.wear.prices import wear_segments_of_law
    >>> law, hours = FlatLaw(1600.0), pd.date_range("2026-03-02T18:00", periods=2, freq="h", tz="UTC")
    >>> trace = SocTrace(hours, np.array([0.8, 0.3]), np.full(2, 20.0))
    >>> segments = wear_segments_of_law(law, 8000.0, 40.0, [50, 100])
    >>> difference = wear_difference(law, trace, segments, 8000.0, program_cost=2.5)
    >>> round(difference.counted, 4), round(difference.open_ends, 4), round(difference.program, 4)
    (1.25, 1.25, 2.5)
    """
    cycles = count_cycles(trace)
    own = battery_price * float(cycles.count @ law.life_lost(cycles.depth, cycles.mean_soc, cycles.temp_degc))
    as_priced = law.life_lost(cycles.depth, mean_soc_at(states, cycles.depth), temp_degc)
    at_reference = battery_price * float(cycles.count @ as_priced)
    envelope = battery_price * float(cycles.count @ envelope_of_law(law, cycles.depth, states, temp_degc))
    edges_kwh = np.concatenate([[0.0], np.cumsum(segments.size_kwh)])
    money = np.concatenate([[0.0], np.cumsum(segments.size_kwh * segments.price_per_kwh)])
    battery_kwh = float(edges_kwh[-1])
    straight = float(cycles.count @ np.interp(cycles.depth * battery_kwh, edges_kwh, money))
    stored = trace.soc * battery_kwh
    change = np.diff(stored)
    initial = initial_fill_kwh(segments, float(stored[0]))
    greedy = float(wear_cost(segments, initial, np.maximum(change, 0.0), np.maximum(-change, 0.0)).sum())
    return WearDifference(
        counted=own,
        conditions=at_reference - own,
        envelope=envelope - at_reference,
        segments=straight - envelope,
        open_ends=greedy - straight,
        before=program_cost - greedy,
    )
