"""Payback, net present value and rates of return against the `numpy-financial` package, textbooks and by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy_financial
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from models.base.arrays import FloatArray
from models.tariff.investment import (
    HardwareCase,
    cash_flow_by_year,
    hardware_worth,
    internal_rate_of_return_percent,
    net_present_value,
    payback_years,
    rates_of_return_percent,
    worth_by_rate_and_drift,
)

CASE = HardwareCase(
    price=5000.0,
    installation=1000.0,
    plain_charger_price=1200.0,
    grant=800.0,
    life_years=10,
    discount_rate_percent=5.0,
    yearly_upkeep=40.0,
    price_drift_percent=2.0,
)

PROJECTS = {
    "A": ([-2000, 500, 500, 5000], 3, 2624),
    "B": ([-2000, 500, 1800, 0], 2, -58),
    "C": ([-2000, 1800, 500, 0], 2, 50),
}
"""Cash flow, payback in whole years, and net present value at 10 %: the payback example of R. A. Brealey, S. C. Myers,
"Principles of Corporate Finance" (several editions, chapter on why net present value leads to better decisions; from
memory). By hand for C: 1800 / 1.1 + 500 / 1.21 - 2000 = 1636.36 + 413.22 - 2000 = 49.59."""

money = st.integers(-10_000, 10_000).map(float)
rates = st.floats(-50, 200)
cases = st.builds(
    HardwareCase,
    price=st.floats(0, 20_000),
    installation=st.floats(0, 5000),
    plain_charger_price=st.floats(0, 3000),
    grant=st.floats(0, 3000),
    life_years=st.integers(1, 30),
    discount_rate_percent=st.floats(-20, 40),
    yearly_upkeep=st.floats(0, 300),
    price_drift_percent=st.floats(-20, 20),
)
savings = st.floats(-2000, 4000)


def flow(*amounts: float) -> FloatArray:
    return np.array(amounts, dtype=np.float64)


def flows(most: int = 12) -> st.SearchStrategy[FloatArray]:
    return st.lists(money, min_size=1, max_size=most).map(lambda amounts: flow(*amounts))


def size(cash_flow: FloatArray, rate_percent: float) -> float:
    """All amounts together, each discounted."""
    return net_present_value(np.abs(cash_flow), rate_percent)


def test_cash_flow_by_hand() -> None:
    """Outlay 5000 + 1000 - 1200 - 800 = 4000; a saving of 600 grows by 2 % and bears an upkeep of 40."""
    amounts = cash_flow_by_year(replace(CASE, life_years=3), 600.0)
    assert amounts.tolist() == pytest.approx([-4000.0, 560.0, 572.0, 584.24])


@given(flows(), rates)
def test_net_present_value_is_that_of_numpy_financial(cash_flow: FloatArray, rate: float) -> None:
    """Any cash flow has the net present value that the `numpy-financial` package gives it."""
    expected = float(numpy_financial.npv(rate / 100, cash_flow))
    assert net_present_value(cash_flow, rate) == pytest.approx(expected, abs=1e-11 * size(cash_flow, rate))


@given(st.integers(1, 20_000), st.lists(st.integers(0, 5000), min_size=1, max_size=15))
def test_one_rate_of_return_is_that_of_numpy_financial(outlay: int, incoming: list[int]) -> None:
    """An outlay followed by income has one rate of return, that of the `numpy-financial` package."""
    assume(max(incoming) > 0)
    cash_flow = flow(-outlay, *incoming)
    rate = internal_rate_of_return_percent(cash_flow)
    assert rate is not None
    assert rates_of_return_percent(cash_flow) == (rate,)
    assert 1 + rate / 100 == pytest.approx(1 + float(numpy_financial.irr(cash_flow)), rel=1e-6)


@settings(max_examples=300)
@given(flows(8))
def test_several_rates_of_return_are_the_roots_that_numpy_finds(cash_flow: FloatArray) -> None:
    """Whatever its signs, a cash flow has the rates that numpy's eigenvalues give, and numpy-financial's is ours.

    Cash flows with nearly equal roots are left out: there eigenvalues cannot tell two real roots from a complex pair.
    """
    roots = np.roots(cash_flow[::-1])
    roots = roots[np.abs(roots) > 0]
    apart = np.abs(roots[:, None] - roots[None, :]) + np.eye(len(roots))
    assume(apart.size == 0 or (apart > 1e-3 * np.abs(roots)[:, None]).all())
    expected = sorted(100 * (1 / root.real - 1) for root in roots if root.imag == 0 and root.real > 0)
    found = rates_of_return_percent(cash_flow)
    assert [1 + rate / 100 for rate in found] == pytest.approx([1 + rate / 100 for rate in expected], rel=1e-6)
    nearest = internal_rate_of_return_percent(cash_flow)
    theirs = float(numpy_financial.irr(cash_flow)) if len(np.roots(cash_flow[::-1])) else math.nan
    if nearest is None:
        assert math.isnan(theirs)
    else:
        assert abs(nearest) == pytest.approx(100 * abs(theirs), rel=1e-6, abs=1e-6)


@given(flows())
def test_a_rate_of_return_makes_the_worth_zero(cash_flow: FloatArray) -> None:
    """At every rate of return the net present value is 0; there are no more than changes of sign, nearest chosen."""
    found = rates_of_return_percent(cash_flow)
    for rate in found:
        assert abs(net_present_value(cash_flow, rate)) <= 1e-9 * size(cash_flow, rate)
    signs = np.sign(cash_flow[cash_flow != 0])
    assert len(found) <= np.count_nonzero(np.diff(signs))
    assert internal_rate_of_return_percent(cash_flow) == min(found, key=abs, default=None)


def test_two_rates_of_return_of_a_textbook() -> None:
    """-4000, +25000, -25000 has the rates 25 % and 400 %, and the nearer to 0 is given.

    R. A. Brealey, S. C. Myers, "Principles of Corporate Finance" (from memory). By hand: 25000 / 1.25 - 25000 / 1.5625
    = 20000 - 16000 = 4000, and 25000 / 5 - 25000 / 25 = 5000 - 1000 = 4000.
    """
    cash_flow = flow(-4000, 25_000, -25_000)
    assert rates_of_return_percent(cash_flow) == pytest.approx((25, 400), rel=1e-9)
    assert internal_rate_of_return_percent(cash_flow) == pytest.approx(25, rel=1e-9)


def test_four_rates_of_return_of_a_textbook() -> None:
    """-252, 1431, -3035, 2850, -1000 has four rates: 25, 33 1/3, 42 6/7 and 66 2/3 %.

    S. A. Ross, R. W. Westerfield, J. Jaffe, "Corporate Finance", problem on several rates of return (from memory). By
    hand: with z = 1 + rate the cash flow is -(4z - 5)(3z - 4)(7z - 10)(3z - 5), whose first coefficient is -252 and
    last -1000.
    """
    cash_flow = flow(-252, 1431, -3035, 2850, -1000)
    product = -np.polymul(np.polymul([4, -5], [3, -4]), np.polymul([7, -10], [3, -5]))
    assert product.tolist() == cash_flow.tolist()
    assert rates_of_return_percent(cash_flow) == pytest.approx((25, 100 / 3, 300 / 7, 200 / 3), rel=1e-7)


@pytest.mark.parametrize("project", PROJECTS)
def test_payback_and_worth_of_a_textbook(project: str) -> None:
    """Three projects of a textbook: payback, there counted in whole years, and net present value at 10 %."""
    amounts, whole_years, worth = PROJECTS[project]
    payback = payback_years(flow(*amounts))
    assert payback is not None
    assert math.ceil(payback) == whole_years
    assert round(net_present_value(flow(*amounts), 10)) == worth


@pytest.mark.parametrize(
    ("amounts", "rate", "years"),
    [
        ((-1000, 250, 250, 250, 250), 0, 4.0),  # the very end
        ((-0.3, 0.1, 0.1, 0.1), 0, 3.0),  # ... also where tenths are not exact
        ((-1000, 400, 400, 400), 0, 2.5),
        ((-1000, 400, 400, 199), 0, None),
        ((-1000, 110, 1210), 10, 1.9),  # 100 and 1000 today: after 900 of the second year's 1000
        ((-1000, 110, 1088), 10, None),
        ((-100, 400), 0, 0.25),
        ((0, 10, 10), 0, 0.0),
        ((50, -20, -20), 0, 0.0),  # cheaper than a plain charger, and never worse
        ((50, -30, -30), 0, None),
        ((50, -80, 60, 0), 0, 1.5),
        ((0, -10, 40), 0, 1.25),
        ((-100, 150, -100, 20), 0, None),  # paid back, and lost again
        ((-100, 150, -100, 200), 0, 2.25),  # paid back, lost, and paid back for good
        ((-100, 200, -50, -40), 0, 0.5),
        ((-100, 1, 0), -99, 1.0),  # 1 after a year counts as 100 today
    ],
)
def test_payback_by_hand(amounts: tuple[float, ...], rate: float, years: float | None) -> None:
    """Payback is the moment from which nothing is owed any more, the year's money spread evenly over it."""
    found = payback_years(flow(*amounts), rate)
    assert (found is None) == (years is None)
    assert found == pytest.approx(years)


@given(flows(), rates)
def test_there_is_a_payback_exactly_where_the_worth_is_not_negative(cash_flow: FloatArray, rate: float) -> None:
    """A cash flow is paid back within its years at a rate exactly where its net present value there is 0 or more."""
    worth = net_present_value(cash_flow, rate)
    assume(abs(worth) > 1e-9 * size(cash_flow, rate))
    assert (payback_years(cash_flow, rate) is not None) == (worth > 0)


@given(st.floats(0, 20_000), st.lists(st.floats(0, 5000), min_size=1, max_size=30), st.floats(0, 50))
def test_discounted_payback_is_never_sooner(outlay: float, incoming: list[float], rate: float) -> None:
    """With an outlay followed by income, discounting never brings payback forward."""
    simple, discounted = (payback_years(flow(-outlay, *incoming), each) for each in (0.0, rate))
    if simple is None:
        assert discounted is None
    elif discounted is not None:
        assert discounted >= simple - 1e-9


@given(cases, savings)
def test_without_discounting_the_worth_is_the_sum(case: HardwareCase, saving: float) -> None:
    """At a discount rate of 0 the net present value is the plain sum of the years."""
    worth = hardware_worth(replace(case, discount_rate_percent=0.0), saving)
    assert worth.net_present_value == pytest.approx(math.fsum(worth.cash_flow), abs=1e-6)


@given(cases, savings)
def test_drift_equal_to_discount_in_closed_form(case: HardwareCase, saving: float) -> None:
    """Where prices rise as fast as money earns, each year's saving is worth saving / (1 + rate): by algebra."""
    rate = case.price_drift_percent
    equal = replace(case, discount_rate_percent=rate, yearly_upkeep=0.0)
    expected = case.life_years * saving / (1 + rate / 100) - case.extra_outlay
    assert hardware_worth(equal, saving).net_present_value == pytest.approx(expected, rel=1e-9, abs=1e-6)


@given(cases, savings)
def test_worth_of_a_growing_annuity_in_closed_form(case: HardwareCase, saving: float) -> None:
    """The years' savings are worth saving / (rate - drift) · (1 - ((1 + drift) / (1 + rate)) ** years).

    The growing annuity of any textbook (common practice); the upkeep is one with a drift of 0.
    """
    rate, drift = case.discount_rate_percent / 100, case.price_drift_percent / 100
    assume(min(abs(rate - drift), abs(rate)) > 1e-3)

    def annuity(first: float, growth: float) -> float:
        return first / (rate - growth) * (1 - ((1 + growth) / (1 + rate)) ** case.life_years)

    expected = annuity(saving, drift) - annuity(case.yearly_upkeep, 0.0) - case.extra_outlay
    assert hardware_worth(case, saving).net_present_value == pytest.approx(expected, rel=1e-7, abs=1e-6)


@given(cases, savings)
def test_at_the_break_even_price_the_worth_is_zero(case: HardwareCase, saving: float) -> None:
    """Hardware at its break-even price has a net present value of 0."""
    worth = hardware_worth(case, saving)
    even = hardware_worth(replace(case, price=worth.break_even_price), saving)
    assert abs(even.net_present_value) <= 1e-9 + 1e-12 * size(worth.cash_flow, case.discount_rate_percent)


def test_discounted_payback_at_the_break_even_price_is_the_life() -> None:
    """At the break-even price, with money coming in every year, the discounted payback is the whole life."""
    price = hardware_worth(CASE, 600.0).break_even_price
    assert hardware_worth(replace(CASE, price=price), 600.0).discounted_payback_years == pytest.approx(10.0)


def test_worth_over_rate_and_drift() -> None:
    """Each entry of the table is the worth of the case with that rate (row) and that drift (column)."""
    table = worth_by_rate_and_drift(CASE, 600.0, [-99.0, 0.0, 5.0], [-3.0, 2.0])
    assert table.shape == (3, 2)
    for row, rate in enumerate([-99.0, 0.0, 5.0]):
        for column, drift in enumerate([-3.0, 2.0]):
            case = replace(CASE, discount_rate_percent=rate, price_drift_percent=drift)
            assert table[row, column] == hardware_worth(case, 600.0).net_present_value


@pytest.mark.parametrize(
    "amounts", [(-100, 0, 0), (-100, -20, -20), (0, 50, 50), (0, 0, 0), (100, 50), (-100, 100, -100), (5e-324, -2)]
)
def test_no_rate_of_return(amounts: tuple[float, ...]) -> None:
    """Money that only goes or only comes has no rate of return, nor has what never reaches 0."""
    assert rates_of_return_percent(flow(*amounts)) == ()
    assert internal_rate_of_return_percent(flow(*amounts)) is None


@pytest.mark.parametrize(("amounts", "rate"), [((-100, 200, -100), 0.0), ((-100, 240, -144), 20.0)])
def test_a_rate_at_which_the_worth_only_touches_zero(amounts: tuple[float, ...], rate: float) -> None:
    """-100 · (1 - 1.2 / (1 + rate))² touches 0 at 20 % and crosses it nowhere; so does its like at 0 %."""
    assert rates_of_return_percent(flow(*amounts)) == pytest.approx((rate,), abs=1e-4)


def test_a_very_high_and_a_very_low_rate_of_return() -> None:
    """An outlay of a cent that brings 1e6 a year later earns 1e10 %; 1e6 that brings a cent loses all but 1e-8."""
    assert rates_of_return_percent(flow(-0.01, 1e6)) == pytest.approx((1e10,), rel=1e-6)
    (low,) = rates_of_return_percent(flow(-1e6, 0.01))
    assert 100 + low == pytest.approx(1e-6, rel=1e-6)


def test_long_lives_at_extreme_rates_stay_numbers() -> None:
    """A hundred years at rates from -99 % to 1000 %, and drifts alike, give finite worths and paybacks."""
    for rate in (-99.0, -50.0, 0.0, 1000.0):
        for drift in (-99.0, 100.0):
            case = replace(CASE, life_years=100, discount_rate_percent=rate, price_drift_percent=drift)
            for saving in (-600.0, 0.0, 600.0, 1e9):
                worth = hardware_worth(case, saving)
                assert math.isfinite(worth.net_present_value)
                assert worth.discounted_payback_years is None or 0 <= worth.discounted_payback_years <= 100
                assert all(rate > -100 for rate in worth.rates_of_return_percent)


@pytest.mark.parametrize("rate", [-100.0, -101.0, math.nan])
def test_a_rate_of_minus_100_percent_is_refused(rate: float) -> None:
    """Where money loses everything within a year, no later amount has a worth."""
    for refused in (
        lambda: net_present_value(flow(-1, 2), rate),
        lambda: payback_years(flow(-1, 2), rate),
        lambda: cash_flow_by_year(replace(CASE, price_drift_percent=rate), 600.0),
    ):
        with pytest.raises(ValueError, match="above -100 percent"):
            refused()


def test_impossible_lives_and_amounts_are_refused() -> None:
    """A life of no years, and amounts beyond floating point."""
    with pytest.raises(ValueError, match="at least 1 year"):
        cash_flow_by_year(replace(CASE, life_years=0), 600.0)
    with pytest.raises(ValueError, match="too large"):
        cash_flow_by_year(replace(CASE, life_years=100, price_drift_percent=1e6), 600.0)
