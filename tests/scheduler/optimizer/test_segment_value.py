"""Energy left valued by how it fills the wear segments: both formulations, another optimum, replay, the days after."""

from __future__ import annotations

from dataclasses import replace

import highspy
import numpy as np
import pytest

from models.base.arrays import FloatArray
from models.wear.segments import WearSegments, initial_fill_kwh
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import SCHEDULE, Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.stored_energy import SegmentValue
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, first_stage
from scheduler.optimizer.look_ahead import (
    highest_worth,
    running_cycle_matters,
    value_at_beginning,
    with_look_ahead,
    with_segment_value,
)
from scheduler.optimizer.matrix_builder import MONEY, Matrix
from scheduler.optimizer.pyomo_matrix import compile_matrix
from scheduler.optimizer.setpoints import BRANCH_AND_BOUND
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from tests.builders.nights import flat_night, plain_car
from tests.builders.places import SCENARIOS
from tests.builders.random_nights import random_night
from tests.oracles.independent_matrix import independent_optimum

SITES = ("bookbindery", "boatyard", "veterinary")


def following_itself(night: Night) -> Night:
    """The same night again, with a car that comes to it at its ceiling."""
    ceiling = night.car.ceiling_kwh
    return replace(night, stored_now_kwh=ceiling, initial_fill_kwh=initial_fill_kwh(night.wear, ceiling))


def valued(seed: int) -> Night:
    """The first random night of its seed, or 1,000 further on, that can value what it leaves as if it came again."""
    while True:
        night = random_night(seed)
        found = with_segment_value(night, following_itself(night), may_discharge=True, explain=False)
        if found is not None:
            return found
        seed += 1000


def drawn(random: np.random.Generator, night: Night) -> FloatArray:
    """Energy in each segment, anything between nothing and its size, within floor and ceiling altogether [kWh]."""
    car, size = night.car, night.wear.size_kwh
    wanted = random.uniform(car.floor_kwh, car.ceiling_kwh)
    fill = np.zeros(len(size))
    for segment in random.permutation(len(size)):
        fill[segment] = min(size[segment], wanted - fill.sum())
    return fill


def by_law(site: str, law: str) -> Inputs:
    """A demo site's free schedule with a wear law, calendar ageing by the same law where it has one."""
    inputs = read_inputs(SCENARIOS / site)
    calendar = law if law in ("stress", "nmc") else None
    wear = replace(inputs.site.wear, law=law, calendar_law=calendar)
    return replace(inputs, site=replace(inputs.site, wear=wear, setting=SCHEDULE))


def tonight(inputs: Inputs, explain: bool = False) -> Night:
    evening = parse_request(RequestOptions(60.0, now="2026-02-10T18:20"), inputs)
    return with_look_ahead(inputs, evening, build_night(inputs, evening)[0], explain=explain)


def relaxed(matrix: Matrix) -> float:
    """Least money where modes may be fractions."""
    matrix.lp.integrality_ = [highspy.HighsVarType.kContinuous] * matrix.lp.num_col_
    stage = first_stage(matrix)
    found = stage.solver.run(stage.program, "least_money", 0.0)
    assert not isinstance(found, str)
    return replace(stage, values=found.values).value("least_money")


@pytest.mark.seeds(range(0, 60, 6), range(60))
def test_both_formulations_have_the_same_optimum(seed: int) -> None:
    """Compact and reference, each compiled on its own, agree on all four objectives within the gap."""
    night = valued(seed)
    gap = GAP_WORTH_KWH * night.highest_price
    reference, compact = (
        first_stage(matrix).with_priorities(gap) for matrix in (compile_matrix(night), compact_matrix(night))
    )
    assert compact.value("least_money") == pytest.approx(reference.value("least_money"), abs=2 * gap + 1e-4)


@pytest.mark.seeds(range(1, 60, 6), range(60))
def test_the_plan_has_the_independent_optimum_and_replay_confirms_its_money(seed: int) -> None:
    """A matrix written independently and solved by scipy finds no plan cheaper than the bound, and none dearer."""
    night = valued(seed)
    answer, other = solve(night), independent_optimum(night)
    within = 2 * GAP_WORTH_KWH * night.highest_price + 1e-4
    assert answer.way == BRANCH_AND_BOUND
    assert answer.bound <= other.money + within
    assert answer.money >= other.money - within
    assert answer.money <= other.money + answer.gap + 10 * within  # ties may cost the worth of 10 Wh
    verify(night, answer)


@pytest.mark.seeds(range(0, 60, 5), range(60))
def test_no_plane_lies_below_the_worth_of_any_filling(seed: int) -> None:
    """The days that follow, begun with segments filled anyhow, are worth no more than the least of the planes says."""
    found, random = None, np.random.default_rng(seed)
    while found is None or found.segment_value is None:  # of some random nights nothing can be valued
        night = random_night(seed)
        at_home = np.ones(night.intervals, dtype=np.bool_)
        after = replace(following_itself(night), trips=(), at_home=at_home)
        found = with_segment_value(night, after, may_discharge=True, explain=False)
        seed += 1000
    for _ in range(5):
        fill = drawn(random, night)
        begun = replace(after, stored_now_kwh=float(fill.sum()), initial_fill_kwh=fill)
        matrix = compact_matrix(begun)
        gained = matrix.offset[MONEY] - relaxed(matrix)  # constants are left out of every worth
        assert found.segment_value.worth(fill) >= gained - 1e-5


def test_an_order_that_no_battery_follows_gains_nothing() -> None:
    """A plane may pay for leaving the first segment full, but energy leaves it first: the plan's money is true."""
    unequal = WearSegments(np.array([2.0, 38.0]), np.array([0.01, 0.01]))
    night = flat_night(6, load_kw=2.0, import_price=0.5, car=plain_car(battery_kwh=40.0), wear=unequal)
    night = replace(night, segment_value=SegmentValue(np.zeros(1), np.array([[0.42, 0.2]])))
    answer = solve(night)
    verify(night, answer)
    assert answer.gap > 0.1  # what the program believed it would gain is told as a gap
    assert answer.money - answer.gap == pytest.approx(independent_optimum(night).money, abs=0.005)


def test_a_value_of_money_scales_with_it() -> None:
    """The least of planes, and what it lies between."""
    value = SegmentValue(np.array([0.0, 1.0]), np.array([[0.3, 0.2], [0.1, -0.1]]))
    size = np.array([5.0, 10.0])
    assert value.worth(np.array([2.0, 1.0])) == pytest.approx(0.8)
    assert value.scaled(10.0).worth(np.array([2.0, 1.0])) == pytest.approx(8.0)
    assert value.limits(size) == pytest.approx((0.0, 3.5))


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("law", ["flat", "depth", "stress", "nmc"])
def test_it_matters_where_cycles_cost_much_and_deep_ones_more(site: str, law: str) -> None:
    """Of the four laws only "nmc" makes shallow cycles costly and deep ones costlier still."""
    night = tonight(by_law(site, law))
    assert (night.segment_value is not None) == running_cycle_matters(night) == (law == "nmc")
    unweighted = replace(night, wear_weight=0.0)
    assert not running_cycle_matters(unweighted)


@pytest.mark.parametrize("site", SITES)
def test_the_worth_near_the_plans_end_is_concave_rising_and_bounded(site: str) -> None:
    """What pages say of a kWh left is like any value of stored energy, and says what it comes from."""
    inputs = by_law(site, "nmc")
    night = tonight(inputs, explain=True)
    value = night.stored_energy
    assert (np.diff(value.price_per_kwh) <= 0).all()
    assert 0 <= value.price_per_kwh[-1] <= value.price_per_kwh[0] <= highest_worth(night)
    assert value.edges_kwh[-1] == pytest.approx(inputs.site.car.ceiling_kwh)
    assert any(use is not None for use in value.uses)


@pytest.mark.parametrize("step_minutes", [60, 15])
def test_a_plan_set_by_hand_values_segments_too(step_minutes: int) -> None:
    """In hours by the integers, in quarter hours by branch and price; replay confirms the money, the bound is below."""
    inputs = by_law("veterinary", "nmc")
    by_hand = read_inputs(SCENARIOS / "veterinary").site.setting
    plan = replace(inputs.site.plan, step_minutes=step_minutes)
    night = tonight(replace(inputs, site=replace(inputs.site, setting=by_hand, plan=plan)))
    assert by_hand.by_hand
    assert night.segment_value is not None
    answer = solve(night)
    verify(night, answer)
    assert answer.bound <= answer.money + 1e-6
    free = solve(replace(night, setting=SCHEDULE))
    assert free.bound <= answer.money + 1e-6


def test_putting_back_is_worth_more_after_a_deep_cycle() -> None:
    """With the shallow segments empty, a kWh put back spares deep wear the next evening; with them full it does not."""
    night = tonight(by_law("bookbindery", "nmc"))
    value, size = night.segment_value, night.wear.size_kwh
    assert value is not None
    full = initial_fill_kwh(night.wear, 30.0)
    empty = initial_fill_kwh(night.wear, 30.0, night.car.battery_kwh)
    more = np.zeros(len(size))
    more[0] = size[0]
    gained = value.worth(empty + more) - value.worth(empty)
    assert value.worth(full) > value.worth(empty)
    assert gained > 0
    assert value_at_beginning(night) is not None
