"""Wear law "stress": the capacity falls with a product of factors for depth, state of charge, temperature and time.

Source: B. Xu, A. Oudalov, A. Ulbig, G. Andersson and D. S. Kirschen, "Modeling of Lithium-Ion Battery Degradation for
Cell Life Assessment", IEEE Transactions on Smart Grid 9(2), 2018; constants as fitted there to lithium manganese oxide
cells. With depth d, mean state of charge s, temperature T [K] and time t [s]

    S_d = 1 / (1.40e5 d^-0.501 - 1.23e5)      S_s = exp(1.04 (s - 0.5))      S_t = 4.14e-10 t
    S_T = exp(0.0693 (T - 298.15) 298.15 / T)
    f = sum over cycles of count S_d S_s S_T + sum over time of S_t S_s S_T
    capacity lost L = 1 - 0.0575 exp(-121 f) - 0.9425 exp(-f)

Over time the source takes S_s and S_T at the mean state of charge and the mean temperature of the whole profile. Here
they are integrated, period by period, so that a trace and its parts age alike. S_s is convex, so the integral is never
lower at one temperature: by 0 for a car that stands still, 0.3 to 2.1 % over four weeks on the demo sites (temperature
included), 4.9 % at most within a window of 20 to 80 %, 6.7 % within 15 to 85 %, if half of the time is spent at either
end. Cycles are taken at their own mean state of charge, as in the source.

The first exponential describes the film that forms on the electrode of a new cell; it soon levels off.

A share of life is f divided by the f at which L is 0.2 (0.1639). f is a sum, so a cycle uses the same share at any age,
and the shares add up to one life (Palmgren and Miner's rule, which the source applies to f too). The alternative, the
capacity lost now divided by 0.2, would price a new battery's first cycles eight times as high as later ones, although
moving a cycle from the first year to the fifth does not change the end of life.

Valid (from memory): depths of 10 to 100 %; 15 to 55 degrees C, since below about 15 degrees lithium plating adds wear
that the law does not include. S_d is concave below a depth of 0.1437, so a linear program takes its convex envelope.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from models.base.arrays import FloatArray
from models.wear.cycles import Cycles
from models.wear.law import (
    CAPACITY_LOST_AT_END,
    CELSIUS_ZERO_KELVIN,
    DAYS_A_YEAR,
    HOURS_A_DAY,
    LawSettings,
    LifeUsed,
    ValidRange,
    broadcast,
)
from models.wear.soc_trace import TimeSpent

REFERENCE_KELVIN, REFERENCE_SOC = 298.15, 0.5
TIME_STRESS_PER_HOUR = 4.14e-10 * 3600
FILM_SHARE, FILM_RATE = 0.0575, 121.0
USUAL_DEPTH = 0.5
"""Assumed depth of the cycles that the battery has had so far [0 to 1]."""


def depth_stress(depth: FloatArray) -> FloatArray:
    """Return S_d, what a full cycle adds to f at the reference [-], shape of depth; 0 at depth 0.

    Examples
    --------
    >>> [f"{stress:.5e}" for stress in depth_stress(np.array([0.5, 1.0]))]
    ['1.33108e-05', '5.88235e-05']
    """
    deep = np.maximum(depth, np.finfo(np.float64).tiny)
    return np.asarray(np.where(depth > 0, 1 / (1.40e5 * deep**-0.501 - 1.23e5), 0.0), dtype=np.float64)


def soc_stress(soc: float | FloatArray) -> FloatArray:
    """Return S_s, the factor for a state of charge [0 to 1]; 1 at half charge [-].

    Examples
    --------
    >>> soc_stress(np.array([0.5, 0.9])).round(4).tolist()
    [1.0, 1.5159]
    """
    return np.asarray(np.exp(1.04 * (np.asarray(soc) - REFERENCE_SOC)), dtype=np.float64)


def temperature_stress(temp_degc: float | FloatArray) -> FloatArray:
    """Return S_T, the factor for a temperature; 1 at 25 degrees C [-].

    Examples
    --------
    >>> temperature_stress(np.array([15.0, 25.0])).round(5).tolist()
    [0.48819, 1.0]
    """
    kelvin = np.asarray(temp_degc) + CELSIUS_ZERO_KELVIN
    return np.asarray(np.exp(0.0693 * (kelvin - REFERENCE_KELVIN) * REFERENCE_KELVIN / kelvin), dtype=np.float64)


def capacity_lost(stress: float) -> float:
    """Return L, the share of the capacity lost at a value of f [-].

    Examples
    --------
    A year of calendar ageing at 25 degrees C and half charge, 4.14e-10 per second:

    >>> round(capacity_lost(4.14e-10 * 365.25 * 86400), 5)
    0.0579
    """
    return float(1 - FILM_SHARE * np.exp(-FILM_RATE * stress) - (1 - FILM_SHARE) * np.exp(-stress))


STRESS_AT_END = float(np.log((1 - FILM_SHARE) / (1 - CAPACITY_LOST_AT_END)))
"""The f at which L is 0.2 [-]; the film's exponential is 2e-9 there and is left out."""


@dataclass(frozen=True, slots=True)
class StressLaw:
    """A wear law by f.

    Attributes
    ----------
    stress_so_far : f before the first cycle [-]. It affects the capacity lost, but not the share of life.
    """

    name: ClassVar[str] = "stress"
    source: ClassVar[str] = "Xu, Oudalov, Ulbig, Andersson and Kirschen, IEEE Trans. Smart Grid 9(2), 2018"
    valid: ClassVar[ValidRange] = ValidRange((0.1, 1.0), (0.0, 1.0), (15.0, 55.0))

    stress_so_far: float = 0.0

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Return the share of the battery's life that one full cycle uses [-], shape of depth."""
        stress = depth_stress(depth) * soc_stress(mean_soc) * temperature_stress(temp_degc)
        return broadcast(np.asarray(stress / STRESS_AT_END), depth)

    def life_lost_per_hour(self, soc: FloatArray, temp_degc: float | FloatArray, age_years: float) -> FloatArray:
        """Return the share of life that an hour uses [1/h], shape of soc; equal at every age: f is linear in time."""
        stress = TIME_STRESS_PER_HOUR * soc_stress(soc) * temperature_stress(temp_degc)
        return broadcast(np.asarray(stress / STRESS_AT_END), soc)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Return life used and capacity lost; the capacity is divided between the two kinds of ageing as f is."""
        by_cycles = float(cycles.count @ self.life_lost(cycles.depth, cycles.mean_soc, cycles.temp_degc))
        by_calendar = float(time.hours @ self.life_lost_per_hour(time.soc, time.temp_degc, 0.0))
        both = by_cycles + by_calendar
        end = self.stress_so_far + both * STRESS_AT_END
        lost = capacity_lost(end) - capacity_lost(self.stress_so_far)
        share = by_cycles / both if both > 0 else 0.0
        return LifeUsed(by_cycles, by_calendar, lost * share, lost * (1 - share))


def stress_law(settings: LawSettings) -> StressLaw:
    """Return the law for a battery that has aged at the reference conditions, with cycles of half depth.

    Examples
    --------
    >>> round(stress_law(LawSettings(age_years=1.0, full_cycles_a_year=0.0)).stress_so_far, 6)
    0.013065
    """
    by_calendar = TIME_STRESS_PER_HOUR * HOURS_A_DAY * DAYS_A_YEAR
    by_cycles = settings.full_cycles_a_year / USUAL_DEPTH * float(depth_stress(np.array([USUAL_DEPTH]))[0])
    return StressLaw(settings.age_years * (by_calendar + by_cycles))
