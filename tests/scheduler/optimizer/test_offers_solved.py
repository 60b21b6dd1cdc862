"""Nights whose prices depend on amounts: the optimum against the independent matrix, and by hand.

Source of the comparison solver: as in test_solve.py. The reference orders every step in time with a binary at each
interval, whether its price needs one or not. By-hand nights: arithmetic beside each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from models.tariff.demand import DemandMonth
from models.tariff.tiers import PriceTier
from scheduler.nights.night import Night
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import PlanRefused, Replayed, verify, verify_constraints
from tests.builders.nights import flat_night, plain_charger, powers
from tests.builders.random_offers import EVERY_SEED, SOME_SEEDS, random_offer_night
from tests.oracles.independent_matrix import independent_optimum
from tests.oracles.tolerances import money_tolerance, weighted_on_the_way


def _one_number(step: PriceTier) -> bool:
    return step.has_constant_difference and bool(step.difference.any())


def _favours(step: PriceTier) -> bool:
    mean = float(step.difference[step.holds].mean())
    return mean < 0 if step.side == "import" else mean > 0


FEATURES: dict[str, Callable[[Night], bool]] = {
    "cheaper first kWh of import": lambda n: any(_one_number(s) and _favours(s) for s in n.tiers_of("import")),
    "dearer first kWh of import": lambda n: any(_one_number(s) and not _favours(s) for s in n.tiers_of("import")),
    "better paid first kWh of export": lambda n: any(_one_number(s) and _favours(s) for s in n.tiers_of("export")),
    "worse paid first kWh of export": lambda n: any(_one_number(s) and not _favours(s) for s in n.tiers_of("export")),
    "a difference that changes": lambda n: any(not s.has_constant_difference for s in n.tiers),
    "two days": lambda n: len({tuple(s.holds) for s in n.tiers}) > 1,
    "a stair of two": lambda n: len({s.band for s in n.tiers_of("import")}) > 1,
    "a step used up already": lambda n: any(s.left_kwh == 0 for s in n.tiers),
    "a demand charge": lambda n: bool(n.demand),
    "two months": lambda n: len(n.demand) > 1,
    "no grid charging at home": lambda n: bool((n.only_solar & n.at_home).any()),
    "no grid charging, solar that can be limited": lambda n: bool(
        n.solar_can_be_limited and (n.only_solar & (n.solar_kw > n.load_kw)).any()
    ),
    "an export limit that changes": lambda n: bool(np.ptp(n.export_limit_kw) > 0),
}


@pytest.mark.parametrize("feature", FEATURES)
def test_every_feature_occurs(feature: str) -> None:
    """Each rule of an offer that the program answers to occurs in at least 8 of the nights that are solved."""
    assert sum(FEATURES[feature](random_offer_night(seed)) for seed in SOME_SEEDS) >= 8


@cache
def verified(seed: int) -> tuple[Night, Replayed]:
    """A random night with such an offer and what its plan comes to, solved once in a process."""
    night = random_offer_night(seed)
    return night, verify(night, solve(night))


@pytest.mark.seeds(SOME_SEEDS, EVERY_SEED)
def test_the_optimum_equals_an_independent_matrix(seed: int) -> None:
    """On random nights with such offers the priorities and the money agree with the independent matrix."""
    night, replayed = verified(seed)
    expected = independent_optimum(night)
    assert weighted_on_the_way(night, replayed) == pytest.approx(expected.on_the_way, abs=1e-4)
    assert replayed.missing_kwh.sum() == pytest.approx(expected.missing_at_departure, abs=1e-4)
    assert replayed.missing_when_ready_kwh.sum() == pytest.approx(expected.missing_when_ready, abs=1e-4)
    assert replayed.costs.total == pytest.approx(expected.money, abs=money_tolerance(night))


@pytest.mark.seeds(EVERY_SEED[::6], EVERY_SEED[::3])
def test_the_alternative_keeps_every_law(seed: int) -> None:
    """Charging on return obeys the offer's rules too, and is never cheaper where it serves the trips as well."""
    night, replayed = verified(seed)
    on_return = verify_constraints(night, charge_on_return(night))
    as_well = (
        on_return.missing_kwh.sum() <= replayed.missing_kwh.sum() + 1e-6
        and on_return.missing_when_ready_kwh.sum() <= replayed.missing_when_ready_kwh.sum() + 1e-6
        and on_return.on_the_way_kwh.sum() <= replayed.on_the_way_kwh.sum() + 1e-6
    )
    if as_well:
        assert replayed.costs.total <= on_return.costs.total + money_tolerance(night)


def solved(night: Night) -> tuple[Answer, Replayed]:
    answer = solve(night)
    return answer, verify(night, answer)


def step(night: Night, side: str, left_kwh: float, difference: float, hours: slice = slice(None)) -> Night:
    holds = np.zeros(night.intervals, dtype=np.bool_)
    holds[hours] = True
    return replace(night, tiers=(PriceTier(side, 0, holds, left_kwh, np.where(holds, difference, 0.0)),))  # type: ignore[arg-type]


def test_only_the_first_kwh_of_export_are_given() -> None:
    """0.45 more on the first 8 kWh sent, 0.05 beyond: a kWh kept is worth 0.15, so just 8 kWh are sent.

    Export 8 x (0.05 + 0.45) = 4.00.
    """
    night = step(flat_night(load_kw=0.0, import_price=0.30, export_price=0.05), "export", 8.0, 0.45)
    answer, replayed = solved(night)
    assert float(night.hours @ replayed.export_kw) == pytest.approx(8.0, abs=0.02)
    assert replayed.costs.export == pytest.approx(4.00, abs=0.02)
    assert answer.setpoints.discharge_kw.max() <= 5.0 + 1e-6


def test_what_was_sent_before_counts() -> None:
    """With 3 kWh of the 8 left, 3 kWh are sent."""
    night = step(flat_night(load_kw=0.0, export_price=0.05), "export", 3.0, 0.45)
    assert float(night.hours @ solved(night)[1].export_kw) == pytest.approx(3.0, abs=0.02)


def test_cheap_first_kwh_are_charged() -> None:
    """The building takes 1 kWh an hour at 0.30, but the first 20 kWh cost 0.10: the 12 left go into the car."""
    night = step(flat_night(soc_percent=30.0, stored_energy_price=0.20), "import", 20.0, -0.20)
    answer, replayed = solved(night)
    assert float(night.hours @ answer.setpoints.charge_kw) == pytest.approx(12.0, abs=0.05)
    assert replayed.costs.import_ == pytest.approx(20 * 0.10, abs=0.01)


def test_dear_first_kwh_are_not_a_reason_to_stop_half_way() -> None:
    """The first 10 kWh cost 0.60, then 0.05; a kWh kept is worth 0.15. The building uses 8 kWh of the dear ones.

    Charging 2 kWh more at a loss of 0.90 opens a price at which each kWh gains 0.10: only past 11 kWh does it pay, and
    the car has room for 25, so it charges all it may.
    """
    night = step(flat_night(import_price=0.05, soc_percent=30.0, stored_energy_price=0.15), "import", 10.0, 0.55)
    charged = float(night.hours @ solve(night, may_discharge=False).setpoints.charge_kw)
    assert charged == pytest.approx(25.0, abs=0.05)
    little = replace(night, car=replace(night.car, ceiling_percent=45.0))  # room for 7.5 kWh: -0.90 + 0.55 + start
    assert float(night.hours @ solve(little, may_discharge=False).setpoints.charge_kw) == 0.0


def demand_night(so_far_kw: float) -> Night:
    """The building draws 1 kW, and 5 kW in the fourth hour; 6.00 a kW on the highest hour of the month."""
    night = flat_night(load_kw=[1.0] * 3 + [5.0] + [1.0] * 4, import_price=0.15, stored_energy_price=0.20)
    mean_of = np.arange(night.intervals)
    return replace(night, demand=(DemandMonth(mean_of, 6.0, so_far_kw),))


def test_the_peak_is_shaved_down_to_the_highest_so_far() -> None:
    """With 3 kW so far, 2 kW of the 5 are covered, and the night adds nothing to the demand charge.

    Each kW less costs (0.20 + 0.02 - 0.15) = 0.07 in energy and wear, and saves 6.00; below 3 kW it saves nothing.
    """
    answer, replayed = solved(demand_night(3.0))
    assert answer.setpoints.discharge_kw[3] == pytest.approx(2.0, abs=0.01)
    assert float(answer.setpoints.discharge_kw.sum()) == pytest.approx(2.0, abs=0.01)
    assert replayed.costs.demand == pytest.approx(0.0, abs=1e-3)


def test_the_night_pays_for_what_it_adds_to_the_peak() -> None:
    """A car that may not give energy adds 5 - 3 = 2 kW x 6.00 = 12.00."""
    night = demand_night(3.0)
    replayed = verify(night, solve(night, may_discharge=False))
    assert replayed.costs.demand == pytest.approx(12.00)
    assert replayed.costs.cash == pytest.approx(replayed.costs.import_ + 12.00)


def banned(night: Night, hours: slice) -> Night:
    ban = np.zeros(night.intervals, dtype=np.bool_)
    ban[hours] = True
    return replace(night, no_grid_charging=ban)


def test_no_charging_from_the_grid_while_the_band_holds() -> None:
    """Import is cheapest in the first four hours, but the offer forbids charging then: the car charges after them."""
    night = banned(
        flat_night(import_price=[0.05] * 4 + [0.08] * 4, soc_percent=30.0, stored_energy_price=0.15), slice(0, 4)
    )
    charge_kw = solved(night)[0].setpoints.charge_kw
    assert charge_kw[:4].max() == 0.0
    assert charge_kw[4:].sum() == pytest.approx(25.0, abs=0.05)


def test_solar_surplus_may_be_charged_while_the_band_holds() -> None:
    """3 kW of solar over 1 kW of load leave 2 kW, which may be charged though grid energy may not."""
    night = banned(
        flat_night(solar_kw=3.0, import_price=0.05, export_price=0.0, soc_percent=30.0, stored_energy_price=0.15),
        slice(None),
    )
    assert solved(night)[0].setpoints.charge_kw == pytest.approx(np.full(8, 2.0), abs=0.01)


def test_replay_refuses_charging_from_the_grid_where_it_is_forbidden() -> None:
    """Half a kW more than the surplus is refused, in words."""
    night = banned(flat_night(solar_kw=3.0), slice(None))
    with pytest.raises(PlanRefused, match=r"charged from the grid where the offer forbids it, by 0\.500000"):
        verify_constraints(night, powers(night, 2.5))


def test_replay_refuses_export_over_the_limit_of_its_hour() -> None:
    """The limit of that hour counts, not the connection's."""
    limits = np.array([5.0] * 2 + [1.0] * 6)
    night = replace(flat_night(load_kw=0.0, charger=plain_charger()), export_limits_kw=limits)
    verify_constraints(night, powers(night, -5.0, -5.0, -1.0))
    with pytest.raises(PlanRefused, match=r"over the export limit, by 4\.000000 from 2026-03-02 20:00"):
        verify_constraints(night, powers(night, -5.0, -5.0, -5.0))


def test_an_export_limit_by_the_clock_moves_the_sale() -> None:
    """Export pays 0.50 all night, but nothing may be sent in the first four hours: 5 kW in each of the last four."""
    night = replace(
        flat_night(load_kw=0.0, export_price=0.50, soc_percent=70.0), export_limits_kw=np.array([0.0] * 4 + [5.0] * 4)
    )
    assert solved(night)[1].export_kw == pytest.approx([0.0] * 4 + [5.0] * 4, abs=0.01)
