"""The compact and the reference formulation have the same optimum; the reference is compiled from Pyomo as it is."""

from __future__ import annotations

from dataclasses import replace

import highspy
import pytest

from scheduler.nights.night import Night
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, first_stage
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.pyomo_matrix import compile_matrix
from tests.builders.nights import Drive, flat_night
from tests.builders.random_nights import random_night
from tests.builders.random_offers import random_offer_night


def least(matrix: Matrix, night: Night) -> list[float]:
    """The first four objectives, each at its least with the earlier ones held."""
    stage = first_stage(matrix).with_priorities(GAP_WORTH_KWH * night.highest_price)
    return [stage.value(objective) for objective in OBJECTIVES[:4]]


@pytest.mark.seeds(range(0, 140, 4), range(140))
def test_the_compact_formulation_has_the_reference_optimum(seed: int) -> None:
    """On random nights, export above import among them, all four objectives agree within the gap."""
    assert_the_same_optimum(random_night(seed))


@pytest.mark.seeds(range(200, 280, 4), range(200, 280))
def test_it_has_with_prices_that_depend_on_amounts_too(seed: int) -> None:
    """On random nights with the rules of an offer, all four objectives agree within the gap."""
    assert_the_same_optimum(random_offer_night(seed))


def assert_the_same_optimum(night: Night) -> None:
    """Compare all four objectives of both formulations."""
    reference, compact = least(compile_matrix(night), night), least(compact_matrix(night), night)
    assert compact[:3] == pytest.approx(reference[:3], abs=2e-4)
    assert compact[3] == pytest.approx(reference[3], abs=2 * GAP_WORTH_KWH * night.highest_price + 1e-4)


@pytest.mark.seeds(range(0, 60, 6), range(0, 60, 3))
def test_without_discharging_too(seed: int) -> None:
    """The alternative that never discharges has the same optimum in both."""
    night = random_night(seed)
    reference = least(compile_matrix(night, may_discharge=False), night)
    compact = least(compact_matrix(night, may_discharge=False), night)
    assert compact[3] == pytest.approx(reference[3], abs=2 * GAP_WORTH_KWH * night.highest_price + 1e-4)


def relaxed(matrix: Matrix) -> float:
    """Least money where modes may be fractions."""
    matrix.lp.integrality_ = [highspy.HighsVarType.kContinuous] * matrix.lp.num_col_
    stage = first_stage(matrix)
    found = stage.solver.run(stage.program, "least_money", 0.0)
    assert not isinstance(found, str)
    return replace(stage, values=found.values).value("least_money")


def test_the_relaxation_is_closer() -> None:
    """A draw of 0.4 kW under a least power of 1 kW: the relaxed reference gives 0.4 kW for nothing spilled.

    With whole modes 0.6 kW of each kW given are spilled at 0.05, so that a kWh given earns
    0.4 x 0.50 + 0.6 x 0.05 = 0.23 and costs 0.30 + 0.02: nothing is given, and the compact relaxation knows it.
    """
    night = flat_night(load_kw=0.4, import_price=0.50, stored_energy_price=0.30)
    whole = least(compact_matrix(night), night)[3]
    assert relaxed(compile_matrix(night)) < whole - 0.1
    assert relaxed(compact_matrix(night)) == pytest.approx(whole, abs=1e-6)


def test_it_is_smaller() -> None:
    """A night of 24 hours has less than two thirds of the reference formulation's rows, and fewer columns."""
    night = flat_night(24, trips=[Drive(12, 20, 60.0)])
    reference, compact = compile_matrix(night).lp, compact_matrix(night).lp
    assert compact.num_row_ < reference.num_row_ * 2 / 3
    assert compact.num_col_ < reference.num_col_


def test_changes_of_power_are_counted_inside_runs() -> None:
    """Powers of 2, 3, 0, 4 and 1 kW, charging in the first two and the last two intervals: |3 - 2| + |1 - 4| = 4 kW."""
    night = flat_night(5)
    stage = first_stage(compact_matrix(night))
    columns, values = stage.program.columns, stage.values.copy()
    values[columns["charge_kw"]] = [2, 3, 0, 4, 1]
    values[columns["charging"]] = [1, 1, 0, 1, 1]
    longer = replace(stage, values=values).counting_changes(night)
    assert longer.value("least_change") == pytest.approx(4.0)
    assert len(longer.values) == len(longer.program.lower) > len(values)
