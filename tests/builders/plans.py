"""Plans put together by hand from a night and what the charger does in it, with no solver; all figures are invented."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np

from models.base.arrays import FloatArray
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from scheduler.optimizer.setpoints import Answer, setpoints_from_powers
from scheduler.plans.plan import Plan, assemble_plan
from scheduler.plans.replay import replay
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"


@cache
def demo_inputs() -> Inputs:
    """The demo site's files."""
    return read_inputs(DEMO)


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
        seconds=0.0,
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
