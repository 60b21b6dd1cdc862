"""Properties that hold on every night, under Hypothesis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduler.nights.night import Night
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.lexicographic import TIE_WORTH_KWH
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import Replayed, verify, verify_constraints
from tests.builders.random_nights import random_night

SOME = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
seeds = st.integers(1000, 9999)


def tie(night: Night) -> float:
    """What a plan may cost more than the optimum [money]."""
    return TIE_WORTH_KWH * night.highest_price + 1e-5


def serves_as_well(one: Replayed, other: Replayed) -> bool:
    """Whether no trip is short of more under the first than under the second."""
    return all(
        bool((getattr(one, name) <= getattr(other, name) + 1e-6).all())
        for name in ("on_the_way_kwh", "missing_kwh", "missing_when_ready_kwh")
    )


@SOME
@given(seeds)
def test_energy_is_conserved_and_never_both_directions(seed: int) -> None:
    """What goes through the meter, the panels and the battery adds up to the load, and power has one direction."""
    night = random_night(seed)
    answer = solve(night)
    found = verify(night, answer)
    setpoints = answer.setpoints
    left = night.solar_kw - setpoints.curtailed_kw + found.import_kw + setpoints.discharge_kw
    right = night.load_kw + found.export_kw + setpoints.charge_kw
    np.testing.assert_allclose(left, right, atol=1e-9)
    assert not np.any((setpoints.charge_kw > 0) & (setpoints.discharge_kw > 0))
    assert not np.any((found.import_kw > 0) & (found.export_kw > 0))
    into = night.hours * (
        night.charger.charge_efficiency * setpoints.charge_kw - night.charger.fixed_loss_kw * setpoints.charging
    )
    out = night.hours * (
        setpoints.discharge_kw / night.charger.discharge_efficiency
        + night.charger.fixed_loss_kw * setpoints.discharging
    )
    driven = sum(trip.energy_kwh for trip in night.trips) - found.on_the_way_kwh.sum()
    assert found.stored_kwh[-1] - found.stored_kwh[0] == pytest.approx((into - out).sum() - driven, abs=1e-6)


@SOME
@given(seeds)
def test_the_plan_is_no_worse_than_an_alternative_that_serves_the_trips_as_well(seed: int) -> None:
    """Charging on return, and the best plan without discharging, cost no less than the plan."""
    night = random_night(seed)
    plan = verify(night, solve(night))
    on_return = charge_on_return(night)
    whole = bool(np.isin(on_return.charge_share, (0.0, 1.0)).all())
    others = [verify(night, solve(night, may_discharge=False))]
    others += [verify_constraints(night, on_return)] if whole else []
    for other in others:
        if serves_as_well(other, plan):
            assert plan.costs.total <= other.costs.total + tie(night)


@SOME
@given(seeds, st.floats(0, 1))
def test_a_lower_least_power_never_costs_more(seed: int, share: float) -> None:
    """A charger that can go lower is at least as good."""
    night = random_night(seed)
    charger = night.charger
    gentler = replace(
        charger, charge_min_kw=share * charger.charge_min_kw, discharge_min_kw=share * charger.discharge_min_kw
    )
    _never_costs_more(replace(night, charger=gentler), night)


@SOME
@given(seeds, st.floats(0, 1))
def test_a_lower_floor_never_costs_more(seed: int, share: float) -> None:
    """A wider window is at least as good; the return reserve stays where it was."""
    night = random_night(seed)
    wider = replace(night.car, floor_percent=share * night.car.floor_percent)
    _never_costs_more(replace(night, car=wider), night)


@SOME
@given(seeds, st.floats(1, 3))
def test_a_larger_approval_never_costs_more(seed: int, factor: float) -> None:
    """More import and export expected at least as good where solar need not be curtailed less for it."""
    night = random_night(seed)
    connection = night.connection
    larger = replace(connection, import_limit_kw=factor * connection.import_limit_kw)
    _never_costs_more(replace(night, connection=larger), night)


def _never_costs_more(freer: Night, night: Night) -> None:
    free, bound = (verify(each, solve(each)) for each in (freer, night))
    # where the freer night serves the trips better it may spend money on it
    if serves_as_well(bound, free):
        assert free.costs.total <= bound.costs.total + tie(night)
