"""What the last plan says about the battery's running cycle: where it would be by now if the plan was followed."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from scheduler.nights.request import Request
from scheduler.nights.todays_cycle import highest_of_running_cycle
from scheduler.plans.saved_plan import SavedPlan, plans_started, read_saved_plan
from scheduler.textio.errors import InputFaults

RECENT = timedelta(hours=36)
"""How long after its start a plan still says something about the running cycle."""
FOLLOWED_PERCENT = 10.0
"""A state of charge this close to the planned one is that of a plan that was followed, but for longer or shorter drives
and for forecasts [%]."""


def last_plan(plans: Path, site_name: str, now: datetime) -> SavedPlan | None:
    """Return the newest plan for a site that began before now, and not long before; None if there is none.

    Folders that hold no readable plan are passed over: this is an aid, and an old plan's damage is no fault of tonight.
    """
    for folder in plans_started(plans, now - RECENT, now):
        try:
            found = read_saved_plan(folder)
        except InputFaults:
            continue
        if found.site == site_name:
            return found
    return None


def with_cycle_of_last_plan(request: Request, last: SavedPlan) -> Request:
    """Return the request with today's highest state of charge as the last plan has it, unless it was given.

    If the state of charge is about the planned one, the battery is taken to have gone as planned, and what is more or
    less to have been driven. Otherwise its highest since then is the highest that was planned, or known then.
    """
    if request.highest_soc_today_from == "given":
        return request
    home_at = request.home_at or request.now
    rows = [row for row in last.rows if row.start < home_at]
    began = rows[0].soc_start_percent if rows else request.soc_percent
    highest = began if last.highest_soc_today_percent is None else max(began, last.highest_soc_today_percent)
    ends = [_soc_at(last, min(row.end, home_at)) for row in rows]
    turns = turning_points([highest, began, *ends])
    if abs(turns[-1] - request.soc_percent) > FOLLOWED_PERCENT:
        highest = max(*turns, request.soc_percent)
        before: tuple[float, ...] = ()
    else:
        before = tuple(turns[:-1])
        highest = highest_of_running_cycle([*before, request.soc_percent])
    return replace(
        request,
        highest_soc_today_percent=min(100.0, highest),
        highest_soc_today_from="last-plan",
        soc_so_far_percent=tuple(min(100.0, max(0.0, state)) for state in before),
        last_plan_at=last.start,
    )


def turning_points(states: list[float]) -> list[float]:
    """Return the first state, those at which the direction changes, and the last.

    Examples
    --------
    >>> turning_points([80, 71, 60, 34, 34, 70, 80, 52])
    [80, 34, 80, 52]
    """
    found = states[:1]
    for state in states[1:]:
        if len(found) > 1 and (found[-1] - found[-2]) * (state - found[-1]) >= 0:
            found[-1] = state
        else:
            found.append(state)
    return found


def _soc_at(plan: SavedPlan, instant: datetime) -> float:
    """Return the planned state of charge at an instant within the plan [%]."""
    row = next(row for row in plan.rows if row.start < instant <= row.end)
    share = (instant - row.start) / (row.end - row.start)
    return row.soc_start_percent + share * (row.soc_end_percent - row.soc_start_percent)
