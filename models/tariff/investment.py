"""Whether the hardware pays for itself: yearly cash flow, payback, net present value and rate of return.

The saving and the upkeep of a year count at its end; for the payback they arrive evenly within the year. Sources:
common practice of investment appraisal. The rates of return are found by the argument that proves Descartes' rule of
signs (Laguerre, 1883, from memory), so that none is missed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.base.arrays import FloatArray

ROUNDING = 1e-12
"""A sum counts as 0 up to this share of the sum of the absolute amounts."""
LARGEST_LOG = 700.0
"""Logarithm of the largest (1 + rate) that floating point can hold, with a margin."""


@dataclass(frozen=True, slots=True)
class HardwareCase:
    """The assumptions of an investment in the hardware.

    Attributes
    ----------
    price, installation : price of the hardware, and of its installation [money].
    plain_charger_price : what a plain charger would cost anyway, installed [money].
    grant : subsidy for the hardware [money].
    life_years : life of the hardware in whole years, at least 1 [a].
    discount_rate_percent : what the same money would earn elsewhere, above -100 [% a year].
    yearly_upkeep : upkeep beyond that of a plain charger [money a year].
    price_drift_percent : yearly change of energy prices, and so of the saving, above -100 [% a year].

    Examples
    --------
    >>> case = HardwareCase(3000.0, 500.0, 900.0, 600.0, life_years=10, discount_rate_percent=3.0)
    >>> case.extra_outlay
    2000.0
    """

    price: float
    installation: float
    plain_charger_price: float
    grant: float
    life_years: int
    discount_rate_percent: float
    yearly_upkeep: float = 0.0
    price_drift_percent: float = 0.0

    @property
    def extra_outlay(self) -> float:
        """Return what the hardware costs beyond a plain charger [money]; negative if it costs less."""
        return self.price + self.installation - self.plain_charger_price - self.grant


@dataclass(frozen=True, slots=True, eq=False)
class HardwareWorth:
    """The results for an investment in the hardware.

    Attributes
    ----------
    cash_flow : cash flow of each year [money], shape (life_years + 1,); year 0 is minus the extra outlay.
    simple_payback_years, discounted_payback_years : from payback_years, without and with discounting [a].
    net_present_value : at the case's discount rate [money].
    rates_of_return_percent : every rate at which the net present value is 0, rising [% a year].
    return_percent : the one of them nearest to 0; None if there is none [% a year].
    break_even_price : price of the hardware at which the net present value is 0, may be negative [money].
    """

    cash_flow: FloatArray
    simple_payback_years: float | None
    discounted_payback_years: float | None
    net_present_value: float
    rates_of_return_percent: tuple[float, ...]
    return_percent: float | None
    break_even_price: float


def hardware_worth(case: HardwareCase, first_year_saving: float) -> HardwareWorth:
    """Appraise an investment in the hardware.

    Parameters
    ----------
    case : assumptions.
    first_year_saving : what the hardware saves in its first year, before upkeep; negative if it costs more [money].

    Raises
    ------
    ValueError : as in cash_flow_by_year.

    Examples
    --------
    >>> case = HardwareCase(3000.0, 500.0, 900.0, 600.0, life_years=10, discount_rate_percent=3.0)
    >>> worth = hardware_worth(case, 250.0)
    >>> worth.simple_payback_years, round(worth.net_present_value, 2), round(worth.return_percent, 2)
    (8.0, 132.55, 4.28)
    """
    cash_flow = cash_flow_by_year(case, first_year_saving)
    worth = net_present_value(cash_flow, case.discount_rate_percent)
    rates = rates_of_return_percent(cash_flow)
    return HardwareWorth(
        cash_flow=cash_flow,
        simple_payback_years=payback_years(cash_flow),
        discounted_payback_years=payback_years(cash_flow, case.discount_rate_percent),
        net_present_value=worth,
        rates_of_return_percent=rates,
        return_percent=_nearest_to_zero(rates),
        break_even_price=case.price + worth,
    )


def cash_flow_by_year(case: HardwareCase, first_year_saving: float) -> FloatArray:
    """Return the cash flow of each year: first minus the extra outlay, then saving minus upkeep.

    Parameters
    ----------
    case : assumptions.
    first_year_saving : what the hardware saves in its first year, before upkeep [money].

    Returns
    -------
    Cash flow [money], shape (life_years + 1,).

    Raises
    ------
    ValueError : a life under 1 year, a price drift of -100 % or less, or amounts beyond floating point.

    Examples
    --------
    >>> case = HardwareCase(3000.0, 500.0, 900.0, 600.0, 2, discount_rate_percent=3.0, price_drift_percent=10.0)
    >>> cash_flow_by_year(case, 200.0).round(2).tolist()
    [-2000.0, 200.0, 220.0]
    """
    if case.life_years < 1:
        raise ValueError("the life must be at least 1 year")
    growth = _factor(case.price_drift_percent)
    with np.errstate(over="ignore", invalid="ignore"):
        saving = first_year_saving * growth ** np.arange(case.life_years)
        cash_flow = np.concatenate(([-case.extra_outlay], saving - case.yearly_upkeep))
    if not np.isfinite(cash_flow).all():
        raise ValueError("the amounts are too large to calculate with")
    return np.asarray(cash_flow, dtype=np.float64)


def net_present_value(cash_flow: FloatArray, rate_percent: float) -> float:
    """Return the net present value of a cash flow [money].

    At rates close to -100 % it can be beyond floating point; it is then infinite, with the sign of the last amounts.

    Parameters
    ----------
    cash_flow : cash flow of each year [money], shape (years + 1,); the first is not discounted.
    rate_percent : discount rate [% a year].

    Raises
    ------
    ValueError : a rate of -100 % or less.

    Examples
    --------
    >>> round(net_present_value(np.array([-100.0, 60.0, 60.0]), 10.0), 2)
    4.13
    """
    factor = _factor(rate_percent)
    worth = 0.0
    for amount in reversed(cash_flow.tolist()):
        worth = amount + worth / factor
    return float(worth)


def payback_years(cash_flow: FloatArray, rate_percent: float = 0.0) -> float | None:
    """Return the years until the outlay is paid back for good, with the fraction of the last year.

    The cash flow is treated as an account that bears interest at the rate. Payback is the moment from which the account
    is never again below 0. So there is a payback exactly if the net present value at that rate is not below 0, even
    where late years lose money.

    Parameters
    ----------
    cash_flow : cash flow of each year [money], shape (years + 1,); within a year it arrives evenly.
    rate_percent : discount rate [% a year]; 0 for the simple payback.

    Returns
    -------
    Years [a]: 0.0 if the account is never below 0, None if it is below 0 at the end.

    Raises
    ------
    ValueError : a rate of -100 % or less.

    Examples
    --------
    >>> payback_years(np.array([-100.0, 40.0, 40.0, 40.0]))
    2.5
    >>> payback_years(np.array([-100.0, 40.0, 40.0])) is None
    True
    """
    factor = _factor(rate_percent)
    account = moved = 0.0
    payback: float | None = 0.0
    for year, amount in enumerate(cash_flow.tolist()):
        owed, was_below = -account * factor, payback is None
        account, moved = amount - owed, abs(amount) + moved * factor
        if account < -ROUNDING * moved:
            payback = None
        elif was_below:
            payback = year - 1 + (owed / amount if amount > owed else 1.0)
    return payback


def internal_rate_of_return_percent(cash_flow: FloatArray) -> float | None:
    """Return the rate at which the net present value is 0; of several, the one nearest to 0.

    Parameters
    ----------
    cash_flow : cash flow of each year [money], shape (years + 1,).

    Returns
    -------
    The rate [% a year], or None if there is none.

    Examples
    --------
    >>> round(internal_rate_of_return_percent(np.array([-100.0, 110.0])), 6)
    10.0
    """
    return _nearest_to_zero(rates_of_return_percent(cash_flow))


def rates_of_return_percent(cash_flow: FloatArray) -> tuple[float, ...]:
    """Return every rate above -100 % at which the net present value is 0.

    There are at most as many as the cash flow has changes of sign. A rate at which the net present value touches 0
    without crossing it counts once.

    Parameters
    ----------
    cash_flow : cash flow of each year [money], shape (years + 1,).

    Returns
    -------
    Rates [% a year], rising; none if all amounts are 0.

    Examples
    --------
    A cash flow with two changes of sign, -100 × (1 - 1.1 / q) × (1 - 1.2 / q) with q = 1 + rate:

    >>> [round(rate, 6) for rate in rates_of_return_percent(np.array([-100.0, 230.0, -132.0]))]
    [10.0, 20.0]
    """
    return tuple(100 * math.expm1(-zero) for zero in reversed(_zeros(cash_flow)) if -zero < LARGEST_LOG)


def worth_by_rate_and_drift(
    case: HardwareCase, first_year_saving: float, rates_percent: Sequence[float], drifts_percent: Sequence[float]
) -> FloatArray:
    """Return the net present value at each discount rate and price drift.

    Parameters
    ----------
    case : the other assumptions.
    first_year_saving : what the hardware saves in its first year, before upkeep [money].
    rates_percent : discount rates, instead of the case's [% a year].
    drifts_percent : price drifts, instead of the case's [% a year].

    Returns
    -------
    Net present values [money], shape (rates, drifts).

    Raises
    ------
    ValueError : as in cash_flow_by_year and net_present_value.

    Examples
    --------
    >>> case = HardwareCase(3000.0, 500.0, 900.0, 600.0, life_years=10, discount_rate_percent=3.0)
    >>> worth_by_rate_and_drift(case, 250.0, [0.0, 3.0], [0.0, 2.0]).round(0).tolist()
    [[500.0, 737.0], [133.0, 324.0]]
    """
    flows = [cash_flow_by_year(replace(case, price_drift_percent=drift), first_year_saving) for drift in drifts_percent]
    return np.array([[net_present_value(flow, rate) for flow in flows] for rate in rates_percent], dtype=np.float64)


def _nearest_to_zero(rates_percent: Sequence[float]) -> float | None:
    """Return the rate nearest to 0, or None if there is none."""
    return min(rates_percent, key=abs, default=None)


def _factor(percent: float) -> float:
    """Return what 1 grows to in a year at a yearly rate [%].

    Raises
    ------
    ValueError : a rate of -100 % or less, or not a number.
    """
    factor = 1 + percent / 100
    if not factor > 0:
        raise ValueError("a yearly rate must be above -100 percent")
    return factor


def _zeros(amounts: FloatArray) -> list[float]:
    """Return every x at which the sum of amounts[t] · exp(t · x) is 0, rising.

    Let the first change of sign be after year k. The sum times exp(-(k + 1/2) · x) has the same zeros. Its slope has
    the zeros of the sum with amounts (t - k - 1/2) · amounts[t], which have one change of sign less. Between two
    neighbouring zeros of the slope there is at most one zero of the sum.
    """
    scaled = amounts / (np.abs(amounts).max() or 1.0)
    there = np.flatnonzero(scaled)
    positive = scaled[there] > 0
    changes = there[:-1][positive[1:] != positive[:-1]]
    if len(changes) == 0:
        return []
    first, last = np.log(np.abs(scaled[there[[0, -1]]]))
    # Cauchy's bounds on the zeros of a polynomial, in logarithms, with a margin
    low, high = -np.logaddexp(0.0, -first) - 1, np.logaddexp(0.0, -last) + 1
    turns = [turn for turn in _zeros((np.arange(len(scaled)) - changes[0] - 0.5) * scaled) if low < turn < high]
    edges = [float(low), *turns, float(high)]
    signs = [_sign(scaled, edge) for edge in edges]
    zeros: list[float] = []
    for number in range(1, len(edges)):
        if signs[number - 1] * signs[number] < 0:
            zeros.append(_crossing(scaled, edges[number - 1], edges[number]))
        elif signs[number] == 0:
            zeros.append(edges[number])
    return zeros


def _sign(amounts: FloatArray, x: float, rounding: float = ROUNDING) -> float:
    """Return the sign of the sum of amounts[t] · exp(t · x), 0 if it is within rounding error."""
    years = np.arange(len(amounts))
    terms = amounts * np.exp(years * x - max(0.0, years[-1] * x))
    total = math.fsum(terms)
    return 0.0 if abs(total) <= rounding * np.abs(terms).sum() else math.copysign(1.0, total)


def _crossing(amounts: FloatArray, low: float, high: float) -> float:
    """Return the x at which the sum crosses 0, by bisection between two x of opposite sign."""
    below = _sign(amounts, low)
    middle = (low + high) / 2
    while low < middle < high:
        sign = _sign(amounts, middle, rounding=0.0)
        if sign == 0:
            return middle
        low, high = (middle, high) if sign == below else (low, middle)
        middle = (low + high) / 2
    return middle
