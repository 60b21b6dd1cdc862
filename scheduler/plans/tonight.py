"""Tonight first: what to do at the charger until the next usual evening, and the two sentences that begin a plan.

A plan looks further ahead than a person sets a charger for. What begins after the next usual evening is planned again
then, so it is no step of tonight.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import pandas as pd

from scheduler.inputs.placeholders import placeholder_files
from scheduler.optimizer.block import Block, end_text, setting_text
from scheduler.optimizer.manual_blocks import settings_made
from scheduler.plans.cost_table import shown_saving
from scheduler.plans.departures import MISSED_KWH, TripOutcome
from scheduler.plans.plan import Plan
from scheduler.textio.format import amount_text, clock_text, money_text, percent_text

AHEAD = timedelta(hours=6)
"""An evening that is nearer than this is the one that is being planned."""
SOON = timedelta(minutes=5)
"""A look that is due no later than this after a block is set needs no time of its own."""
TO_IDLE = "set the charger to idle"


@dataclass(frozen=True, slots=True)
class Step:
    """Something that a person does.

    Attributes
    ----------
    at : when, UTC. text : what, to follow the time.
    kind : "set" a block, set the charger to "idle", or "look" at the car.
    block : number of the block in the plan that it belongs to.
    """

    at: datetime
    text: str
    kind: Literal["set", "idle", "look"]
    block: int


def tonight_until(plan: Plan) -> datetime:
    """Return when the next usual evening begins, when the rest is planned again; at most the plan's end, UTC."""
    night = plan.night
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    local = pd.Timestamp(begin + AHEAD).tz_convert(night.timezone)
    evening = local.normalize().tz_localize(None) + timedelta(minutes=plan.inputs.site.plan.evening_minute)
    found = [
        (evening + timedelta(days=days)).tz_localize(night.timezone, ambiguous=True, nonexistent="shift_forward")
        for days in (0, 1)
    ]
    return min(next(each for each in found if each >= local).to_pydatetime(), end)


def tonights_blocks(plan: Plan) -> tuple[tuple[int, Block], ...]:
    """Return the blocks that begin before the next usual evening, with their numbers in the plan."""
    until = tonight_until(plan)
    begins = [plan.night.boundaries[block.first].to_pydatetime() for block in plan.blocks]
    return tuple((at, block) for at, block in enumerate(plan.blocks) if begins[at] < until)


def later_text(plan: Plan) -> str | None:
    """Return that what follows is planned again; None where nothing follows."""
    if len(tonights_blocks(plan)) == len(plan.blocks):
        return None
    evening = clock_text(tonight_until(plan), plan.night.timezone)
    return f"From {evening} on, the plan that you make then says what to set."


def steps(plan: Plan) -> tuple[Step, ...]:
    """Return what a person does until the next usual evening, in time order."""
    return tuple(sorted(_steps(plan), key=lambda step: step.at))


def _steps(plan: Plan) -> Iterator[Step]:
    night, until = plan.night, tonight_until(plan)
    made = settings_made(night, plan.blocks, plan.replayed.stored_kwh)
    ended = {each.boundary for each in made if not each.begins}
    for number, block in tonights_blocks(plan):
        begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        ends = end_text(block.stop_percent, block.until_percent)
        yield Step(begin, f"{setting_text(block, night.setting.set_by)}{ends}", "set", number)
        look = plan.look_at[number]
        if look is not None and block.stop_percent is not None and look - begin > SOON:
            yield Step(look, f"look at the car: at {percent_text(block.stop_percent)} {TO_IDLE}", "look", number)
        if block.last in ended and end < until:
            yield Step(end, TO_IDLE, "idle", number)


def step_when(plan: Plan, step: Step) -> str:
    """Return the time of a step, without the day where that is the day on which the plan begins."""
    return clock_text(step.at, plan.night.timezone, plan.night.boundaries[0].to_pydatetime())


def first_sentences(plan: Plan) -> tuple[str, ...]:
    """Return what a reader is to see first, one paragraph each.

    A departure that is short comes before all else. Then what to set now and when to touch the charger next, and when
    the car is ready with how much, and what the night saves.
    """
    missed = [f"NOT READY: {_missed(plan, outcome)}" for outcome in plan.trips if outcome.missed]
    invented = "On placeholder meter data. " if placeholder_files(plan.inputs) else ""
    return (*missed, f"{invented}{_now_and_next(plan)}", f"{_ready(plan)} {_saves(plan)}")


def _missed(plan: Plan, outcome: TripOutcome) -> str:
    leaves = clock_text(outcome.trip.trip.depart_at, plan.night.timezone)
    return (
        f"the trip {leaves} leaves with {percent_text(outcome.planned_percent)}, "
        f"{amount_text(outcome.missing_kwh)} short of the {percent_text(outcome.target_percent)} it needs."
    )


def _now_and_next(plan: Plan) -> str:
    to_do = steps(plan)
    now = plan.night.boundaries[0].to_pydatetime()
    at_once = [step for step in to_do if step.at <= now and step.kind == "set"]
    later = [step for step in to_do if step.at > now]
    if at_once:
        begins = f"Now: {_brief(plan, at_once[0])}."
    elif plan.night.at_home[0]:
        begins = "Now: leave the charger idle."
    else:
        begins = "The car is away now."
    if not later:
        return f"{begins} Nothing else to set tonight."
    return f"{begins} Next: {step_when(plan, later[0])}, {_brief(plan, later[0])}."


def _brief(plan: Plan, step: Step) -> str:
    """Return what a step does, without the second unit of a setting."""
    if step.kind != "set":
        return step.text
    block = plan.blocks[step.block]
    setting = setting_text(block, plan.night.setting.set_by).partition(" (")[0]
    return f"{setting}{end_text(block.stop_percent, block.until_percent)}"


def _ready(plan: Plan) -> str:
    """Return when the car is ready for the next drive, and with how much."""
    night, now = plan.night, plan.night.boundaries[0].to_pydatetime()
    ahead = [outcome for outcome in plan.trips if not outcome.missed]
    if not plan.trips:
        return "No drive is planned."
    if not ahead:
        return "The car is not ready for its drive."
    first = ahead[0]
    leaves = clock_text(first.trip.trip.depart_at, night.timezone, now)
    assert first.ready_at is not None
    is_ready = first.ready_at <= now
    ready = "has enough now" if is_ready else f"is ready {clock_text(first.ready_at, night.timezone, now)}"
    late = ", late," if first.missing_when_ready_kwh >= MISSED_KWH else ""
    return f"The car {ready}{late} for the drive {leaves}, and leaves with {percent_text(first.planned_percent)}."


def _saves(plan: Plan) -> str:
    """Return what the night saves against charging on return."""
    currency = plan.inputs.offer.currency
    saving = shown_saving(plan)
    amount = money_text(abs(saving), currency)
    if float(amount) == 0:
        return "It saves nothing compared with charging on return."
    if saving < 0:
        return f"It costs {amount} {currency} more than charging on return."
    return f"Saves {amount} {currency} compared with charging on return."


def brief_departure(plan: Plan, outcome: TripOutcome) -> str:
    """Return one line on a departure."""
    trip = outcome.trip.trip
    leaves = clock_text(trip.depart_at, plan.night.timezone)
    begins = f"{leaves}, {trip.distance_km:.0f} km: needs {percent_text(outcome.target_percent)}"
    return f"{begins}, leaves with {percent_text(outcome.planned_percent)}"
