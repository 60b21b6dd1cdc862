"""Replan: it is later and things changed. The rest of the newest plan's horizon, planned from here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, moment_now, parse_request
from scheduler.nights.request import Request
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.metered_so_far import with_metered_so_far
from scheduler.plans.plan import Plan, Replanned
from scheduler.plans.plan_tonight import STEPS, solve_and_verify
from scheduler.plans.replay import PlanRefused, replay, verify_constraints
from scheduler.plans.saved_plan import SavedBlock, SavedPlan, newest_plan, read_saved_plan
from scheduler.textio.errors import single_fault
from scheduler.textio.format import (
    amount_text,
    clock_text,
    money_text,
    percent_text,
    power_text,
    span_text,
)

REPLAN_HOURS = 18
"""How long after its evening's first instant a plan may be replanned [h]: until noon after an evening at six."""
SAME_PERCENT = 0.5
"""States of charge closer than this are as planned [%]."""


@dataclass(frozen=True, slots=True, eq=False)
class CarryingOn:
    """What carrying on with the earlier plan would come to: its total [money], or why it cannot be."""

    total: float | None
    why_not: str


def replan_tonight(
    folder: Path,
    words: RequestOptions,
    plans: Path,
    offer_file: Path | None = None,
    progress: Callable[[str], None] = lambda step: None,
) -> Plan:
    """Plan the rest of the newest plan's horizon from here.

    Without trips in the words, those of the newest plan that have not departed are kept. Today's highest state of
    charge, unless given, is the highest that the newest plan saw until now.

    Parameters
    ----------
    folder : the site's folder. words : tonight's question as typed. plans : where the plans are kept.

    Raises
    ------
    InputFaults : a file or a word is at fault; there is no plan of this evening.
    NoPlanError, PlanRefused : as for a plan.
    """
    progress(STEPS[0])
    inputs = read_inputs(folder, offer_file)
    kept = read_saved_plan(newest_plan(plans))
    now = moment_now(words.now, inputs.site.timezone)
    _of_this_evening(kept, inputs, now)
    evening = _question(kept, words, inputs, now)
    night, warnings = build_night(inputs, evening)
    carrying_on = _carry_on(kept, night)
    made = solve_and_verify(inputs, evening, night, warnings, progress)
    return replace(made, replanned=_replanned(kept, made, carrying_on))


def _of_this_evening(kept: SavedPlan, inputs: Inputs, now: datetime) -> None:
    """Refuse a plan of another site, of an earlier evening, or of one yet to come."""
    timezone = inputs.site.timezone
    if kept.site != inputs.site.name:
        raise single_fault(kept.folder, f"this plan is of {kept.site!r}, not of {inputs.site.name!r}")
    last = min(kept.end, kept.evening + timedelta(hours=REPLAN_HOURS))
    if not kept.start <= now < last:
        begin, end = (each.astimezone(ZoneInfo(timezone)) for each in (kept.start, last))
        raise single_fault(
            kept.folder,
            f"the newest plan can be replanned from {begin:%Y-%m-%d %H:%M} until {end:%Y-%m-%d %H:%M}, and it is "
            f"{now.astimezone(ZoneInfo(timezone)):%Y-%m-%d %H:%M}; make a new one with overnight plan",
        )


def _question(kept: SavedPlan, words: RequestOptions, inputs: Inputs, now: datetime) -> Request:
    """Tonight's question, with what the kept plan knows: its end, its trips, and how full the car has been."""
    usual = [Trip(trip.depart.astimezone(UTC), trip.return_at.astimezone(UTC), trip.distance_km) for trip in kept.trips]
    evening = parse_request(words, inputs, until=kept.end.astimezone(UTC), usual=usual)
    highest = evening.highest_soc_today_percent
    if highest is None:
        seen = [row.soc_start_percent for row in kept.rows if row.start <= now]
        highest = min(100.0, max(evening.soc_percent, *seen))
    starts = tuple(row.start.astimezone(UTC) for row in kept.rows if row.start > now)
    under_way = [trip for trip in kept.trips if trip.depart < now < trip.return_at]
    notes = [
        f"By the earlier plan the car is away until {clock_text(trip.return_at, inputs.site.timezone)}; planned as if "
        "it is home, and if not, give --home-at."
        for trip in under_way
        if evening.home_at is None
    ]
    asked = replace(evening, highest_soc_today_percent=highest, boundaries=starts, notes=(*evening.notes, *notes))
    return with_metered_so_far(asked, kept, inputs)


def _carry_on(kept: SavedPlan, night: Night) -> CarryingOn:
    """Replay the earlier plan's powers on what is left of the night."""
    begins = [row.start.timestamp() for row in kept.rows]
    at = np.searchsorted(begins, [each.timestamp() for each in night.boundaries[:-1]], side="right") - 1
    inside = np.asarray(night.boundaries[:-1] < pd.Timestamp(kept.end)) & night.at_home
    charge = np.array([kept.rows[row].charge_kw for row in at]) * inside
    discharge = np.array([kept.rows[row].discharge_kw for row in at]) * inside
    if night.charger.discharge_to == "building":
        draw = np.maximum(0.0, night.load_kw - night.solar_kw)
        discharge = np.where(draw >= night.charger.discharge_min_kw, np.minimum(discharge, draw), 0.0)
    setpoints: Setpoints = setpoints_from_powers(
        night, charge, discharge, (charge > 0).astype(np.float64), (discharge > 0).astype(np.float64)
    )
    replayed = replay(night, setpoints)
    for trip, missing in zip(night.trips, replayed.missing_kwh, strict=True):
        if missing > MISSED_KWH:
            departs = clock_text(trip.trip.depart_at, night.timezone)
            return CarryingOn(None, f"it would leave {amount_text(missing)} short of what the trip at {departs} needs")
    try:
        verify_constraints(night, setpoints)
    except PlanRefused as refused:
        return CarryingOn(None, refused.broken[0])
    return CarryingOn(replayed.costs.total, "")


def _replanned(kept: SavedPlan, made: Plan, carrying_on: CarryingOn) -> Replanned:
    """What stays of the earlier plan, what changed, why, and what it costs or saves."""
    now = made.night.boundaries[0].to_pydatetime()
    past = [*kept.past_blocks, *(_cut(block, now) for block in kept.blocks if block.start < now)]
    gone = [*kept.past_trips, *(trip for trip in kept.trips if trip.depart < now)]
    total = made.replayed.costs.total
    return Replanned(
        of=kept.folder.name,
        evening=kept.evening,
        revision=kept.revision + 1,
        past_blocks=tuple(past),
        past_trips=tuple(gone),
        cancelled_blocks=_surplus(
            len(kept.past_blocks) + len(kept.blocks) + kept.cancelled_blocks, len(past) + len(made.blocks)
        ),
        cancelled_trips=_surplus(
            len(kept.past_trips) + len(kept.trips) + kept.cancelled_trips, len(gone) + len(made.trips)
        ),
        changes=(*_causes(kept, made, now), *_changed_blocks(kept, made, now)),
        carrying_on=_carrying_on_text(carrying_on, total, made.inputs.offer.currency),
        carrying_on_total=carrying_on.total,
    )


def _surplus(before: int, after: int) -> int:
    return max(0, before - after)


def _cut(block: SavedBlock, now: datetime) -> SavedBlock:
    return block if block.end <= now else block.model_copy(update={"end": now})


def _causes(kept: SavedPlan, made: Plan, now: datetime) -> list[str]:
    """What is not as the earlier plan had it: state of charge, trips, offer."""
    timezone = made.night.timezone
    found = []
    row = next(row for row in kept.rows if row.start <= now < row.end)
    share = (now - row.start) / (row.end - row.start)
    expected = row.soc_start_percent + share * (row.soc_end_percent - row.soc_start_percent)
    if abs(expected - made.evening.soc_percent) > SAME_PERCENT and made.evening.home_at is None:
        found.append(
            f"The car is at {percent_text(made.evening.soc_percent)}; the earlier plan expected "
            f"{percent_text(expected)} by now."
        )
    before = {
        _trip_text(trip.depart, trip.return_at, trip.distance_km, timezone) for trip in kept.trips if trip.depart >= now
    }
    after = {
        _trip_text(each.trip.trip.depart_at, each.trip.trip.return_at, each.trip.trip.distance_km, timezone)
        for each in made.trips
    }
    found += [f"No longer: {words}." for words in sorted(before - after)]
    found += [f"New: {words}." for words in sorted(after - before)]
    if kept.offer != made.inputs.offer.name:
        found.append(f"The offer is {made.inputs.offer.name}, not {kept.offer}.")
    return found


def _trip_text(depart: datetime, comeback: datetime, distance_km: float, timezone: str) -> str:
    return f"trip {span_text(depart, comeback, timezone)}, {distance_km:.0f} km"


def _changed_blocks(kept: SavedPlan, made: Plan, now: datetime) -> list[str]:
    """Blocks that are to be set otherwise than before."""
    timezone, night = made.night.timezone, made.night

    def words(action: str, kw: float, begin: datetime, end: datetime) -> str:
        do = {"charge": "charge at", "discharge": "discharge at", "cover": "cover the building up to"}[action]
        return f"{do} {power_text(kw)} {span_text(begin, end, timezone)}"

    before = [
        words(block.action, block.kw, max(block.start, now), block.end) for block in kept.blocks if block.end > now
    ]
    after = [
        words(
            block.action,
            block.kw,
            night.boundaries[block.first].to_pydatetime(),
            night.boundaries[block.last].to_pydatetime(),
        )
        for block in made.blocks
    ]
    if before == after:
        return ["What to set stays as it was."]
    dropped = [f"No longer set: {each}." for each in before if each not in after]
    return [*dropped, *(f"Now set: {each}." for each in after if each not in before)]


def _carrying_on_text(carrying_on: CarryingOn, total: float, currency: str) -> str:
    if carrying_on.total is None:
        return f"The earlier plan cannot be carried on: {carrying_on.why_not}."
    saved = carrying_on.total - total
    return f"Against carrying on with the earlier plan this saves {money_text(max(0.0, saved), currency)} {currency}."
