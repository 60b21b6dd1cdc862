"""From what counting finds in a trace to what a program's wear segments charged for it, one reason after another."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.wear.cycles import count_cycles
from models.wear.law import WearLaw
from models.wear.prices import REFERENCE_DEGC, envelope_of_law
from models.wear.segments import WearSegments, initial_fill_kwh, wear_cost
from models.wear.soc_trace import SocTrace
from models.wear.stress import REFERENCE_SOC


@dataclass(frozen=True, slots=True)
class WearDifference:
    """Money for the wear of one trace; `counted` and the five that follow add up to `program`.

    Attributes
    ----------
    counted : each counted cycle by the law, at its own state of charge and temperature.
    conditions : since segments hold one mean state of charge and one temperature for all cycles.
    envelope : since they hold the law's convex envelope, which is never over it; 0 or less.
    segments : since they are straight between their edges; 0 or more.
    open_ends : since a half cycle counts half, but each kWh taken out is charged at once, and none put in.
    before : from the segments all full when the trace begins, to what the program knew of the day before it, and of
        energy that passed through on the way.
    """

    counted: float
    conditions: float
    envelope: float
    segments: float
    open_ends: float
    before: float

    @property
    def program(self) -> float:
        """What the program charged [money]."""
        return self.counted + self.conditions + self.envelope + self.segments + self.open_ends + self.before


def wear_difference(
    law: WearLaw,
    trace: SocTrace,
    segments: WearSegments,
    battery_price: float,
    program_cost: float,
    mean_soc: float = REFERENCE_SOC,
    temp_degc: float = REFERENCE_DEGC,
) -> WearDifference:
    """Explain a program's wear for a trace.

    Parameters
    ----------
    law : that the segments were cut from.
    segments : sizes [kWh], which add up to the battery's capacity, and prices [money per kWh].
    battery_price : money for a replacement battery [money].
    program_cost : what the program charged for the trace [money].
    mean_soc, temp_degc : at which the segments were priced [0 to 1, degrees C].
    """
    cycles = count_cycles(trace)
    own = battery_price * float(cycles.count @ law.life_lost(cycles.depth, cycles.mean_soc, cycles.temp_degc))
    at_reference = battery_price * float(cycles.count @ law.life_lost(cycles.depth, mean_soc, temp_degc))
    envelope = battery_price * float(cycles.count @ envelope_of_law(law, cycles.depth, mean_soc, temp_degc))
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
