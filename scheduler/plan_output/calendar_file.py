"""A plan as a calendar (RFC 5545): one event per block and trip, with an alarm before each thing to do.

An event's UID comes from the site, the evening and the event's number, counted over past and coming blocks, so that
after a replan events move instead of appearing twice; those that an earlier revision had beyond them are cancelled.
What begins after the next usual evening is planned again then, and has no event.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

from icalendar import Alarm, Calendar, Event

from scheduler.optimizer.block import ACTION_TEXT, end_text, from_text
from scheduler.plans.saved_plan import SavedBlock, SavedPlan, SavedTrip
from scheduler.textio.format import number_text, percent_text, power_text, sentence_case

PRODUCT = "-//overnight-scheduler//hand-over//EN"
NAMESPACE = uuid.UUID("6f0a2f4e-0a54-4d1c-9c39-5d2f2f6f9b11")
"""Own namespace for name-based UIDs (RFC 9562, version 5)."""
BEFORE_SETTING = timedelta(minutes=5)
BEFORE_DEPARTURE = timedelta(minutes=30)


def calendar_text(plan: SavedPlan, made_at: datetime) -> bytes:
    """Return the plan's calendar in UTF-8, with the line ends and folds of RFC 5545.

    Parameters
    ----------
    made_at : instant at which it is made, for DTSTAMP.
    """
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", f"Overnight plan, {plan.site}")
    if plan.first_sentences:
        calendar.add("x-wr-caldesc", " ".join(plan.first_sentences))
    for event in (*_blocks(plan), *_trips(plan)):
        event.add("dtstamp", made_at.astimezone(UTC))
        event.add("sequence", plan.revision)
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _blocks(plan: SavedPlan) -> Iterator[Event]:
    blocks = [*plan.past_blocks, *plan.blocks]
    for number, block in enumerate(blocks):
        if plan.tonight_until is not None and block.start >= plan.tonight_until:
            if plan.revision:  # an earlier revision may have had an event of this number
                yield _cancelled(plan, "block", number)
            continue
        event = _event(plan, "block", number, block.start, block.end)
        event.add("summary", _setting(plan, block))
        event.add("description", f"{block.reason}\n\n{plan.cautions[0] if plan.cautions else ''}".strip())
        if block.start >= plan.start:
            event.add_component(_alarm(_setting(plan, block), -BEFORE_SETTING))
        if block.look_at is not None and block.end > plan.start:
            look = f"Look at the car: at {percent_text(block.stop_percent or 0.0)} set the charger to idle"
            event.add_component(_alarm(look, block.look_at - block.end, related="END"))
        followed = any(other.start == block.end for other in blocks)
        if not followed and block.end > plan.start:
            event.add_component(_alarm("Set the charger to idle", -BEFORE_SETTING, related="END"))
        yield event
    for number in range(len(blocks), len(blocks) + plan.cancelled_blocks):
        yield _cancelled(plan, "block", number)


def _trips(plan: SavedPlan) -> Iterator[Event]:
    trips = [*plan.past_trips, *plan.trips]
    for number, trip in enumerate(trips):
        event = _event(plan, "trip", number, trip.depart, trip.return_at)
        text = _trip_text(trip)
        event.add("summary", text)
        event.add("description", f"Needs {percent_text(trip.target_percent)} at departure.")
        if trip.depart >= plan.start:
            event.add_component(_alarm(text, -BEFORE_DEPARTURE))
        yield event
    for number in range(len(trips), len(trips) + plan.cancelled_trips):
        yield _cancelled(plan, "trip", number)


def _event(plan: SavedPlan, kind: str, number: int, begin: datetime, end: datetime) -> Event:
    event = Event()
    event.add("uid", str(uuid.uuid5(NAMESPACE, f"{plan.site}\n{plan.evening.astimezone(UTC)}\n{kind} {number}")))
    event.add("dtstart", begin.astimezone(UTC))
    event.add("dtend", end.astimezone(UTC))
    return event


def _cancelled(plan: SavedPlan, kind: str, number: int) -> Event:
    event = _event(plan, kind, number, plan.start, plan.end)
    event.add("status", "CANCELLED")
    event.add("summary", "No longer planned")
    return event


def _alarm(text: str, trigger: timedelta, related: str = "START") -> Alarm:
    alarm = Alarm()
    alarm.add("action", "DISPLAY")
    alarm.add("description", text)
    alarm.add("trigger", trigger, parameters={"RELATED": related})
    return alarm


def _setting(plan: SavedPlan, block: SavedBlock) -> str:
    action = sentence_case(ACTION_TEXT[block.action])
    end = from_text(block.from_kw, block.surplus_from_kw) + end_text(block.stop_percent, block.until_percent)
    if plan.set_by == "current":
        return f"{action} {block.amps:.0f} A ({power_text(block.kw)}){end}"
    return f"{action} {power_text(block.kw)} ({number_text(block.amps, 1)} A){end}"


def _trip_text(trip: SavedTrip) -> str:
    return f"Trip, {trip.distance_km:.0f} km: leaves with {percent_text(trip.planned_percent)}"
