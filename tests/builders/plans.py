"""The demo evening's plan, and plans put together by hand with no solver; all figures are invented."""

from __future__ import annotations

import shutil
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

from models.base.arrays import FloatArray
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions
from scheduler.nights.request import Request
from scheduler.optimizer.setpoints import Answer, setpoints_from_powers
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan import Plan, assemble_plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.replay import replay
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
DEMO_EVENING = RequestOptions(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",))
"""The evening of the README's first command."""


@cache
def demo_inputs() -> Inputs:
    """The demo site's files."""
    return read_inputs(DEMO)


@cache
def demo_plan() -> Plan:
    """The demo evening's plan, solved once in a process: for tests that read it."""
    return plan_tonight(DEMO, DEMO_EVENING)


def saved_demo_plan(plans: Path) -> Path:
    """Write the demo evening's plan into a folder of plans, for a test that may spoil it; gives the plan's folder."""
    return write_plan(demo_plan(), plans)


def demo_copy(folder: Path) -> Path:
    """Copy the demo site without what was made of it, for a test that may change it; gives the folder."""
    made = shutil.ignore_patterns("plans", "sweep*", "comparison", "record.sqlite*")
    return Path(shutil.copytree(DEMO, folder, ignore=made))


def hand_made_plan(
    night: Night,
    charge_kw: FloatArray | None = None,
    discharge_kw: FloatArray | None = None,
    currency: str = "EUR",
    warnings: tuple[str, ...] = (),
) -> Plan:
    """The plan that these powers make of the night [kW], shape (n,); nothing where they are not given."""
    nothing = np.zeros(night.intervals)
    charge_kw, discharge_kw = (nothing if powers is None else powers for powers in (charge_kw, discharge_kw))
    running = [(powers > 0).astype(np.float64) for powers in (charge_kw, discharge_kw)]
    setpoints = setpoints_from_powers(night, charge_kw, discharge_kw, *running)
    replayed = replay(night, setpoints)
    answer = Answer(
        setpoints=setpoints,
        stored_kwh=replayed.stored_kwh,
        on_the_way_kwh=replayed.on_the_way_kwh,
        missing_kwh=replayed.missing_kwh,
        missing_when_ready_kwh=replayed.missing_when_ready_kwh,
        money=replayed.costs.total,
        status="optimal",
        gap=0.0,
        bound=replayed.costs.total,
        way="branch-and-bound",
    )
    inputs = demo_inputs()
    evening = Request(
        now=night.boundaries[0].to_pydatetime(),
        soc_percent=night.car.percent(night.stored_now_kwh),
        trips=tuple(trip.trip for trip in night.trips),
    )
    alternatives = {"charge-on-return": replayed.costs, "charge-only": replayed.costs}
    inputs = replace(inputs, offer=replace(inputs.offer, currency=currency))
    return assemble_plan(inputs, evening, night, answer, replayed, alternatives, warnings, {})
