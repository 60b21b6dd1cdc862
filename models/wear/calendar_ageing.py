"""What an hour of standing costs by stored energy: a convex price of a few straight pieces.

A law of calendar ageing gives life per hour by state of charge. Its lower convex envelope times the battery's price,
straight between a few knots, is what a linear program can hold: the cost is the highest of its lines.
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
"""No further knot where the pieces are this close to the envelope [share of its highest value]."""


@dataclass(frozen=True, slots=True, eq=False)
class CalendarPrice:
    """Money per hour by stored energy.

    Attributes
    ----------
    knots_kwh : stored energy, rising to the capacity [kWh], shape (k,). Under the first the first line goes on.
    money_per_hour : cost of an hour there, convex [money per hour], shape (k,).
    """

    knots_kwh: FloatArray
    money_per_hour: FloatArray

    def lines(self) -> tuple[FloatArray, FloatArray]:
        """Slope [money per kWh and hour] and intercept [money per hour] of each piece, both of shape (k - 1,).

        The cost is at least slope × stored energy + intercept for every one.
        """
        slope = np.maximum.accumulate(np.diff(self.money_per_hour) / np.diff(self.knots_kwh))
        return slope, np.asarray(self.money_per_hour[:-1] - slope * self.knots_kwh[:-1], dtype=np.float64)

    def cost(self, stored_kwh: FloatArray) -> FloatArray:
        """Money per hour at stored energy [kWh] within the capacity: the highest of the lines and 0, its shape."""
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
    """The price of standing by a law, in at most MOST_LINES pieces, each begun where they are furthest off.

    Parameters
    ----------
    battery_price : money for a replacement battery [money].
    battery_kwh : usable capacity [kWh].
    temp_degc : temperature of the battery [degrees C].
    age_years : age of the battery [a].
    lowest_soc : where the envelope begins [0 to 1, below 1]. A law that falls steeply when nearly empty ("nmc") has an
        envelope far below it all over; one that begins at the floor is close where the car is.

    Raises
    ------
    ValueError : lowest_soc of 1 or more, or below 0.
    """
    if not 0 <= lowest_soc < 1:
        raise ValueError("the lowest state of charge must be from 0 to below 1")
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
    """Money for standing in each interval, shape (n,), at the mean of the costs at its two ends.

    Parameters
    ----------
    hours : length of each interval [h], shape (n,).
    stored_kwh : at the boundaries [kWh], shape (n + 1,).
    """
    at = price.cost(stored_kwh)
    return np.asarray(hours * (at[1:] + at[:-1]) / 2, dtype=np.float64)
