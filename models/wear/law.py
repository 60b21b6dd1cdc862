"""What a wear law gives: the life that a cycle or an hour uses, and the range in which it was measured.

Life ends at 80 % of the capacity unless a law says otherwise. A share of life is money once it is multiplied by the
battery's price.
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
"""Capacity lost at the end of life, common practice for car batteries [share]."""
CELSIUS_ZERO_KELVIN = 273.15
DAYS_A_YEAR = 365.25
HOURS_A_DAY = 24.0
PUBLISHED_DEPTH_LAW = PowerLaw(5.24e-4, 2.03)
"""Case study of Xu, Zhao et al. 2018 (from memory)."""


@dataclass(frozen=True, slots=True)
class LawSettings:
    """What laws may need to know of the battery; each law takes what it uses.

    Attributes
    ----------
    age_years : the battery's age; 3, an assumption, where nothing is known [a].
    full_cycles_a_year : equivalent full cycles in each year so far. The default of 50 is 12 000 km a year at 16.5 kWh
        per 100 km from a 40 kWh battery, an assumption [1/a].
    depth_law : of the law "depth"; by default the published one.
    life_full_cycles : of the law "flat": lifetime throughput in equivalent full cycles; by default 2000 cycles of
        80 % depth, Kempton and Tomić 2005 (from memory).
    """

    age_years: float = 3.0
    full_cycles_a_year: float = 50.0
    depth_law: PowerLaw = PUBLISHED_DEPTH_LAW
    life_full_cycles: float = 1600.0

    def __post_init__(self) -> None:
        """Refuse what no battery has."""
        if not (self.age_years >= 0 and self.full_cycles_a_year >= 0 and self.life_full_cycles > 0):
            raise ValueError("age and cycles so far must be 0 or more, and the cycles of a life more than 0")


@dataclass(frozen=True, slots=True)
class ValidRange:
    """Where a law was measured, lowest and highest: depth [0 to 1], state of charge [0 to 1], temperature [degrees C].

    A range that the law does not depend on is None.
    """

    depth: tuple[float, float] | None
    soc: tuple[float, float] | None
    temp_degc: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class LifeUsed:
    """What a trace used of the battery, by cycling and by the calendar.

    Attributes
    ----------
    by_cycles, by_calendar : share of the battery's life [-].
    capacity_by_cycles, capacity_by_calendar : share of the capacity lost [-]; None where a law knows of life alone.
    """

    by_cycles: float
    by_calendar: float = 0.0
    capacity_by_cycles: float | None = None
    capacity_by_calendar: float | None = None

    @property
    def total(self) -> float:
        """Share of the battery's life [-]."""
        return self.by_cycles + self.by_calendar

    @property
    def capacity_lost(self) -> float | None:
        """Share of the capacity lost [-], or None."""
        if self.capacity_by_cycles is None or self.capacity_by_calendar is None:
            return None
        return self.capacity_by_cycles + self.capacity_by_calendar


class WearLaw(Protocol):
    """A law of cycle wear."""

    @property
    def name(self) -> str:
        """The word for it in a site's file."""

    @property
    def source(self) -> str:
        """Author, journal and year."""

    @property
    def valid(self) -> ValidRange:
        """Where it was measured."""

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Share of the battery's life that one full cycle uses, at its present age; shape of depth.

        Parameters
        ----------
        depth : range of state of charge [0 to 1].
        mean_soc : middle of that range [0 to 1], one or of the shape of depth.
        temp_degc : temperature [degrees C], one or of the shape of depth.
        """

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """What counted cycles and time spent use, from the law's age on."""


@runtime_checkable
class CalendarLaw(Protocol):
    """A law of ageing by time alone; a wear law may be one too."""

    @property
    def name(self) -> str:
        """The word for it in a site's file."""

    @property
    def source(self) -> str:
        """Author, journal and year."""

    @property
    def valid(self) -> ValidRange:
        """Where it was measured."""

    def life_lost_per_hour(self, soc: FloatArray, temp_degc: float | FloatArray, age_years: float) -> FloatArray:
        """Share of the battery's life that an hour uses [1/h], shape of soc.

        Parameters
        ----------
        soc : state of charge [0 to 1].
        temp_degc : temperature [degrees C], one or of the shape of soc.
        age_years : the battery's age [a].
        """


def linear_damage(law: WearLaw, cycles: Cycles) -> float:
    """Life that counted cycles use when each adds the same wherever it comes (Palmgren and Miner's linear rule)."""
    return float(cycles.count @ law.life_lost(cycles.depth, cycles.mean_soc, cycles.temp_degc))


def range_warnings(law: WearLaw | CalendarLaw, depth: FloatArray, soc: FloatArray, temp_degc: FloatArray) -> list[str]:
    """One sentence for each quantity with values outside what the law was measured at.

    Parameters
    ----------
    depth, soc : [0 to 1]. temp_degc : [degrees C]. Each of any length, none included.
    """
    kinds = (
        ("depths", 100 * depth, law.valid.depth, 100.0, "%"),
        ("states of charge", 100 * soc, law.valid.soc, 100.0, "%"),
        ("temperatures", temp_degc, law.valid.temp_degc, 1.0, "°C"),
    )
    told = []
    for what, values, valid, scale, unit in kinds:
        if valid is None:
            continue
        lowest, highest = (scale * end for end in valid)
        outside = values[(values < lowest - 1e-9) | (values > highest + 1e-9)]
        if len(outside):
            least, most = f"{outside.min():.3g}", f"{outside.max():.3g}"
            found = f"of {least}" if least == most else f"from {least} to {most}"
            told.append(
                f'wear law "{law.name}": {what} {found} {unit} lie outside '
                f"{lowest:g} to {highest:g} {unit}, where it was measured"
            )
    return told


def broadcast(values: FloatArray, depth: FloatArray) -> FloatArray:
    """Values of the shape of depth, whatever they were made of."""
    return np.asarray(np.broadcast_to(values, np.shape(depth)), dtype=np.float64)
