"""Wear law "nmc": calendar and cycle ageing fitted to one cell of nickel manganese cobalt oxide.

Source: J. Schmalstieg, S. Käbitz, M. Ecker and D. U. Sauer, "A holistic aging model for Li(NiMnCo)O2 based 18650
lithium-ion batteries", Journal of Power Sources 257, 2014. With storage voltage V, temperature T [K], time t [days],
throughput Q of the 2.15 Ah cell [Ah, in and out both counted], mean voltage v of a cycle and its depth d

    capacity = 1 - alpha(V, T) t^0.75 - beta(v, d) sqrt(Q)
    alpha = (7.543 V - 23.75) 1e6 exp(-6976 / T)
    beta = 7.348e-3 (v - 3.667)^2 + 7.60e-4 + 4.081e-3 d

The mean voltage of a cycle is taken as the open-circuit voltage at its mean state of charge (the source takes the
quadratic mean of the measured voltage; with the voltage table here that moves beta by less than 1 % within 20 to 80 %
charge, 2.4 % from 5 % up, and 17 % in a cycle of 0 to 10 %). alpha would fall below zero under 3.149 V and is held at 0
there.

The price of a cycle or an hour is marginal, at the battery's age: the capacity it takes there over 0.2. Both roots fall
off with age, so an old battery's cycles cost less. That is what the next cycle takes now; since life ends by throughput
in all, it is more than a young battery's cycle moves the end of life (the law "stress" is priced by that). Under a
quarter of a year the marginal at a quarter holds, for at age 0 it has no end.

Valid (warnings take the two parts together): storage at every state of charge at 50 degrees C, and at half charge at 35
to 50; cycles at 35 and 1C, in depths of 5 to 100 % (depths from memory). At the temperatures of a parked car calendar
ageing is therefore extrapolated.
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

CELL_AH = 2.15
LEAST_AGE_YEARS = 0.25
TIME_EXPONENT = 0.75

OPEN_CIRCUIT_SOC = np.array([0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 100]) / 100
OPEN_CIRCUIT_VOLTS = np.array([3.00, 3.35, 3.44, 3.53, 3.59, 3.63, 3.68, 3.77, 3.87, 3.97, 4.07, 4.18])
"""Open-circuit voltage of such a cell by state of charge [V]: typical of the chemistry, from memory, not measured."""


def open_circuit_volts(soc: float | FloatArray) -> FloatArray:
    """Open-circuit voltage [V], straight between the table's points, shape of soc [0 to 1]."""
    return np.asarray(np.interp(soc, OPEN_CIRCUIT_SOC, OPEN_CIRCUIT_VOLTS), dtype=np.float64)


def calendar_rate(volts: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
    """alpha, the share of capacity lost in the first day to the power 0.75 [-]."""
    kelvin = np.asarray(temp_degc) + CELSIUS_ZERO_KELVIN
    rate = np.maximum(7.543 * np.asarray(volts) - 23.75, 0.0) * 1e6 * np.exp(-6976 / kelvin)
    return np.asarray(rate, dtype=np.float64)


def cycle_rate(mean_volts: float | FloatArray, depth: float | FloatArray) -> FloatArray:
    """beta, the share of capacity lost by the first Ah of the cell [-]."""
    rate = 7.348e-3 * (np.asarray(mean_volts) - 3.667) ** 2 + 7.60e-4 + 4.081e-3 * np.asarray(depth)
    return np.asarray(rate, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class NmcLaw:
    """Life by the square root of throughput and the age to the power 0.75.

    Attributes
    ----------
    age_years : the battery's age [a].
    throughput_so_far_ah : of one cell of 2.15 Ah, in and out both counted [Ah].
    marginal_throughput_ah : at which a cycle is priced; above zero [Ah].
    """

    name: ClassVar[str] = "nmc"
    source: ClassVar[str] = "Schmalstieg, Käbitz, Ecker and Sauer, J. Power Sources 257, 2014"
    valid: ClassVar[ValidRange] = ValidRange((0.05, 1.0), (0.0, 1.0), (35.0, 50.0))

    age_years: float
    throughput_so_far_ah: float
    marginal_throughput_ah: float

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Share of life of one full cycle [-], shape of depth: its Ah times what one more Ah takes."""
        per_ah = cycle_rate(open_circuit_volts(mean_soc), depth) / (2 * np.sqrt(self.marginal_throughput_ah))
        return broadcast(np.asarray(cell_ah(depth) * per_ah / CAPACITY_LOST_AT_END), depth)

    def life_lost_per_hour(self, soc: FloatArray, temp_degc: float | FloatArray, age_years: float) -> FloatArray:
        """Share of life of an hour [1/h], shape of soc, at this age [a]."""
        days = DAYS_A_YEAR * max(age_years, LEAST_AGE_YEARS)
        per_day = TIME_EXPONENT * days ** (TIME_EXPONENT - 1) * calendar_rate(open_circuit_volts(soc), temp_degc)
        return broadcast(np.asarray(per_day / HOURS_A_DAY / CAPACITY_LOST_AT_END), soc)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Capacity by the law itself, from the age on, and as a share of life the same over 0.2.

        Time: each stretch at its own alpha and the battery's age in it. Cycles: throughput at the mean of beta over it,
        since counted cycles lie within each other and have no order.
        """
        throughput = cycles.count * cell_ah(cycles.depth)
        in_all = float(throughput.sum())
        rates = cycle_rate(open_circuit_volts(cycles.mean_soc), cycles.depth)
        roots = np.sqrt(self.throughput_so_far_ah + in_all) - np.sqrt(self.throughput_so_far_ah)
        by_cycles = float(rates @ throughput) / in_all * float(roots) if in_all > 0 else 0.0
        days = self.age_years * DAYS_A_YEAR + np.concatenate([[0.0], np.cumsum(time.hours) / HOURS_A_DAY])
        alpha = calendar_rate(open_circuit_volts(time.soc), time.temp_degc)
        by_calendar = float(alpha @ np.diff(days**TIME_EXPONENT))
        return LifeUsed(by_cycles / CAPACITY_LOST_AT_END, by_calendar / CAPACITY_LOST_AT_END, by_cycles, by_calendar)


def cell_ah(depth: FloatArray) -> FloatArray:
    """Throughput of the cell in one full cycle of this depth, there and back [Ah], shape of depth."""
    return np.asarray(2 * depth * CELL_AH, dtype=np.float64)


def nmc_law(settings: LawSettings) -> NmcLaw:
    """The law for a battery of this age, with its full cycles so far as throughput."""
    a_year = settings.full_cycles_a_year * 2 * CELL_AH
    # a battery that was never cycled is priced as after one full cycle, for the marginal at none has no end
    least = max(LEAST_AGE_YEARS * a_year, 2 * CELL_AH)
    so_far = settings.age_years * a_year
    return NmcLaw(settings.age_years, so_far, max(so_far, least))
