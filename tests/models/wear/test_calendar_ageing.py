"""The cost of calendar ageing: convex, close to its law, and the same in a linear program as by arithmetic."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from models.wear.calendar_ageing import MOST_LINES, CalendarPrice, calendar_cost, calendar_price
from models.wear.law import LawSettings
from models.wear.laws import calendar_law, calendar_law_names

BATTERY_KWH, BATTERY_PRICE = 40.0, 6000.0
each_law = pytest.mark.parametrize("name", calendar_law_names())


def price_of(name: str, temp_degc: float = 25.0, age_years: float = 3.0, lowest_soc: float = 0.0) -> CalendarPrice:
    law = calendar_law(name, LawSettings())
    return calendar_price(law, BATTERY_PRICE, BATTERY_KWH, temp_degc, age_years, lowest_soc)


def test_money_of_a_year_at_half_charge() -> None:
    """A year at 25 degrees and half charge by "stress": 4.14e-10 a second over the f of a life (0.16392), in money."""
    seconds = 365.25 * 86400
    expected = BATTERY_PRICE * 4.14e-10 * seconds / np.log(0.9425 / 0.8)
    cost = float(price_of("stress").cost(np.array([20.0]))[0]) * seconds / 3600
    assert cost == pytest.approx(expected, rel=0.01)
    assert cost >= expected


@each_law
@given(
    temp_degc=st.floats(-10, 45),
    age_years=st.floats(0, 15),
    lowest_soc=st.floats(0, 0.5),
    stored=st.lists(st.floats(0, BATTERY_KWH), min_size=1, max_size=5),
)
@example(temp_degc=0.0, age_years=0.0, lowest_soc=0.0234375, stored=[0.0])
@settings(deadline=None)
def test_convex_and_of_few_lines(
    name: str, temp_degc: float, age_years: float, lowest_soc: float, stored: list[float]
) -> None:
    """Slopes rise from 0 or more, there are at most six lines, and they pass through the knots.

    Below the first knot the first line can fall below 0, where the cost is 0.
    """
    price = price_of(name, temp_degc, age_years, lowest_soc)
    slope, intercept = price.lines()
    assert 1 <= len(slope) <= MOST_LINES
    assert (np.diff(slope) >= 0).all()
    assert (slope >= 0).all()
    assert price.cost(price.knots_kwh) == pytest.approx(price.money_per_hour, rel=1e-9, abs=1e-15)
    each = [max(0.0, *(slope * kwh + intercept)) for kwh in stored]
    assert price.cost(np.array(stored)) == pytest.approx(each)


def test_within_little_of_the_convex_law() -> None:
    """Six lines are at most 1.2 % over the "stress" law, which is convex, and never under it."""
    stored = np.linspace(0, BATTERY_KWH, 301)
    exact = BATTERY_PRICE * calendar_law("stress", LawSettings()).life_lost_per_hour(stored / BATTERY_KWH, 25.0, 3.0)
    ratio = price_of("stress").cost(stored) / exact
    assert ratio.min() >= 1 - 1e-12
    assert ratio.max() < 1.012


def test_lower_envelope_of_the_other() -> None:
    """ "nmc" is not convex by state of charge: its price lies nowhere over it, and near it from a floor on."""
    stored = np.linspace(0.2 * BATTERY_KWH, BATTERY_KWH, 301)
    exact = BATTERY_PRICE * calendar_law("nmc", LawSettings()).life_lost_per_hour(stored / BATTERY_KWH, 25.0, 3.0)
    from_empty, from_floor = (price_of("nmc", lowest_soc=lowest).cost(stored) for lowest in (0.0, 0.2))
    assert (from_empty <= exact * (1 + 1e-9)).all()
    assert (from_floor >= from_empty - 1e-12).all()
    assert (from_floor / exact).max() < 1.004
    assert (from_floor / exact).min() > 0.95


@each_law
def test_fuller_and_warmer_cost_more(name: str) -> None:
    """Standing fuller or warmer costs more: what an evening discharge from a high state of charge can save."""
    stored = np.array([10.0, 20.0, 36.0])
    cold, warm = (price_of(name, temp_degc).cost(stored) for temp_degc in (5.0, 30.0))
    assert (np.diff(cold) > 0).all()
    assert (warm > cold).all()


def test_age_matters_to_one_law_alone() -> None:
    """By "nmc" an old battery stands cheaper (the slope of days to the power 0.75); by "stress" age is all the same."""
    half = np.array([20.0])
    young, old = (price_of("nmc", age_years=age).cost(half) for age in (1.0, 16.0))
    assert young / old == pytest.approx(2.0)
    assert price_of("stress", age_years=1.0).cost(half) == price_of("stress", age_years=16.0).cost(half)


@each_law
def test_a_linear_program_finds_the_cost(name: str) -> None:
    """The least number over all lines, as a linear program (scipy) finds it, is the cost."""
    price = price_of(name)
    slope, intercept = price.lines()
    for stored in (0.0, 7.0, 31.0, 40.0):
        least = linprog([1.0], A_ub=-np.ones((len(slope), 1)), b_ub=-(slope * stored + intercept), bounds=(None, None))
        assert price.cost(np.array([stored]))[0] == pytest.approx(least.fun, abs=1e-12)


def test_time_standing() -> None:
    """No time costs nothing; each interval costs the mean of its ends times its hours, by hand."""
    price = CalendarPrice(np.array([0.0, 20.0, 40.0]), np.array([0.1, 0.2, 0.6]))
    stored = np.array([10.0, 30.0, 40.0, 20.0])
    hours = np.array([2.0, 0.5, 0.0])
    assert calendar_cost(price, hours, stored) == pytest.approx([2 * (0.15 + 0.4) / 2, 0.5 * (0.4 + 0.6) / 2, 0.0])


@pytest.mark.parametrize("lowest", [-0.1, 1.0])
def test_impossible_window_is_refused(lowest: float) -> None:
    """An envelope that begins nowhere in the battery is an error."""
    with pytest.raises(ValueError, match="0 or more, and below 1"):
        price_of("stress", lowest_soc=lowest)
