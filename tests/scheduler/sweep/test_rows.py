"""Rows of a sweep: wear counted with another package than the program's."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rainflow

from models.wear.laws import wear_law
from models.wear.stress import StressLaw
from scheduler.rolling.counted_wear import soc_trace
from scheduler.rolling.period import CompareOptions, parse_period
from scheduler.rolling.run import RolledRun, roll
from scheduler.sweep.grid import grid, inputs_of_points
from scheduler.sweep.rows import run_row
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
WORDS = CompareOptions(DEMO, (Path("offers/evening-feed-in.toml"),), "2026-02-02", "2026-02-05")


@pytest.fixture(scope="module")
def plan() -> RolledRun:
    return parse_period(WORDS).runs()["evening-feed-in.plan"]


def test_life_by_the_law_of_depth_from_rainflow_itself(plan: RolledRun) -> None:
    """The rainflow package's cycles times 5.24e-4 · depth ** 2.03, Xu, Zhao et al. 2018, and 20 % of a life a year."""
    flows = roll(plan)
    points = grid(("evening-feed-in",), (1.0,), ("depth",), [])
    row = run_row(points[0], plan, flows)
    trace = soc_trace(plan.inputs, flows)
    life = sum(count * 5.24e-4 * depth**2.03 for depth, _, count, _, _ in rainflow.extract_cycles(trace.soc.tolist()))
    assert row["cycle_life_used_percent_depth"] == pytest.approx(100 * life, rel=1e-9)
    assert row["capacity_lost_percent_a_year_depth"] == pytest.approx(20 * life * 365.25 / 4, rel=1e-9)
    assert "own_capacity_lost_percent_a_year_depth" not in row


def test_capacity_lost_by_the_laws_own_equation(plan: RolledRun) -> None:
    """L of Xu, Oudalov et al. 2018 at three years, against life used × 20 %: the same f, at its slope there.

    By "nmc" a share of life is the capacity lost over 0.2, so the two are one.
    """
    row = run_row(grid(("evening-feed-in",), (1.0,), ("depth",), [])[0], plan, roll(plan))
    law = wear_law("stress", plan.inputs.site.wear.law_settings)
    assert isinstance(law, StressLaw)
    f, so_far = float(row["life_used_percent_stress"]) / 100 * 0.1639242, law.stress_so_far  # type: ignore[arg-type]
    lost = [1 - 0.0575 * np.exp(-121 * each) - 0.9425 * np.exp(-each) for each in (so_far, so_far + f)]
    own = {name: row[f"own_capacity_lost_percent_a_year_{name}"] for name in ("stress", "nmc")}
    assert own["stress"] == pytest.approx(100 * (lost[1] - lost[0]) * 365.25 / 4, rel=1e-4)
    assert own["nmc"] == pytest.approx(row["capacity_lost_percent_a_year_nmc"], rel=1e-9)


def test_a_trace_is_closed_to_its_first_state_of_charge(plan: RolledRun) -> None:
    """So that what is counted does not depend on where the last evening ended: half cycles are left at no end."""
    trace = soc_trace(plan.inputs, roll(plan))
    assert trace.soc[-1] == trace.soc[0]
    cycles = list(rainflow.extract_cycles(trace.soc.tolist()))
    ups, downs = (sum(max(0.0, sign * step) for step in np.diff(trace.soc)) for sign in (1, -1))
    assert ups == pytest.approx(downs, abs=1e-9)
    assert sum(count * depth for depth, _, count, _, _ in cycles) == pytest.approx(downs, abs=1e-9)


def test_wear_matters_by_its_weight(plan: RolledRun) -> None:
    """At no weight the car gives at least as much as at a weight of 1000, at which it gives nothing."""
    points = grid(("evening-feed-in",), (0.0, 1000.0), ("depth",), [])
    found = inputs_of_points({"evening-feed-in": plan.inputs}, points, DEMO)
    free, dear = (
        run_row(point, replace(plan, inputs=each), roll(replace(plan, inputs=each)))
        for point, each in zip(points, found, strict=True)
    )
    assert free["discharged_kwh"] > 0
    assert dear["discharged_kwh"] == 0
    assert free["cycle_life_used_percent_depth"] > dear["cycle_life_used_percent_depth"]
