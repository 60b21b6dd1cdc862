"""The reference that the scheduler is checked against is itself checked, by brute force and plain cases."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from scheduler.nights.stored_energy import one_price
from tests.builders.random_nights import random_night, small_night
from tests.oracles.brute_force import brute_force
from tests.oracles.independent_matrix import independent_optimum

WITHIN = 5e-5
"""Earlier objectives are held within 1e-5 kWh, and a night has up to three of them [kWh, money]."""
SPARE_SOLAR = (964, 1652, 3452, 4884)
"""Small nights on which curtailing more than is needed would pay, were it allowed."""
UNCOVERED_LOSS = (3348, 166)
"""Small nights on which a charging power that does not cover the fixed loss is best; the first has 3072 sequences."""


@pytest.mark.seeds([*range(20), *SPARE_SOLAR, *UNCOVERED_LOSS[1:]], [*range(40), *SPARE_SOLAR, *UNCOVERED_LOSS])
def test_sparse_matrices_equal_brute_force(seed: int) -> None:
    """On nights of 4 to 6 intervals the matrices give the same four objectives as trying every sequence."""
    night = small_night(seed)
    answer, best = independent_optimum(night), brute_force(night)
    assert answer.on_the_way == pytest.approx(best.on_the_way, abs=WITHIN)
    assert answer.missing_at_departure == pytest.approx(best.missing_at_departure, abs=WITHIN)
    assert answer.missing_when_ready == pytest.approx(best.missing_when_ready, abs=WITHIN)
    assert answer.money == pytest.approx(best.money, abs=WITHIN)


@pytest.mark.seeds(range(0, 240, 24), range(0, 240, 12))
def test_less_freedom_never_costs_less(seed: int) -> None:
    """Where no priority differs, a night that may not discharge costs no less than one that may."""
    night = random_night(seed)
    free, bound = independent_optimum(night), independent_optimum(night, may_discharge=False)
    assert bound.discharge_kw.max() == 0
    assert free.money_bound <= free.money + 1e-9
    mine = (free.on_the_way, free.missing_at_departure, free.missing_when_ready)
    theirs = (bound.on_the_way, bound.missing_at_departure, bound.missing_when_ready)
    assert mine <= tuple(value + WITHIN for value in theirs)
    if np.allclose(mine, theirs, atol=WITHIN):
        assert free.money <= bound.money + 2 * WITHIN


@pytest.mark.parametrize("seed", range(6, 240, 24))
def test_setpoints_keep_the_laws(seed: int) -> None:
    """The setpoints are nothing or within the charger's limits, one direction, and nothing while away."""
    night = random_night(seed)
    answer, charger = independent_optimum(night), night.charger
    charging, discharging = answer.charge_kw > 1e-5, answer.discharge_kw > 1e-5
    assert not (charging & discharging).any()
    assert not ((charging | discharging) & ~night.at_home).any()
    assert (answer.charge_kw[charging] >= charger.charge_min_kw - 1e-5).all()
    assert (answer.discharge_kw[discharging] >= charger.discharge_min_kw - 1e-5).all()
    net = night.load_kw - night.solar_kw + answer.charge_kw - answer.discharge_kw + answer.curtailed_kw
    assert (-net <= night.connection.export_limit_kw + 1e-5).all()
    if not night.solar_can_be_limited:
        spare = -(net - answer.curtailed_kw) - night.connection.export_limit_kw
        negative = np.minimum(night.import_price, night.export_price) < 0
        assert np.allclose(answer.curtailed_kw[negative], np.maximum(0, spare)[negative], atol=1e-5)


def test_a_negative_price_of_stored_energy_is_refused() -> None:
    """What this statement cannot hold is an error, not a wrong answer."""
    night = dataclasses.replace(small_night(0), stored_energy=one_price(-0.1, 30.0))
    with pytest.raises(ValueError, match="price of stored energy"):
        independent_optimum(night)
