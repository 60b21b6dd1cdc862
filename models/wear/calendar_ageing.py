"""The cost of calendar ageing by stored energy: a convex function of a few straight lines.

A law of calendar ageing gives the life that an hour uses by state of charge. A linear program can hold its lower convex
envelope times the battery's price, linear between a few knots: the cost is the highest of the lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray
from models.wear.convex_envelope import convex_envelope
from models.wear.law import CalendarLaw

GRID_STEPS = 1000
MOST_LINES = 6
CLOSE_ENOUGH = 1e-9
"""No further knot is added once the lines are this close to the envelope [share of its highest value]."""


@dataclass(frozen=True, slots=True, eq=False)
class CalendarPrice:
    """The cost of calendar ageing per hour, by stored energy.

    Attributes
    ----------
    knots_kwh : stored energy at the knots, rising to the capacity [kWh], shape (k,). The first line continues below the
        first knot.
    money_per_hour : cost of an hour at each knot, convex [money per hour], shape (k,).

    Examples
    --------
    >>> price = CalendarPrice(np.array([0.0, 20.0, 40.0]), np.array([0.0, 0.02, 0.08]))
    >>> price.cost(np.array([10.0, 30.0])).round(3).tolist()
    [0.01, 0.05]
    """

    knots_kwh: FloatArray
    money_per_hour: FloatArray

    def lines(self) -> tuple[FloatArray, FloatArray]:
        """Return the slope [money per kWh and hour] and the intercept [money per hour] of each line, of shape (k - 1,).

        The cost is at least slope × stored energy + intercept for every line.
        """
        slope = np.maximum.accumulate(np.diff(self.money_per_hour) / np.diff(self.knots_kwh))
        return slope, np.asarray(self.money_per_hour[:-1] - slope * self.knots_kwh[:-1], dtype=np.float64)

    def cost(self, stored_kwh: FloatArray) -> FloatArray:
        """Return the cost of an hour [money per hour] at stored energy [kWh], of its shape: the highest line, or 0."""
        slope, intercept = self.lines()
        lines = np.max(np.multiply.outer(stored_kwh, slope) + intercept, axis=-1)
        return np.asarray(np.maximum(lines, 0.0), dtype=np.float64)


def calendar_price(
    law: CalendarLaw,
    battery_price: float,
    battery_kwh: float,
    temp_degc: float,
    age_years: float,
    lowest_soc: float = 0.0,
) -> CalendarPrice:
    """Return the cost of calendar ageing by a law, in at most MOST_LINES lines.

    Each further knot is put where the lines are furthest from the envelope.

    Parameters
    ----------
    law : a law of calendar ageing.
    battery_price : price of a replacement battery [money].
    battery_kwh : usable capacity [kWh].
    temp_degc : temperature of the battery [degrees C].
    age_years : age of the battery [a].
    lowest_soc : state of charge at which the envelope begins, 0 or more and below 1. A law that falls steeply when the
        battery is nearly empty ("nmc") has an envelope far below it everywhere; one that begins at the floor is close
        to the law where the car is in use.

    Raises
    ------
    ValueError : lowest_soc is below 0, or 1 or more.

    Examples
    --------
    At half charge and full, where the law itself gives 0.0727 and 0.1223 money per hour:

    >>> from models.wear.stress import StressLaw
    >>> price = calendar_price(StressLaw(), 8000.0, 40.0, temp_degc=25.0, age_years=3.0)
    >>> len(price.lines()[0]), price.cost(np.array([20.0, 40.0])).round(4).tolist()
    (6, [0.0731, 0.1223])
    """
    if not 0 <= lowest_soc < 1:
        raise ValueError("the lowest state of charge must be 0 or more, and below 1")
    soc = np.linspace(lowest_soc, 1, GRID_STEPS + 1)
    money = battery_price * convex_envelope(soc, law.life_lost_per_hour(soc, temp_degc, age_years))
    knots = [0, GRID_STEPS]
    while len(knots) <= MOST_LINES:
        gap = np.interp(soc, soc[knots], money[knots]) - money
        worst = int(np.argmax(gap))
        if gap[worst] <= CLOSE_ENOUGH * money.max():
            break
        knots = sorted([*knots, worst])
    return CalendarPrice(soc[knots] * battery_kwh, money[knots])


def calendar_cost(price: CalendarPrice, hours: FloatArray, stored_kwh: FloatArray) -> FloatArray:
    """Return the cost of calendar ageing in each interval, at the mean of the costs at its two ends.

    Parameters
    ----------
    price : cost of an hour by stored energy.
    hours : length of each interval [h], shape (n,).
    stored_kwh : stored energy at the boundaries [kWh], shape (n + 1,).

    Returns
    -------
    Cost [money], shape (n,).

    Examples
    --------
    >>> price = CalendarPrice(np.array([0.0, 20.0, 40.0]), np.array([0.0, 0.02, 0.08]))
    >>> calendar_cost(price, np.array([2.0]), np.array([30.0, 20.0])).round(3).tolist()
    [0.07]
    """
    at = price.cost(stored_kwh)
    return np.asarray(hours * (at[1:] + at[:-1]) / 2, dtype=np.float64)
