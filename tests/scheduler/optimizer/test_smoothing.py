"""Among equally cheap plans the steady one: least change inside runs, then the car is ready soonest."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from scheduler.nights.night import Night
from scheduler.optimizer.lexicographic import TIE_WORTH_KWH, tie_allowance
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.solve import solve, solve_compact
from scheduler.plans.replay import verify
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger
from tests.builders.random_nights import random_night
from tests.oracles.independent_matrix import independent_optimum


def test_charging_is_steady_and_as_early_as_possible() -> None:
    """10 kWh to charge before boundary 8, at one price: two equal hours at once, with time to spare for the drive.

    One hour at 7 kW cannot do it, three would pay the fixed loss once more, so each of two needs 5 + 0.1 kW.
    """
    night = flat_night(
        10,
        soc_percent=40,
        import_price=0.20,
        stored_energy_price=0.0,
        charger=plain_charger(fixed_loss_kw=0.1),
        trips=[Drive(depart=9, comeback=10, ready=8, distance_km=100)],
    )
    charge = solve(night).setpoints.charge_kw
    np.testing.assert_allclose(charge, [5.1, 5.1, 0, 0, 0, 0, 0, 0, 0, 0], atol=0.02)


@pytest.mark.parametrize("factor", [0.0, 0.1])
@pytest.mark.parametrize("solved", [solve, solve_compact])
def test_energy_above_the_ceiling_is_charged_as_late_as_it_can_be(
    solved: Callable[[Night], Answer], factor: float
) -> None:
    """35 kWh are there and 45 wanted at boundary 8, of which 5 lie above the ceiling: at 5 kW in the last two hours.

    That holds where time above the ceiling costs nothing, too.
    """
    night = flat_night(
        10,
        soc_percent=70,
        import_price=0.20,
        stored_energy_price=0.0,
        car=plain_car(outside_window_factor=factor),
        trips=[Drive(depart=9, comeback=10, ready=8, distance_km=175)],
    )
    charge = solved(night).setpoints.charge_kw
    np.testing.assert_allclose(charge, [0, 0, 0, 0, 0, 0, 5, 5, 0, 0], atol=0.02)


def test_steadiness_costs_little_where_prices_hardly_differ() -> None:
    """The night above with one hour 0.0003 cheaper, where 7 and 3.2 kW are cheapest: steadiness gets 1 Wh's worth.

    Two equal hours would cost the worth of 2.8 Wh more. That is within 10 Wh at the highest price, but much of what any
    choice of hours can cost here.
    """
    night = flat_night(
        10,
        soc_percent=40,
        import_price=[0.2003] * 6 + [0.2] + [0.2003] * 3,
        stored_energy_price=0.0,
        charger=plain_charger(fixed_loss_kw=0.1),
        trips=[Drive(depart=9, comeback=10, ready=8, distance_km=100)],
    )
    charge = solve(night).setpoints.charge_kw
    assert charge[5:7].sum() == pytest.approx(10.2, abs=0.02)
    assert 0.0003 * (7.0 - charge[6]) <= 0.001 * night.highest_price + 1e-6


def test_what_a_choice_among_equals_may_cost() -> None:
    """10 Wh less the gap of 3 at the highest price; less where the lowest is over half of it, down to 1 Wh."""
    prices = (0.3, [0.39, 0.4, 0.4, 0.4], [0.3, 0.4, 0.4, 0.4], [0.1, 0.3, 0.4, 0.2], [-0.5, 0.4, 0.4, 0.4])
    allowed = [tie_allowance(flat_night(4, import_price=each)) for each in prices]
    assert allowed == pytest.approx([0.001 * 0.3, 0.001 * 0.4, 0.007 * 0.2, 0.007 * 0.4, 0.007 * 0.4])


def test_discharging_is_steady_and_as_early_as_possible() -> None:
    """9 kWh may be given at one good price, and the building draws more: the first two hours at 4.5 kW, not 7 and 2."""
    night = flat_night(
        8,
        soc_percent=80,
        load_kw=9.0,
        import_price=0.40,
        car=plain_car(discharge_limit_kwh=9.0),
        charger=plain_charger(fixed_loss_kw=0.1),
    )
    discharge = solve(night).setpoints.discharge_kw
    np.testing.assert_allclose(discharge, [4.5, 4.5, 0, 0, 0, 0, 0, 0], atol=0.02)


def test_following_the_building_is_not_smoothed_at_a_cost() -> None:
    """Covering a draw that varies beats a steady power by more than the tie allows, so the plan follows the draw."""
    night = flat_night(
        6, soc_percent=80, load_kw=[2, 4, 3, 5, 2, 3], import_price=0.40, export_price=0.0, stored_energy_price=0.1
    )
    np.testing.assert_allclose(solve(night).setpoints.discharge_kw, night.load_kw, atol=0.03)


@pytest.mark.parametrize("seed", range(1, 60, 6))
def test_steadiness_costs_no_more_than_the_tie_allows(seed: int) -> None:
    """A steady plan stays within the worth of 10 Wh at the dearest price of the independent optimum."""
    night = random_night(seed)
    total = verify(night, solve(night)).costs.total
    expected = independent_optimum(night)
    assert total <= expected.money + TIE_WORTH_KWH * night.highest_price + 1e-5
