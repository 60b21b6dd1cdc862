"""Whether the hardware pays for itself: cash flow by year, payback, net present value and rate of return.

The saving and the upkeep of a year are taken at its end, and within a year they arrive evenly. Sources: common practice
of investment appraisal; the rates of return are found by the argument that proves Descartes' rule of signs (Laguerre,
1883, from memory), so that none is missed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from models.base.arrays import FloatArray

ROUNDING = 1e-12
"""Share of all amounts together up to which a sum of them counts as 0."""
LARGEST_LOG = 700.0
"""Logarithm of the largest (1 + rate) that floating point can hold, with a margin."""


@dataclass(frozen=True, slots=True)
class HardwareCase:
    """What the hardware costs, how long it lasts, and what money and energy prices do meanwhile.

    Attributes
    ----------
    price, installation : the hardware and putting it in [money].
    plain_charger_price : what a plain charger would have cost anyway, put in [money].
    grant : money given towards the hardware [money].
    life_years : whole years that the hardware lasts, at least 1.
    discount_rate_percent : what the same money would earn elsewhere [% a year], over -100.
    yearly_upkeep : upkeep beyond a plain charger's [money a year].
    price_drift_percent : yearly change of energy prices, and so of the saving [% a year], over -100.
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
        """What the hardware costs beyond a plain charger [money]; below 0 where it costs less."""
        return self.price + self.installation - self.plain_charger_price - self.grant


@dataclass(frozen=True, slots=True, eq=False)
class HardwareWorth:
    """What a case comes to.

    Attributes
    ----------
    cash_flow : money in each year [money], shape (life_years + 1,); year 0 is the extra outlay, below zero.
    simple_payback_years, discounted_payback_years : as payback_years gives them, without and with discounting.
    net_present_value : at the case's discount rate [money].
    rates_of_return_percent : every rate at which the net present value is 0 [% a year], rising.
    return_percent : the one of them nearest to 0, None where there is none.
    break_even_price : price of the hardware at which the net present value is 0 [money]; may be below 0.
    """

    cash_flow: FloatArray
    simple_payback_years: float | None
    discounted_payback_years: float | None
    net_present_value: float
    rates_of_return_percent: tuple[float, ...]
    return_percent: float | None
    break_even_price: float


def hardware_worth(case: HardwareCase, first_year_saving: float) -> HardwareWorth:
    """All that a case comes to.

    Parameters
    ----------
    first_year_saving : what the hardware saves in its first year, before upkeep [money]; below 0 where it costs more.

    Raises
    ------
    ValueError : as cash_flow_by_year.
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
    """Money in each year [money], shape (life_years + 1,): first minus the extra outlay, then saving less upkeep.

    Raises
    ------
    ValueError : a life under 1 year, a price drift of -100 % or less, or amounts too large to count.
    """
    if case.life_years < 1:
        raise ValueError("the life must be at least 1 year")
    growth = _factor(case.price_drift_percent)
    with np.errstate(over="ignore", invalid="ignore"):
        saving = first_year_saving * growth ** np.arange(case.life_years)
        cash_flow = np.concatenate(([-case.extra_outlay], saving - case.yearly_upkeep))
    if not np.isfinite(cash_flow).all():
        raise ValueError("the amounts are too large to count")
    return np.asarray(cash_flow, dtype=np.float64)


def net_present_value(cash_flow: FloatArray, rate_percent: float) -> float:
    """The sum of amounts, each divided by (1 + rate) for every year of waiting [money].

    Close to -100 % it may be beyond floating point, and is then infinite with the sign of the last amounts.

    Parameters
    ----------
    cash_flow : money in each year [money], shape (years + 1,), the first without waiting.
    rate_percent : discount rate [% a year].

    Raises
    ------
    ValueError : a rate of -100 % or less.
    """
    factor = _factor(rate_percent)
    worth = 0.0
    for amount in reversed(cash_flow.tolist()):
        worth = amount + worth / factor
    return float(worth)


def payback_years(cash_flow: FloatArray, rate_percent: float = 0.0) -> float | None:
    """Years until the outlay is paid back for good, with the fraction inside the year.

    The cash flow is kept as an account that bears interest at the rate. Payback is the moment from which the account
    is never again below 0 up to the end: 0.0 if it never is, None if it is below 0 at the end. So there is a payback
    exactly where the net present value at the rate is not below 0, also where late years lose money.

    Parameters
    ----------
    cash_flow : money in each year [money], shape (years + 1,); within a year it arrives evenly.
    rate_percent : discount rate [% a year]; 0 for the simple payback.

    Raises
    ------
    ValueError : a rate of -100 % or less.
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
    """The rate at which the net present value is 0 [% a year]; of several the nearest to 0, None where none is."""
    return _nearest_to_zero(rates_of_return_percent(cash_flow))


def rates_of_return_percent(cash_flow: FloatArray) -> tuple[float, ...]:
    """Every rate over -100 % at which the net present value is 0 [% a year], rising.

    There are at most as many as the cash flow changes sign. A rate at which the net present value touches 0 without
    crossing it counts once. None where all amounts are 0.

    Parameters
    ----------
    cash_flow : money in each year [money], shape (years + 1,).
    """
    return tuple(100 * math.expm1(-zero) for zero in reversed(_zeros(cash_flow)) if -zero < LARGEST_LOG)


def worth_by_rate_and_drift(
    case: HardwareCase, first_year_saving: float, rates_percent: Sequence[float], drifts_percent: Sequence[float]
) -> FloatArray:
    """Net present value at each discount rate and price drift [money], shape (rates, drifts).

    Parameters
    ----------
    rates_percent : discount rates in place of the case's [% a year].
    drifts_percent : price drifts in place of the case's [% a year].

    Raises
    ------
    ValueError : as cash_flow_by_year and net_present_value.
    """
    flows = [cash_flow_by_year(replace(case, price_drift_percent=drift), first_year_saving) for drift in drifts_percent]
    return np.array([[net_present_value(flow, rate) for flow in flows] for rate in rates_percent], dtype=np.float64)


def _nearest_to_zero(rates_percent: Sequence[float]) -> float | None:
    return min(rates_percent, key=abs, default=None)


def _factor(percent: float) -> float:
    """What 1 becomes in a year.

    Raises
    ------
    ValueError : -100 % or less, or not a number.
    """
    factor = 1 + percent / 100
    if not factor > 0:
        raise ValueError("a yearly rate must be over -100 percent")
    return factor


def _zeros(amounts: FloatArray) -> list[float]:
    """Every x at which the sum of amounts[t] · exp(t · x) is 0, rising.

    Let the first change of sign be after year k. The sum times exp(-(k + 1/2) · x) has the same zeros, and its slope
    has the zeros of the sum with amounts (t - k - 1/2) · amounts[t], which change sign once less. Between neighbouring
    zeros of the slope there is at most one of the sum.
    """
    scaled = amounts / (np.abs(amounts).max() or 1.0)
    there = np.flatnonzero(scaled)
    positive = scaled[there] > 0
    changes = there[:-1][positive[1:] != positive[:-1]]
    if len(changes) == 0:
        return []
    first, last = np.log(np.abs(scaled[there[[0, -1]]]))
    # Cauchy's bounds on the zeros of a polynomial, in logarithms, and a margin
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
    """Sign of the sum of amounts[t] · exp(t · x), 0 where it is within rounding."""
    years = np.arange(len(amounts))
    terms = amounts * np.exp(years * x - max(0.0, years[-1] * x))
    total = math.fsum(terms)
    return 0.0 if abs(total) <= rounding * np.abs(terms).sum() else math.copysign(1.0, total)


def _crossing(amounts: FloatArray, low: float, high: float) -> float:
    """The x between two of opposite sign at which the sum crosses 0, by halving until nothing lies between."""
    below = _sign(amounts, low)
    middle = (low + high) / 2
    while low < middle < high:
        sign = _sign(amounts, middle, rounding=0.0)
        if sign == 0:
            return middle
        low, high = (middle, high) if sign == below else (low, middle)
        middle = (low + high) / 2
    return middle
