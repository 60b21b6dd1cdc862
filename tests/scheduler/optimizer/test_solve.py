"""The optimum against programs written independently of it: a sparse matrix for scipy, and brute force.

Source of the comparison solver: HiGHS as `scipy.optimize.milp` runs it, on a matrix written from the design's text
alone (tests/oracles/independent_matrix.py); brute force over every sequence of modes with
`scipy.optimize.linprog` (tests/oracles/brute_force.py).
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.optimizer.few_settings import change_between_settings, settings_of
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import SHORT_KWH, draft, relaxed_money, solve
from scheduler.plans.replay import verify, verify_constraints
from tests.builders.random_nights import EVERY_SEED, SOME_SEEDS, random_night, small_night
from tests.oracles.brute_force import brute_force
from tests.oracles.independent_matrix import independent_optimum
from tests.oracles.tolerances import money_tolerance, weighted_on_the_way


@cache
def solved(seed: int) -> Answer:
    """The plan of a random night, solved once in a process."""
    return solve(random_night(seed))


def settings_and_change(night: Night, charge_kw: FloatArray, discharge_kw: FloatArray) -> tuple[int, float]:
    """How many settings a schedule asks for, and the change of power between them [kW]."""
    charging, discharging = ((power > 1e-6).astype(np.float64) for power in (charge_kw, discharge_kw))
    powers = Setpoints(charge_kw, discharge_kw, charging, discharging, np.zeros(night.intervals))
    settings = settings_of(night, powers)
    return len(settings), change_between_settings(settings, powers)


@pytest.mark.seeds(SOME_SEEDS, EVERY_SEED)
def test_the_optimum_equals_an_independent_matrix(seed: int) -> None:
    """On random nights over every key of the site file the priorities and the money agree. The plan asks for no more
    settings than the independent one, which is as cheap, and with as many it is as steady."""
    night, answer = random_night(seed), solved(seed)
    replayed = verify(night, answer)
    expected = independent_optimum(night)
    assert weighted_on_the_way(night, replayed) == pytest.approx(expected.on_the_way, abs=1e-4)
    assert replayed.missing_kwh.sum() == pytest.approx(expected.missing_at_departure, abs=1e-4)
    assert replayed.missing_when_ready_kwh.sum() == pytest.approx(expected.missing_when_ready, abs=1e-4)
    assert replayed.costs.total == pytest.approx(expected.money, abs=money_tolerance(night))
    if min(night.charger.charge_min_kw, night.charger.discharge_min_kw) > 0:  # else powers do not tell the runs
        ours = settings_and_change(night, answer.setpoints.charge_kw, answer.setpoints.discharge_kw)
        theirs = settings_and_change(night, expected.charge_kw, expected.discharge_kw)
        assert ours[0] <= theirs[0]
        assert ours[0] < theirs[0] or ours[1] <= theirs[1] + 0.01


@pytest.mark.seeds(range(0, 40, 2), range(60))
def test_the_relaxed_program_is_no_higher_than_the_independent_optimum(seed: int) -> None:
    """Where trips can all be served. Where one cannot, there is no such plan, and no bound."""
    night = random_night(seed)
    bound, expected = relaxed_money(night), independent_optimum(night)
    short = expected.on_the_way + expected.missing_at_departure + expected.missing_when_ready
    if bound is None:
        assert short > 0 or night.prices_depend_on_amounts or night.stored_energy.price_per_kwh[-1] < 0
    else:
        assert short <= SHORT_KWH
        assert bound <= expected.money + money_tolerance(night)


@pytest.mark.seeds(range(0, 25, 2), range(25))
def test_charge_only_equals_the_independent_matrix_without_discharging(seed: int) -> None:
    """The program with every discharge forbidden is the alternative `charge-only`."""
    night = random_night(seed)
    answer = solve(night, may_discharge=False)
    assert not answer.setpoints.discharging.any()
    expected = independent_optimum(night, may_discharge=False)
    assert verify(night, answer).costs.total == pytest.approx(expected.money, abs=money_tolerance(night))


@pytest.mark.seeds(range(20, 32), range(40))
def test_small_nights_equal_brute_force(seed: int) -> None:
    """On four to six intervals no sequence of modes is cheaper than the plan."""
    night = small_night(seed)
    found = verify(night, solve(night)).costs.total
    assert found == pytest.approx(brute_force(night).money, abs=money_tolerance(night))


@pytest.mark.parametrize("seed", range(0, 40, 4))
def test_solving_again_gives_the_same_plan(seed: int) -> None:
    """The same night gives the same setpoints to the last digit: nothing depends on clocks or chance."""
    first, second = solved(seed).setpoints, solve(random_night(seed)).setpoints
    for name in Setpoints.__slots__:
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


def test_the_answer_says_how_sure_it_is() -> None:
    """The solver's status is optimal and its gap within the worth of 3 Wh at the dearest price."""
    night = random_night(0)
    answer = solve(night)
    assert answer.status == "optimal"
    assert 0 <= answer.gap <= 0.003 * night.highest_price + 1e-9
    assert answer.seconds > 0


def test_a_draft_holds_and_is_hardly_worse_than_the_best() -> None:
    """On forty random nights it serves departures as well, and mostly costs no more than 0.1 kWh beyond the best plan,
    2 kWh at the most, at the highest price."""
    more_kwh = []
    for seed in range(40):
        night = random_night(seed)
        best, found = verify(night, solved(seed)), verify_constraints(night, draft(night))
        assert found.missing_kwh.sum() == pytest.approx(best.missing_kwh.sum(), abs=1e-3), seed
        more_kwh.append((found.costs.total - best.costs.total) / max(night.highest_price, 0.01))
    assert np.quantile(more_kwh, 0.7) <= 0.1
    assert max(more_kwh) <= 2.0
