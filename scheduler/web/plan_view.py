"""A recorded plan as the page shows it: what to set now and next, settings, departures and money, as on its report."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from scheduler.inputs.control_mode import CHARGING
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.night import BY_ITSELF_PERCENT
from scheduler.optimizer.block import ACTION_TEXT, end_text, from_text
from scheduler.plan_output.page import margin_text
from scheduler.plan_output.write_plan import REPORT_FILE, folder_name
from scheduler.plans.cost_table import costs_table, wear_ranges_text
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.outlook_text import chance_text
from scheduler.plans.replay import Costs
from scheduler.plans.saved_plan import PLAN_FILE, SCHEDULE_FILE, SavedBlock, SavedPlan, newest_plan, parse_saved_plan
from scheduler.plans.tonight import SOON, TO_IDLE
from scheduler.record.store import Record, RecordedPlan
from scheduler.render.table import Table
from scheduler.textio.errors import InputFaults, single_fault
from scheduler.textio.format import clock_text, day_clock_text, money_text, number_text, percent_text, power_text

JUST_SHORT_PERCENT = 0.05
"""A departure with less than needed by no more than this is not short: both are shown with one decimal [%]."""
NAMES = {"charge-on-return": "Charge on return", "charge-only": "Only charge"}


@dataclass(frozen=True, slots=True, eq=False)
class FoundPlan:
    """A plan, from the record or from its folder.

    Attributes
    ----------
    document : of plan.json. set_at : when it was said to be set; None until then, or where no record says.
    """

    saved: SavedPlan
    document: Mapping[str, Any]
    folder: Path
    set_at: datetime | None = None

    @property
    def start(self) -> datetime:
        """Return when it starts, UTC."""
        return self.saved.start.astimezone(UTC)

    @property
    def key(self) -> str:
        """Return its name in addresses."""
        return plan_key(self.start)

    @property
    def report(self) -> Path:
        """Return the file of its report."""
        return self.folder / REPORT_FILE


@dataclass(frozen=True, slots=True)
class ShownStep:
    """Something to do at the charger: when, what, and whether that is past."""

    at: datetime
    text: str
    when: str = ""
    is_past: bool = False


def plan_key(start: datetime) -> str:
    """Return the name of a plan in addresses.

    >>> plan_key(datetime(2026, 3, 2, 16, 20, tzinfo=UTC))
    '20260302T1620Z'
    """
    return f"{start.astimezone(UTC):%Y%m%dT%H%MZ}"


def parse_plan_key(key: str) -> datetime | None:
    """Return the instant that a name in an address means; None if it means none."""
    if len(key) != len("20260302T1620Z") or not key.isascii():
        return None
    try:
        return datetime.strptime(key, "%Y%m%dT%H%MZ").replace(tzinfo=UTC)
    except ValueError:
        return None


def recorded(plan: RecordedPlan, plans: Path) -> FoundPlan:
    """Return a plan of the record.

    Raises
    ------
    InputFaults : it cannot be read.
    """
    try:
        folder = plans / folder_name(plan.start, str(plan.document["timezone"]))
        saved = parse_saved_plan(json.dumps(plan.document), plan.schedule, folder)
    except (KeyError, ValueError, OSError):
        raise single_fault("record", f"the plan of {plan.start:%Y-%m-%d %H:%M} UTC cannot be read") from None
    return FoundPlan(saved, plan.document, folder, plan.set_at)


def find_plan(record: Record | None, plans: Path, start: datetime | None = None) -> FoundPlan | None:
    """Return the plan that starts at an instant, or the newest; without a record from its folder; None for none.

    Raises
    ------
    InputFaults : it cannot be read.
    """
    if record is not None:
        rows = record.plans(1) if start is None else [record.plan(start)]
        return next((recorded(row, plans) for row in rows if row is not None), None)
    try:
        folder = newest_plan(plans)
    except InputFaults:
        return None
    plan = (folder / PLAN_FILE).read_text(encoding="utf-8")
    schedule = (folder / SCHEDULE_FILE).read_text(encoding="utf-8")
    saved = parse_saved_plan(plan, schedule, folder)
    found = FoundPlan(saved, json.loads(plan), folder)
    return found if start is None or found.start == start else None


def soc_at(plan: SavedPlan, instant: datetime) -> float:
    """Return the planned state of charge at an instant [%]; before the plan its first, after it its last."""
    if instant <= plan.start:
        return plan.rows[0].soc_start_percent
    if instant >= plan.end:
        return plan.rows[-1].soc_end_percent
    row = next(row for row in plan.rows if row.start <= instant < row.end)
    share = (instant - row.start) / (row.end - row.start)
    return row.soc_start_percent + share * (row.soc_end_percent - row.soc_start_percent)


def steps(plan: SavedPlan, now: datetime, inputs: Inputs | None = None) -> list[ShownStep]:
    """Return what a person does until the next usual evening, as the terminal lists it.

    Parameters
    ----------
    inputs : the site's, for where a block ends by itself: at floor and ceiling.
    """
    found = sorted(_steps(plan, inputs), key=lambda step: step.at)
    return [
        ShownStep(step.at, step.text, clock_text(step.at, plan.timezone, plan.start), step.at < now) for step in found
    ]


def _steps(plan: SavedPlan, inputs: Inputs | None) -> Iterator[ShownStep]:
    until = plan.tonight_until or plan.end
    tonight = [block for block in plan.blocks if block.start < until]
    begins = {block.start for block in plan.blocks}
    departs = {trip.depart for trip in plan.trips}
    for block in tonight:
        yield ShownStep(block.start, f"{_setting(plan, block)}{end_text(block.stop_percent, block.until_percent)}")
        if block.look_at is not None and block.stop_percent is not None and block.look_at - block.start > SOON:
            yield ShownStep(block.look_at, f"look at the car: at {percent_text(block.stop_percent)} {TO_IDLE}")
        ended = block.end in begins | departs or _ends_by_itself(plan, block, inputs)
        if not ended and block.end < until:
            yield ShownStep(block.end, TO_IDLE)


def _ends_by_itself(plan: SavedPlan, block: SavedBlock, inputs: Inputs | None) -> bool:
    """Return whether charger or car stop without being told to: full, empty, or at a state of charge that was set."""
    if inputs is None:
        return False
    planned, car = soc_at(plan, block.end), inputs.site.car
    if inputs.site.charger.can_stop_at_percent:
        return True
    if block.action not in CHARGING:
        return planned <= car.floor_percent + BY_ITSELF_PERCENT
    target = next((trip.target_percent for trip in plan.trips if trip.depart >= block.end), 0.0)
    return planned >= min(100.0, max(car.ceiling_percent, target)) - BY_ITSELF_PERCENT


def now_and_next(plan: SavedPlan, now: datetime, to_do: Sequence[ShownStep]) -> list[str]:
    """Return what is set at this moment and what to set next, one sentence each; nothing after the plan's evening."""
    if not plan.start <= now < (plan.tonight_until or plan.end):
        return []
    away = next((trip for trip in (*plan.past_trips, *plan.trips) if trip.depart <= now < trip.return_at), None)
    block = next((block for block in plan.blocks if block.start <= now < block.end), None)
    if away is not None:
        first = f"The car is on its way, back {clock_text(away.return_at, plan.timezone, now)}."
    elif block is not None:
        end = end_text(block.stop_percent, block.until_percent)
        first = f"Now: {_brief(plan, block)}{end}."
    elif next((row.state == "away" for row in plan.rows if row.start <= now < row.end), False):
        first = "The car is away now."
    else:
        first = "Now: leave the charger idle."
    ahead = next((step for step in to_do if step.at > now), None)
    if ahead is None:
        return [first, "Nothing else to set tonight."]
    then = next((block for block in plan.blocks if block.start == ahead.at), None)
    told = ahead.text if then is None else f"{_brief(plan, then)}{end_text(then.stop_percent, then.until_percent)}"
    return [first, f"Next: {clock_text(ahead.at, plan.timezone, now)}, {told}."]


def ready_sentence(plan: SavedPlan, now: datetime) -> str:
    """Return when the car is ready for the next drive, and with how much."""
    ahead = [trip for trip in plan.trips if trip.depart > now]
    if not ahead:
        return "No drive is ahead in this plan."
    trip = ahead[0]
    leaves = clock_text(trip.depart, plan.timezone, now)
    planned, needs = percent_text(trip.planned_percent), percent_text(trip.target_percent)
    if trip.ready_at is None or trip.planned_percent < trip.target_percent - JUST_SHORT_PERCENT:
        return f"NOT READY: the trip {leaves} leaves with {planned} and needs {needs}."
    ready = "has enough now" if trip.ready_at <= now else f"is ready {clock_text(trip.ready_at, plan.timezone, now)}"
    return f"The car {ready} for the drive {leaves}, and leaves with {planned}."


def saved_sentence(document: Mapping[str, Any]) -> str:
    """Return what the night saves against charging on return, as its table of money shows it."""
    currency = str(document["currency"])
    totals = _totals(document)
    saving = totals["Charge on return"] - totals["This plan"]
    amount = money_text(abs(saving), currency)
    if float(amount) == 0:
        return "It saves nothing compared with charging on return."
    if saving < 0:
        return f"It costs {amount} {currency} more than charging on return."
    return f"Saves {amount} {currency} compared with charging on return."


def block_rows(plan: SavedPlan) -> list[dict[str, str]]:
    """Return tonight's blocks for the report's table of settings."""
    until = plan.tonight_until or plan.end
    found = []
    for block in plan.blocks:
        if block.start < until:
            why, sign, look = block.reason.partition(" Look at the car from ")
            found.append(
                {
                    "begin": clock_text(block.start, plan.timezone),
                    "end": clock_text(block.end, plan.timezone, block.start),
                    "set": _setting(plan, block) + end_text(block.stop_percent, block.until_percent),
                    "action": block.action,
                    "look": f"{sign}{look}".strip(),
                    "why": why,
                }
            )
    return found


def trip_rows(plan: SavedPlan, document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the trips for the report's table of departures."""
    found = []
    for trip, written in zip(plan.trips, document["trips"], strict=True):
        missed = float(written.get("missing_kwh") or 0.0) >= MISSED_KWH
        ready = None if trip.ready_at is None else clock_text(trip.ready_at, plan.timezone)
        if missed:
            told = "NOT READY" + ("" if ready is None else f", would be {ready}")
        else:
            told = "already" if trip.ready_at is None or trip.ready_at <= plan.start else f"{ready}"
        found.append(
            {
                "leaves": clock_text(trip.depart, plan.timezone),
                "back": clock_text(trip.return_at, plan.timezone),
                "distance": f"{trip.distance_km:.0f} km",
                "needs": percent_text(trip.target_percent),
                "planned": percent_text(trip.planned_percent),
                "margin": margin_text(trip.target_percent, trip.planned_percent, missed),
                "ready": told,
                "missed": missed,
            }
        )
    return found


def chance_sentences(plan: SavedPlan, document: Mapping[str, Any]) -> list[str]:
    """Return the chance of leaving with less than needed, of each trip for which past days told one."""
    return [
        f"{clock_text(trip.depart, plan.timezone)}: chance of leaving with less than it needs "
        f"{chance_text(float(written['chance_short']))}."
        for trip, written in zip(plan.trips, document["trips"], strict=True)
        if written.get("chance_short") is not None
    ]


def money(document: Mapping[str, Any]) -> Table:
    """Return the report's table of money."""
    currency, weight = str(document["currency"]), float(document["wear_weight"])
    ranges = tuple(
        each.replace(" to ", "–") for each in wear_ranges_text(document["cycle_wear_by_law"], weight, currency)
    )
    table = costs_table(_costs(document), currency, ranges)
    caption = f"{currency}: this plan; the same time charged on return; and only charged, never discharged."
    return Table(table.columns, table.rows, caption, table.roles)


def about(plan: SavedPlan, document: Mapping[str, Any]) -> str:
    """Return what the plan is of, on one line."""
    begin, end = day_clock_text(plan.start, plan.timezone), clock_text(plan.end, plan.timezone)
    return f"{plan.site}, {begin} to {end}, car at {percent_text(float(document['soc_start_percent']))}"


def plan_parts(found: FoundPlan, now: datetime, inputs: Inputs | None) -> dict[str, Any]:
    """Return what the page of a plan shows of it, by the names in its template."""
    plan, document = found.saved, found.document
    to_do = steps(plan, now, inputs)
    replan = document.get("replan")
    lines = now_and_next(plan, now, to_do)
    is_over = not lines
    if is_over:
        lines = [f"The plan of {day_clock_text(plan.start, plan.timezone)}"]
    return {
        "headline": lines[0],
        "more_headline": [*lines[1:], *([] if is_over else [ready_sentence(plan, now)]), saved_sentence(document)],
        "about": about(plan, document),
        "is_over": is_over,
        "steps": to_do,
        "blocks": block_rows(plan),
        "covers": any(block.action in ("cover", "balance") for block in plan.blocks),
        "currency": plan.currency,
        "trips": trip_rows(plan, document),
        "chances": chance_sentences(plan, document),
        "money": money(document),
        "warnings": list(document.get("warnings", [])),
        "cautions": plan.cautions,
        "changes": [] if not isinstance(replan, dict) else [*replan["changes"], replan["carrying_on"]],
        "set_at": None if found.set_at is None else clock_text(found.set_at, plan.timezone, now),
    }


def _setting(plan: SavedPlan, block: SavedBlock) -> str:
    action, begins = ACTION_TEXT[block.action], from_text(block.from_kw, block.surplus_from_kw)
    if plan.set_by == "current":
        return f"{action} {block.amps:.0f} A ({power_text(block.kw)}){begins}"
    return f"{action} {power_text(block.kw)} ({number_text(block.amps, 1)} A){begins}"


def _brief(plan: SavedPlan, block: SavedBlock) -> str:
    return _setting(plan, block).partition(" (")[0]


def _costs(document: Mapping[str, Any]) -> dict[str, Costs]:
    weight = float(document["wear_weight"])
    found = {"This plan": _cost(document["costs"], weight)}
    for name, shown in NAMES.items():
        found[shown] = _cost(document["alternatives"][name]["costs"], weight)
    return found


def _cost(written: Mapping[str, float], weight: float) -> Costs:
    return Costs(
        import_=written["import"],
        export=written["export"],
        on_the_way=written["on_the_way"],
        demand=written["demand"],
        cycle_wear=written["cycle_wear"],
        calendar_wear=written["calendar_wear"],
        outside_window=written["outside_window"],
        starts=written["starts"],
        stored_energy=written["stored_energy"],
        wear_weight=weight,
        settings=written["settings"],
        emissions=written.get("emissions", 0.0),
    )


def _totals(document: Mapping[str, Any]) -> dict[str, float]:
    table = costs_table(_costs(document), str(document["currency"]))
    names = ("This plan", *NAMES.values())
    return dict(zip(names, (float(cell or 0) for cell in table.rows[-1][1:]), strict=True))
