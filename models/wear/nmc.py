"""Wear law "nmc": calendar and cycle ageing, fitted to a cell of nickel manganese cobalt oxide.

Source: J. Schmalstieg, S. Käbitz, M. Ecker and D. U. Sauer, "A holistic aging model for Li(NiMnCo)O2 based 18650
lithium-ion batteries", Journal of Power Sources 257, 2014. With storage voltage V, temperature T [K], time t [days],
throughput Q of the 2.15 Ah cell [Ah, charge and discharge both counted], mean voltage v of a cycle and its depth d

    capacity = 1 - alpha(V, T) t^0.75 - beta(v, d) sqrt(Q)
    alpha = (7.543 V - 23.75) 1e6 exp(-6976 / T)
    beta = 7.348e-3 (v - 3.667)^2 + 7.60e-4 + 4.081e-3 d

The mean voltage of a cycle is approximated by the open-circuit voltage at its mean state of charge. The source takes
the quadratic mean of the measured voltage; with the voltage table used here the difference in beta is at most 1.4 % for
cycles within 20 to 80 % charge, 2.1 % for cycles above 5 %, and 21 % for a cycle of 0 to 10 %. alpha would be negative
under 3.149 V and is held at 0 there.

The voltage table is not of the source's cell, a Sanyo UR18650E, but of another cell of graphite and nickel manganese
cobalt oxide (Ni : Mn : Co of 5 : 3 : 2), a pouch of 5 Ah: P. Mohtat, S. Lee, J. B. Siegel and A. G. Stefanopoulou,
"Differential Expansion and Voltage Model for Li-ion Batteries at Practical Charging Rates", Journal of the
Electrochemical Society 167, 110561, 2020. Its half-cell potentials and electrode capacities are taken from the
parameter set "Mohtat2020" of the library PyBaMM (26.10); the voltage at rest is the potential of the positive less that
of the negative electrode, between 2.8 V (empty) and 4.2 V (full). Cells richer in nickel have a steeper curve: that of
C.-H. Chen et al., Journal of the Electrochemical Society 167, 080534, 2020 (Ni : Mn : Co of 8 : 1 : 1) lies 0.10 V
lower at 20 % and 0.07 V higher at 80 %. A table from memory that stood here before was lower by 112 mV at 5 % of
charge, by 71, 55, 49, 41, 36, 27, 10, 1, 7 and 20 mV at 10, 20, 30 and so on to 100 %, and higher by 200 mV at 0 %.

The price of a cycle or an hour is marginal, at the battery's age: the capacity that it takes at that age, divided by
0.2. Both ageing rates fall with age, so an old battery's cycles cost less. This is what the next cycle takes now. Since
the end of life depends on total throughput, a young battery's cycle is priced at more than it shortens the life (the
law "stress" prices the latter). Below an age of a quarter of a year the marginal price at a quarter of a year is used,
since at age 0 it is infinite.

Valid (the warnings combine the two parts): storage at all states of charge at 50 degrees C, and at half charge at 35 to
50; cycles at 35 degrees and 1C, with depths of 5 to 100 % (depths from memory). At the temperatures of a parked car
calendar ageing is therefore extrapolated.
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

# fmt: off
OPEN_CIRCUIT_SOC = np.array([
    0, 1, 2.5, 5, 10, 15, 20, 25, 30, 35, 40, 45,
    50, 55, 60, 65, 70, 75, 80, 85, 90, 95, 100,
]) / 100
OPEN_CIRCUIT_VOLTS = np.array([
    2.800, 3.114, 3.339, 3.462, 3.511, 3.540, 3.585, 3.620, 3.639, 3.654, 3.671, 3.691,
    3.716, 3.745, 3.797, 3.840, 3.880, 3.923, 3.971, 4.022, 4.077, 4.136, 4.200,
])
# fmt: on
"""Open-circuit voltage by state of charge [V]: graphite and NMC532, from the parameters of Mohtat et al. 2020."""


def open_circuit_volts(soc: float | FloatArray) -> FloatArray:
    """Return the open-circuit voltage [V] at a state of charge [0 to 1], linear between the points of the table.

    Examples
    --------
    >>> open_circuit_volts(np.array([0.5, 0.55])).round(3).tolist()
    [3.716, 3.745]
    """
    return np.asarray(np.interp(soc, OPEN_CIRCUIT_SOC, OPEN_CIRCUIT_VOLTS), dtype=np.float64)


def calendar_rate(volts: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
    """Return alpha, the share of capacity lost in the first day of storage [-].

    Parameters
    ----------
    volts : storage voltage [V].
    temp_degc : temperature [degrees C].

    Examples
    --------
    A year at 3.7 V and 25 degrees C:

    >>> round(float(calendar_rate(3.7, 25.0)) * 365**0.75, 6)
    0.023948
    """
    kelvin = np.asarray(temp_degc) + CELSIUS_ZERO_KELVIN
    rate = np.maximum(7.543 * np.asarray(volts) - 23.75, 0.0) * 1e6 * np.exp(-6976 / kelvin)
    return np.asarray(rate, dtype=np.float64)


def cycle_rate(mean_volts: float | FloatArray, depth: float | FloatArray) -> FloatArray:
    """Return beta, the share of capacity lost with the first Ah of throughput of the cell [-].

    Parameters
    ----------
    mean_volts : mean voltage of the cycle [V].
    depth : depth of the cycle [0 to 1].

    Examples
    --------
    1000 Ah in cycles of half depth at a mean of 3.7 V:

    >>> round(float(cycle_rate(3.7, 0.5)) * 1000**0.5, 6)
    0.088813
    """
    rate = 7.348e-3 * (np.asarray(mean_volts) - 3.667) ** 2 + 7.60e-4 + 4.081e-3 * np.asarray(depth)
    return np.asarray(rate, dtype=np.float64)


@dataclass(frozen=True, slots=True)
class NmcLaw:
    """A wear law by the square root of throughput and the age to the power 0.75.

    Attributes
    ----------
    age_years : age of the battery [a].
    throughput_so_far_ah : throughput of a cell of 2.15 Ah, charge and discharge both counted [Ah].
    marginal_throughput_ah : throughput at which a cycle is priced, above 0 [Ah].
    """

    name: ClassVar[str] = "nmc"
    source: ClassVar[str] = "Schmalstieg, Käbitz, Ecker and Sauer, J. Power Sources 257, 2014"
    valid: ClassVar[ValidRange] = ValidRange((0.05, 1.0), (0.0, 1.0), (35.0, 50.0))

    age_years: float
    throughput_so_far_ah: float
    marginal_throughput_ah: float

    def life_lost(self, depth: FloatArray, mean_soc: float | FloatArray, temp_degc: float | FloatArray) -> FloatArray:
        """Return the share of the battery's life that one full cycle uses [-], shape of depth.

        That is the cycle's throughput times the capacity that one more Ah takes.
        """
        per_ah = cycle_rate(open_circuit_volts(mean_soc), depth) / (2 * np.sqrt(self.marginal_throughput_ah))
        return broadcast(np.asarray(cell_ah(depth) * per_ah / CAPACITY_LOST_AT_END), depth)

    def life_lost_per_hour(self, soc: FloatArray, temp_degc: float | FloatArray, age_years: float) -> FloatArray:
        """Return the share of the battery's life that an hour uses at an age [1/h], shape of soc."""
        days = DAYS_A_YEAR * max(age_years, LEAST_AGE_YEARS)
        per_day = TIME_EXPONENT * days ** (TIME_EXPONENT - 1) * calendar_rate(open_circuit_volts(soc), temp_degc)
        return broadcast(np.asarray(per_day / HOURS_A_DAY / CAPACITY_LOST_AT_END), soc)

    def life_used(self, cycles: Cycles, time: TimeSpent) -> LifeUsed:
        """Return the capacity lost by the law itself, starting at its age, and as a share of life the same over 0.2.

        Each period of time ages at its own alpha and at the battery's age at the time. All cycles together age at the
        mean of beta over their throughput, since counted cycles are nested and have no order.
        """
        throughput = cycles.count * cell_ah(cycles.depth)
        total_ah = float(throughput.sum())
        rates = cycle_rate(open_circuit_volts(cycles.mean_soc), cycles.depth)
        roots = np.sqrt(self.throughput_so_far_ah + total_ah) - np.sqrt(self.throughput_so_far_ah)
        by_cycles = float(rates @ throughput) / total_ah * float(roots) if total_ah > 0 else 0.0
        days = self.age_years * DAYS_A_YEAR + np.concatenate([[0.0], np.cumsum(time.hours) / HOURS_A_DAY])
        alpha = calendar_rate(open_circuit_volts(time.soc), time.temp_degc)
        by_calendar = float(alpha @ np.diff(days**TIME_EXPONENT))
        return LifeUsed(by_cycles / CAPACITY_LOST_AT_END, by_calendar / CAPACITY_LOST_AT_END, by_cycles, by_calendar)


def cell_ah(depth: FloatArray) -> FloatArray:
    """Return the throughput of the cell in a full cycle, charge and discharge both counted [Ah], shape of depth.

    Examples
    --------
    >>> cell_ah(np.array([1.0, 0.5])).tolist()
    [4.3, 2.15]
    """
    return np.asarray(2 * depth * CELL_AH, dtype=np.float64)


def nmc_law(settings: LawSettings) -> NmcLaw:
    """Return the law for a battery of the age and with the full cycles so far that the settings say.

    Examples
    --------
    >>> nmc_law(LawSettings(age_years=3.0, full_cycles_a_year=50.0)).throughput_so_far_ah
    645.0
    """
    a_year = settings.full_cycles_a_year * 2 * CELL_AH
    # a battery that was never cycled is priced as after one full cycle, since the marginal price at none is infinite
    least = max(LEAST_AGE_YEARS * a_year, 2 * CELL_AH)
    so_far = settings.age_years * a_year
    return NmcLaw(settings.age_years, so_far, max(so_far, least))
