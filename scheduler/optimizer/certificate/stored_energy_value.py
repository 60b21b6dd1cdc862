"""What stored energy is worth at a boundary of a night: the value function of the dynamic program."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_problem import Limits, Prices, Weights
from scheduler.optimizer.certificate.dynamic_program import IDLE, DynamicProgram

SHORTAGE_PRICE = 1e3
"""Price of a kWh that a trip is short of, in kWh at the night's highest price: served first, as in the plan."""


def value_of_stored_energy(night: Night, boundary: int) -> FloatArray:
    """Return what each stored energy at a boundary is worth for the rest of the night.

    The worth is the least money of all that comes after the boundary, with its sign turned round: import and export,
    charging on the way, calendar ageing, the window, starts and the energy left at the end. Wear by cycling and the
    discharge limit, which look back further than stored energy, are left out. The charger idles before the boundary.

    Parameters
    ----------
    boundary : 0 is now, the number of intervals the end.

    Returns
    -------
    Breakpoints, rising: stored energy [kWh] and worth [money], shape (points, 2), from empty to full. Straight in
    between; where the worth jumps, two points have the same stored energy.

    Raises
    ------
    ValueError : no such boundary, or a night whose prices depend on amounts or that is set by hand.

    Examples
    --------
    >>> from scheduler.api import night, site, value_of_stored_energy
    >>> tonight = night(site("scenarios/bookbindery"), 71, now="2026-03-02T18:20", trips="07:30-18:00 96km")
    >>> kwh, money = value_of_stored_energy(tonight, boundary=3).T  # at 21:00
    >>> round(float(np.interp(41, kwh, money) - np.interp(40, kwh, money)), 3)  # what the 41st kWh is worth
    0.121
    """
    if not 0 <= boundary <= night.intervals:
        raise ValueError(f"boundary {boundary} is not one of 0 to {night.intervals}")
    if night.setting.by_hand or night.prices_depend_on_amounts:
        raise ValueError("the worth of stored energy is known for free schedules at fixed prices only")
    short = np.full(len(night.trips), SHORTAGE_PRICE)
    program = DynamicProgram(night, True, Weights(1.0, short, missing=SHORTAGE_PRICE, unready=SHORTAGE_PRICE))
    most = np.full(night.intervals + 1, night.car.battery_kwh)
    free = Prices(np.zeros(night.intervals + 1))
    values = program.backward([free], [Limits(np.zeros(night.intervals + 1), most)], 0.0)
    number = next(k for k, stop in enumerate(program.stops) if stop.first <= boundary <= stop.last)
    layer, stop = values.layers[number], program.stops[number]
    stood = sum(
        (program.standing_cost(each, stop.bends) for each in range(stop.first, boundary + 1)),
        np.zeros(len(stop.bends)),
    )
    lane = IDLE * program.lane
    inside = layer.edges[(layer.edges > lane - 1.0) & (layer.edges < lane + program.lane / 2)]
    edges = np.unique(np.concatenate([inside, lane + stop.bends[(stop.bends > inside[0] - lane)]]))
    cell = np.searchsorted(layer.edges, (edges[:-1] + edges[1:]) / 2)
    ends = np.stack([edges[:-1], edges[1:]], axis=1)
    cost = layer.intercept[cell][:, None] + layer.slope[cell][:, None] * ends
    cost -= np.interp(ends - lane, stop.bends, stood)
    later = float(program.idle_cost[boundary:].sum())
    points = np.stack([(ends - lane).ravel(), -(cost.ravel() + later) * program.unit], axis=1)
    again = np.concatenate([[False], np.abs(np.diff(points, axis=0)).max(axis=1) < 1e-9])
    return np.asarray(points[~again], dtype=np.float64)
