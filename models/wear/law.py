"""What every wear law offers: the life that a cycle or an hour uses, and the range in which the law was measured.

Life ends at 80 % of the capacity unless a law says otherwise. A share of life times the battery's price is a cost.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np

from models.base.arrays import FloatArray
from models.wear.cycles import Cycles
from models.wear.segments import PowerLaw
from models.wear.soc_trace import TimeSpent

CAPACITY_LOST_AT_END = 0.2
"""Capacity lost at the end of life, common practice for car batteries [0 to 1]."""
CELSIUS_ZERO_KELVIN = 273.15
DAYS_A_YEAR = 365.25
HOURS_A_DAY = 24.0
PUBLISHED_DEPTH_LAW = PowerLaw(5.24e-4, 2.03)
"""From the case study of Xu, Zhao et al. 2018 (from memory)."""


@dataclass(frozen=True, slots=True)
class LawSettings:
    """What the laws may need to know about the battery; each law takes what it uses.

    Attributes
    ----------
    age_years : age of the battery [a]. The default of 3 is an assumption.
    full_cycles_a_year : equivalent full cycles in each year so far [1/a]. The default of 50 is an assumption: 12 000 km
        a year at 16.5 kWh per 100 km from a 40 kWh battery.
    depth_law : for the law "depth", coefficient and exponent; the published ones by default.
    life_full_cycles : for the law "flat", lifetime throughput in equivalent full cycles [-]; by default 2000 cycles of
        80 % depth, Kempton and Tomić 2005 (from memory).
    """

    age_years: float = 3.0
    full_cycles_a_year: float = 50.0
    depth_law: PowerLaw = PUBLISHED_DEPTH_LAW
    life_full_cycles: float = 1600.0

    def __post_init__(self) -> None:
        """Raise a ValueError for values that no battery has."""
        if not (self.age_years >= 0 and self.full_cycles_a_year >= 0 and self.life_full_cycles > 0):
            raise ValueError("age and cycles so far must be 0 or more, and the cycles of a life more than 0")


@dataclass(frozen=True, slots=True)
class ValidRange:
    """The range in which a law was measured: lowest and highest value, or None for what the law does not depend on.

    Attributes
    ----------
    depth : depth of cycles [0 to 1].
    soc : state of charge [0 to 1].
    temp_degc : temperature [degrees C].
    """

    depth: tuple[float, float] | None
    soc: tuple[float, float] | None
    temp_degc: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class LifeUsed:
    """What a trace used of the battery, by cycle ageing and by calendar ageing.

    Attributes
    ----------
    by_cycles, by_calendar : share of the battery's life used [-].
    capacity_by_cycles, capacity_by_calendar : share of the capacity lost [-]; None if the law gives only life.

    Examples
    --------
    >>> used = LifeUsed(by_cycles=0.25, by_calendar=0.5)
    >>> used.total, used.capacity_lost
    (0.75, None)
    """

    by_cycles: float
    by_calendar: float = 0.0
    capacity_by_cycles: float | None = None
    capacity_by_calendar: float | None = None

    @property
    def total(self) -> float:
        """Return the share of the battery's life used by both [-]."""
        return self.by_cycles + self.by_calendar

    @property
    def capacity_lost(self) -> float | None:
        """Return the share of the capacity lost by both [-], or None if the law gives only life."""
        if self.capacity_by_cycles is None or self.capacity_by_calendar is None:
            return None
        return self.capacity_by_cycles + self.capacity_by_calendar


class WearLaw(Protocol):
    """What a law of cycle ageing offers."""

    def __hash__(self) -> int:
        """Return the same for laws that are equal: prices by a law are kept."""
        ...

    @property
    def name(self) -> str:
        """Return the name of the law in a site's file."""

    @property
    def source(self) -> str:
        """Return where it was published: author, journal and year."""

    @property
    def valid(self) -> ValidRange:
        """Return the range in which it was measured."""

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Return the share of the battery's life that one full cycle uses at its present age [-], shape of depth.

        Parameters
        ----------
        depth : range of state of charge [0 to 1].
        mean_soc : middle of that range [0 to 1], a number or of the shape of depth.
        temp_degc : temperature [degrees C], a number or of the shape of depth.
        """

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Return what counted cycles and the time spent use, starting at the law's age."""


@runtime_checkable
class CalendarLaw(Protocol):
    """What a law of calendar ageing offers; a law of cycle ageing may be one too."""

    @property
    def name(self) -> str:
        """Return the name of the law in a site's file."""

    @property
    def source(self) -> str:
        """Return where it was published: author, journal and year."""

    @property
    def valid(self) -> ValidRange:
        """Return the range in which it was measured."""

    def life_lost_per_hour(self, soc: FloatArray, temp_degc: float | FloatArray, age_years: float) -> FloatArray:
        """Return the share of the battery's life that an hour uses [1/h], shape of soc.

        Parameters
        ----------
        soc : state of charge [0 to 1].
        temp_degc : temperature [degrees C], a number or of the shape of soc.
        age_years : age of the battery [a].
        """


def linear_damage(law: WearLaw, cycles: Cycles) -> float:
    """Return the share of life that counted cycles use, if the order of the cycles does not matter.

    This is Palmgren and Miner's linear rule: the shares of the cycles add up.

    Parameters
    ----------
    law : a law of cycle ageing.
    cycles : counted cycles.

    Examples
    --------
    A full and a half cycle of the whole battery, by a law that gives it 1600 cycles:

    >>> from models.wear.flat import FlatLaw
    >>> one, rows = np.ones(2), np.zeros(2, dtype=np.int64)
    >>> cycles = Cycles(one, one / 2, np.array([1.0, 0.5]), rows, rows, 20 * one)
    >>> round(1600 * linear_damage(FlatLaw(1600.0), cycles), 6)
    1.5
    """
    return float(cycles.count @ law.life_lost(cycles.depth, cycles.mean_soc, cycles.temp_degc))


def range_warnings(law: WearLaw | CalendarLaw, depth: FloatArray, soc: FloatArray, temp_degc: FloatArray) -> list[str]:
    """Return a warning for each quantity with values outside the range in which the law was measured.

    Parameters
    ----------
    law : a law of cycle or calendar ageing.
    depth, soc : depths of cycles and states of charge [0 to 1], each of any length, 0 included.
    temp_degc : temperatures [degrees C], of any length, 0 included.

    Examples
    --------
    >>> from models.wear.stress import StressLaw
    >>> range_warnings(StressLaw(), np.array([0.5]), np.array([0.5]), np.array([-5.0, 10.0]))
    ['wear law "stress": temperatures from -5 to 10 °C lie outside 15 to 55 °C, where it was measured']
    """
    kinds = (
        ("depths", 100 * depth, law.valid.depth, 100.0, "%"),
        ("states of charge", 100 * soc, law.valid.soc, 100.0, "%"),
        ("temperatures", temp_degc, law.valid.temp_degc, 1.0, "°C"),
    )
    warnings = []
    for what, values, valid, scale, unit in kinds:
        if valid is None:
            continue
        lowest, highest = (scale * end for end in valid)
        outside = values[(values < lowest - 1e-9) | (values > highest + 1e-9)]
        if len(outside):
            least, most = f"{outside.min():.3g}", f"{outside.max():.3g}"
            found = f"of {least}" if least == most else f"from {least} to {most}"
            warnings.append(
                f'wear law "{law.name}": {what} {found} {unit} lie outside '
                f"{lowest:g} to {highest:g} {unit}, where it was measured"
            )
    return warnings


def broadcast(values: FloatArray, depth: FloatArray) -> FloatArray:
    """Return values broadcast to the shape of depth.

    Examples
    --------
    >>> broadcast(np.array(2.0), np.zeros(3)).tolist()
    [2.0, 2.0, 2.0]
    """
    return np.asarray(np.broadcast_to(values, np.shape(depth)), dtype=np.float64)
