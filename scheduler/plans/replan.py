"""Replan: things have changed, and the rest of the newest plan's horizon is planned from now."""

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
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, moment_now, parse_request
from scheduler.nights.request import Request
from scheduler.optimizer.block import ACTION_TEXT, Block, end_text, from_text
from scheduler.optimizer.setpoints import Setpoints, setpoints_from_powers
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.last_plan import with_cycle_of_last_plan
from scheduler.plans.metered_so_far import with_metered_so_far
from scheduler.plans.plan import Plan, Replanned
from scheduler.plans.plan_tonight import STAGES, plan_request
from scheduler.plans.replay import BrokenConstraint, broken_constraints, replay
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
"""How long after the start of its evening a plan may be replanned [h]: until noon if the evening began at six."""
SAME_PERCENT = 0.5
"""A state of charge this close to the planned one is as planned [%]."""
WOULD_BREAK: dict[str, tuple[str, Callable[[float], str]]] = {
    "over the import limit": ("draw more than the import limit", power_text),
    "over the export limit": ("send more than the export limit to the grid", power_text),
    "charged from the grid where the offer forbids it": (
        "charge from the grid where the offer allows only solar",
        power_text,
    ),
    "more taken out than stored": ("discharge more than the car holds", amount_text),
    "more put in than the battery holds": ("charge more than the battery can hold", amount_text),
    "discharged below the floor": ("discharge the car below its floor", amount_text),
    "charged above the ceiling": ("charge the car above its ceiling", amount_text),
    "over the night's discharge limit": ("discharge more than the limit of one night", amount_text),
}
"""What a plan that breaks a constraint of replay would do, and how the amount is written."""


@dataclass(frozen=True, slots=True, eq=False)
class CarryingOn:
    """What carrying on with the earlier plan would cost: its total [money], or why it is not possible."""

    total: float | None
    why_not: str


def replan_tonight(
    folder: Path,
    options: RequestOptions,
    plans: Path,
    offer_file: Path | None = None,
    progress: Callable[[str], None] = lambda stage: None,
) -> Plan:
    """Plan the rest of the newest plan's horizon from now.

    If no trips are given, those of the newest plan that have not yet departed stay, and so does its temperature outside
    if none is given. The battery's running cycle,
    unless today's highest state of charge is given, is that of the newest plan until now.

    Parameters
    ----------
    folder : the site's folder.
    options : tonight's request as given.
    plans : the folder of saved plans.
    offer_file : read instead of the site's own offer.
    progress : told the name of each of STAGES as it begins.

    Returns
    -------
    The plan; its `replanned` says what it keeps of the earlier plan and what it changes.

    Raises
    ------
    InputFaults : a file or an option is at fault, or there is no plan of this evening.
    NoPlanError, PlanRefused : as for a plan.
    """
    progress(STAGES[0])
    inputs = read_inputs(folder, offer_file)
    earlier = read_saved_plan(newest_plan(plans))
    now = moment_now(options.now, inputs.site.timezone)
    _check_evening(earlier, inputs, now)
    request = _request(earlier, options, inputs, now)
    made = plan_request(inputs, request, progress)
    return replace(made, replanned=_replanned(earlier, made, _carry_on(earlier, made.night)))


def _check_evening(earlier: SavedPlan, inputs: Inputs, now: datetime) -> None:
    """Refuse a plan for another site, of an earlier evening, or that has not begun."""
    timezone = inputs.site.timezone
    if earlier.site != inputs.site.name:
        raise single_fault(earlier.folder, f"this plan is for {earlier.site!r}, not for {inputs.site.name!r}")
    last = min(earlier.end, earlier.evening + timedelta(hours=REPLAN_HOURS))
    if not earlier.start <= now < last:
        begin, end = (each.astimezone(ZoneInfo(timezone)) for each in (earlier.start, last))
        raise single_fault(
            earlier.folder,
            f"the newest plan can be replanned from {begin:%Y-%m-%d %H:%M} until {end:%Y-%m-%d %H:%M}, and it is now "
            f"{now.astimezone(ZoneInfo(timezone)):%Y-%m-%d %H:%M}; make a new one with overnight plan",
        )


def _request(earlier: SavedPlan, options: RequestOptions, inputs: Inputs, now: datetime) -> Request:
    """Return tonight's request, with the earlier plan's end, trips, weather and running cycle."""
    usual = [
        Trip(trip.depart.astimezone(UTC), trip.return_at.astimezone(UTC), trip.distance_km, trip.pace)
        for trip in earlier.trips
    ]
    if options.outside_degc is None:
        options = replace(options, outside_degc=earlier.outside_degc)
    evening = parse_request(options, inputs, until=earlier.end.astimezone(UTC), usual=usual)
    evening = with_cycle_of_last_plan(evening, earlier)
    starts = tuple(row.start.astimezone(UTC) for row in earlier.rows if row.start > now)
    under_way = [trip for trip in earlier.trips if trip.depart < now < trip.return_at]
    notes = [
        f"In the earlier plan the car is away until {clock_text(trip.return_at, inputs.site.timezone)}; this plan "
        "assumes that it is home. If it is not, give --home-at."
        for trip in under_way
        if evening.home_at is None
    ]
    asked = replace(evening, boundaries=starts, notes=(*evening.notes, *notes))
    return with_metered_so_far(asked, earlier, inputs)


def _carry_on(earlier: SavedPlan, night: Night) -> CarryingOn:
    """Return what the earlier plan's powers cost over the rest of the night."""
    begins = [row.start.timestamp() for row in earlier.rows]
    at = np.searchsorted(begins, [each.timestamp() for each in night.boundaries[:-1]], side="right") - 1
    inside = np.asarray(night.boundaries[:-1] < pd.Timestamp(earlier.end)) & night.at_home
    charge = np.array([earlier.rows[row].charge_kw for row in at]) * inside
    discharge = np.array([earlier.rows[row].discharge_kw for row in at]) * inside
    if night.charger.discharge_to == "building":
        draw = np.maximum(0.0, night.load_kw - night.solar_kw)
        discharge = np.where(draw >= night.charger.discharge_min_kw, np.minimum(discharge, draw), 0.0)
    setpoints: Setpoints = setpoints_from_powers(
        night, charge, discharge, (charge > 0).astype(np.float64), (discharge > 0).astype(np.float64)
    )
    replayed = replay(night, setpoints, _blocks_left(earlier, night))
    for trip, missing in zip(night.trips, replayed.missing_kwh, strict=True):
        if missing > MISSED_KWH:
            departs = clock_text(trip.trip.depart_at, night.timezone)
            return CarryingOn(
                None, f"it would leave the car {amount_text(missing)} short of what the trip at {departs} needs"
            )
    broken = next(broken_constraints(night, setpoints, replayed), None)
    if broken is not None:
        return CarryingOn(None, _broken_text(broken, night.timezone))
    return CarryingOn(replayed.costs.total, "")


def _blocks_left(earlier: SavedPlan, night: Night) -> tuple[Block, ...]:
    """Return what a person still sets by the earlier plan, in the intervals of the night; nothing for a schedule."""
    if not night.setting.by_hand:
        return ()
    found = []
    for block in earlier.blocks:
        first, last = (int(night.boundaries.searchsorted(pd.Timestamp(at))) for at in (block.start, block.end))
        if first < min(last, night.intervals):
            found.append(Block(first, min(last, night.intervals), block.action, block.kw, block.amps))
    return tuple(found)


def _broken_text(broken: BrokenConstraint, timezone: str) -> str:
    """Return what the earlier plan would do that it may not, in a reader's words."""
    begin = "" if broken.at is None else f" from {clock_text(broken.at, timezone)}"
    if broken.constraint not in WOULD_BREAK or broken.amount is None:
        return f"it no longer fits the car, the charger and the connection{begin}"
    would, with_unit = WOULD_BREAK[broken.constraint]
    return f"it would {would} by {with_unit(broken.amount)}{begin}"


def _replanned(earlier: SavedPlan, made: Plan, carrying_on: CarryingOn) -> Replanned:
    """Return what stays of the earlier plan, what changed and why, and what that saves."""
    now = made.night.boundaries[0].to_pydatetime()
    past = [*earlier.past_blocks, *(_cut(block, now) for block in earlier.blocks if block.start < now)]
    gone = [*earlier.past_trips, *(trip for trip in earlier.trips if trip.depart < now)]
    total = made.replayed.costs.total
    return Replanned(
        of=earlier.folder.name,
        evening=earlier.evening,
        revision=earlier.revision + 1,
        past_blocks=tuple(past),
        past_trips=tuple(gone),
        cancelled_blocks=_surplus(
            len(earlier.past_blocks) + len(earlier.blocks) + earlier.cancelled_blocks, len(past) + len(made.blocks)
        ),
        cancelled_trips=_surplus(
            len(earlier.past_trips) + len(earlier.trips) + earlier.cancelled_trips, len(gone) + len(made.trips)
        ),
        changes=(*_causes(earlier, made, now), *_changed_blocks(earlier, made, now)),
        carrying_on=_carrying_on_text(carrying_on, total, made.inputs.offer.currency),
        carrying_on_total=carrying_on.total,
    )


def _surplus(before: int, after: int) -> int:
    """Return how many more there were before."""
    return max(0, before - after)


def _cut(block: SavedBlock, now: datetime) -> SavedBlock:
    """Return the block, cut short now if it goes on."""
    return block if block.end <= now else block.model_copy(update={"end": now})


def _causes(earlier: SavedPlan, made: Plan, now: datetime) -> list[str]:
    """Return a sentence for each thing that is not as the earlier plan had it: state of charge, trips, offer."""
    timezone = made.night.timezone
    found = []
    row = next(row for row in earlier.rows if row.start <= now < row.end)
    share = (now - row.start) / (row.end - row.start)
    expected = row.soc_start_percent + share * (row.soc_end_percent - row.soc_start_percent)
    if abs(expected - made.evening.soc_percent) > SAME_PERCENT and made.evening.home_at is None:
        found.append(
            f"The car is at {percent_text(made.evening.soc_percent)}; the earlier plan expected "
            f"{percent_text(expected)} by now."
        )
    before = {
        _trip_text(trip.depart, trip.return_at, trip.distance_km, timezone)
        for trip in earlier.trips
        if trip.depart >= now
    }
    after = {
        _trip_text(each.trip.trip.depart_at, each.trip.trip.return_at, each.trip.trip.distance_km, timezone)
        for each in made.trips
    }
    found += [f"No longer planned: {trip}." for trip in sorted(before - after)]
    found += [f"New: {trip}." for trip in sorted(after - before)]
    if earlier.offer != made.inputs.offer.name:
        found.append(f"The offer is {made.inputs.offer.name}, not {earlier.offer}.")
    return found


def _trip_text(depart: datetime, comeback: datetime, distance_km: float, timezone: str) -> str:
    return f"trip {span_text(depart, comeback, timezone)}, {distance_km:.0f} km"


def _changed_blocks(earlier: SavedPlan, made: Plan, now: datetime) -> list[str]:
    """Return a sentence for each block that is dropped or new."""
    timezone, night = made.night.timezone, made.night

    def block_text(block: Block | SavedBlock, begin: datetime, end: datetime) -> str:
        begins, ends = (
            from_text(block.from_kw, block.surplus_from_kw),
            end_text(block.stop_percent, block.until_percent),
        )
        return f"{ACTION_TEXT[block.action]} {power_text(block.kw)}{begins} {span_text(begin, end, timezone)}{ends}"

    before = [block_text(block, max(block.start, now), block.end) for block in earlier.blocks if block.end > now]
    after = [
        block_text(
            block,
            night.boundaries[block.first].to_pydatetime(),
            night.boundaries[block.last].to_pydatetime(),
        )
        for block in made.blocks
    ]
    if before == after:
        return ["The settings stay as they were."]
    dropped = [f"No longer set: {each}." for each in before if each not in after]
    return [*dropped, *(f"Now set: {each}." for each in after if each not in before)]


def _carrying_on_text(carrying_on: CarryingOn, total: float, currency: str) -> str:
    if carrying_on.total is None:
        return f"The earlier plan can no longer be followed: {carrying_on.why_not}."
    saved = money_text(max(0.0, carrying_on.total - total), currency)
    return f"Compared with carrying on with the earlier plan this saves {saved} {currency}."
