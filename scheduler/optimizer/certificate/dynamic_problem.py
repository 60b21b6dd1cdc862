"""What the dynamic program is asked and what it answers: weights, prices and limits in, ways through the night out."""

from __future__ import annotations

from dataclasses import dataclass

from models.base.arrays import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Weights:
    """What is minimised: money, and the three shortages, each with its weight; on the way by trip, shape (trips,).

    What is missing before a departure counts where a trip is to be ready first, which is no more than where it is most;
    with `all_ready` at every boundary until the departure.
    """

    money: float
    on_the_way: FloatArray
    missing: float = 0.0
    unready: float = 0.0
    all_ready: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Prices:
    """Prices put on what couples the intervals.

    Attributes
    ----------
    stored : of stored energy, shape (n + 1,). given : of energy given away.
    pull : price of every kWh and boundary away from `towards` [kWh], shape (n + 1,): for plans like that, no bound.
    """

    stored: FloatArray
    given: float = 0.0
    pull: float = 0.0
    towards: FloatArray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Limits:
    """Least and most stored energy at each boundary [kWh], shape (n + 1,)."""

    least_kwh: FloatArray
    most_kwh: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """One way through the night.

    Attributes
    ----------
    stored_kwh : at the boundaries [kWh], shape (n + 1,).
    mode : CHARGE, DISCHARGE or IDLE in each interval, shape (n,).
    cost : without wear and without prices.
    given_kwh : energy out of the charger, AC side [kWh].
    """

    stored_kwh: FloatArray
    mode: IntArray
    cost: float
    given_kwh: float
