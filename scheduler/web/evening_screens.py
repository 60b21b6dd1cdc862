"""Tonight's form, the same form when things have changed, and the page that waits for the plan."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Literal

from starlette.responses import Response
from starlette.routing import Route

from models.site.trips import Trip
from scheduler.inputs.site_inputs import Inputs
from scheduler.plans.replan import REPLAN_HOURS
from scheduler.record.store import Record
from scheduler.textio.errors import InputFaults
from scheduler.textio.format import clock_text, day_clock_text
from scheduler.web.context import Context, Visit, site_route
from scheduler.web.drafts import Draft, new_key
from scheduler.web.evening_form import (
    FieldFaults,
    TypedEvening,
    add_fault,
    as_in_document,
    count_of,
    read_evening,
    rows_of_trips,
    soc_text,
    typed_evening,
    usual_rows,
    with_row,
    without_row,
)
from scheduler.web.plan_view import FoundPlan, find_plan, soc_at
from scheduler.web.question import Question

Which = Literal["tonight", "change"]
STALE = timedelta(days=3)
"""How long after its end a plan still says something about the state of charge."""
TOLD = timedelta(hours=12)
"""How long a state of charge that was told stays one."""
LOOKS_AGAIN_SECONDS = 1
TRIPS = "trips"


def routes(context: Context) -> list[Route]:
    """Return the addresses of these screens."""
    return [
        site_route(context, "/tonight", _tonight, lambda visit: _sent(visit, "tonight")),
        site_route(context, "/change", _change, lambda visit: _sent(visit, "change")),
        site_route(context, "/planning", _planning),
    ]


def _tonight(visit: Visit) -> Response:
    """Show the evening's form: a draft, yesterday's answer, or what is usual."""
    try:
        inputs = visit.inputs()
    except InputFaults as error:
        return _at_fault(visit, error)
    now = visit.context.minute()
    kept = _draft(visit)
    with visit.record() as record:
        newest = _newest(visit, record)
        carried, carried_from = _carried(record, newest, now, inputs.site.timezone)
        last = _last_evening(visit, record, newest)
    if kept is not None:
        typed = kept.typed
    elif visit.request.query_params.get("from") == "last" and last is not None:
        typed = as_in_document(last.document, now, inputs.site.timezone)
        began = day_clock_text(last.start, inputs.site.timezone)
        visit.notices.append(f"Filled in as you answered on {began}. Look at each line before you plan.")
    else:
        typed = TypedEvening(trips=usual_rows(inputs, now))
    if kept is None:
        typed = replace(typed, soc=carried, carried=carried)
    return _form(visit, "tonight", inputs, typed, kept, carried_from, last)


def _change(visit: Visit) -> Response:
    """Show the form for the rest of the newest plan, filled with what that plan expects."""
    try:
        inputs = visit.inputs()
    except InputFaults as error:
        return _at_fault(visit, error)
    now = visit.context.minute()
    with visit.record() as record:
        newest = _newest(visit, record)
        carried, carried_from = _carried(record, newest, now, inputs.site.timezone)
    if newest is None or not can_change(newest, now):
        visit.notices.append("There is no plan of this evening to change. Plan tonight here.")
        return _tonight(visit)
    kept = _draft(visit)
    ahead = [
        Trip(trip.depart.astimezone(UTC), trip.return_at.astimezone(UTC), trip.distance_km, trip.pace)
        for trip in newest.saved.trips
        if trip.depart >= now
    ]
    outside = newest.saved.outside_degc
    typed = TypedEvening(
        soc=carried,
        carried=carried,
        outside="" if outside is None else f"{outside:g}",
        trips=rows_of_trips(ahead, now, inputs.site.timezone),
    )
    return _form(visit, "change", inputs, typed if kept is None else kept.typed, kept, carried_from, None)


def _sent(visit: Visit, which: Which) -> Response:
    """Do what a button of the form asks: add or take away a row, or plan."""
    typed, button = typed_evening(visit.asked.form), visit.form.get("do", "plan")
    if button == "add":
        more = with_row(typed)
        return _again(visit, which, Draft(more, {}, f"leaves-{len(more.trips) - 1}"))
    if button.startswith("remove-") and button.removeprefix("remove-").isdecimal():
        return _again(visit, which, Draft(without_row(typed, int(button.removeprefix("remove-")[:3])), {}, TRIPS))
    try:
        inputs = visit.inputs()
    except InputFaults as error:
        return _at_fault(visit, error)
    now, until = visit.context.minute(), None
    if which == "change":
        with visit.record() as record:
            newest = _newest(visit, record)
        if newest is None or not can_change(newest, now):
            return visit.see("change")
        until = newest.saved.end.astimezone(UTC)
    options, faults = read_evening(typed, inputs, now, until)
    if options is None:
        return _again(visit, which, Draft(typed, faults))
    question = Question(visit.site.folder, options, visit.site.offer_file(), which == "change")
    visit.context.planner.ask(visit.site.slug, visit.form.get("form", "")[:40], typed, question)
    return visit.see("planning")


def _planning(visit: Visit) -> Response:
    """Wait for the plan: a page that looks again by itself, until there is an answer to lead to."""
    job = visit.context.planner.newest(visit.site.slug)
    if job is None:
        return visit.see("tonight")
    if not job.done.is_set() or job.answer is None:
        answer = visit.shown("planning", "tonight", title="Tonight")
        answer.headers["Refresh"] = str(LOOKS_AGAIN_SECONDS)
        return answer
    if job.answer.start is not None:
        return visit.see("plan")
    faults: FieldFaults = {}
    for fault in job.answer.faults:
        add_fault(faults, fault, visit.site.folder)
    if job.answer.failure:
        faults[""] = [visit.words(job.answer.failure)]
    return _again(visit, "change" if job.question.replan else "tonight", Draft(job.typed, faults))


def _form(
    visit: Visit,
    which: Which,
    inputs: Inputs,
    typed: TypedEvening,
    kept: Draft | None,
    carried_from: str,
    last: FoundPlan | None,
) -> Response:
    faults = {} if kept is None else kept.faults
    job = visit.context.planner.newest(visit.site.slug)
    if job is not None and not job.done.is_set():
        visit.notices.append("A plan is being made from what was sent before; what you send now waits for that.")
    is_change = which == "change"
    count = count_of(faults)
    told = f"{count} line{'' if count == 1 else 's'} to look at again" if faults else None
    return visit.shown(
        "evening",
        "plan" if is_change else "tonight",
        title="Things changed" if is_change else "Tonight",
        headline=told or ("What is different now?" if is_change else "What does the evening look like?"),
        about=day_clock_text(visit.context.minute(), inputs.site.timezone),
        action=visit.address(which),
        is_change=is_change,
        button="Plan the rest again" if is_change else "Plan tonight",
        typed=typed,
        faults=faults,
        focus="" if kept is None else kept.at,
        carried_from=carried_from if typed.carried else "",
        form_key=new_key(),
        paces=("slow", "usual", "fast"),
        offer=inputs.offer.name,
        is_chosen=visit.site.offer_file() is not None,
        floor=inputs.site.car.floor_percent,
        last=None if last is None else clock_text(last.start, inputs.site.timezone),
        timezone=inputs.site.timezone,
    )


def _again(visit: Visit, which: Which, draft: Draft) -> Response:
    """Lead back to the form as it was typed."""
    key = visit.context.drafts.keep(visit.site.slug, draft)
    anchor = f"#{TRIPS}" if draft.at == TRIPS else ""  # a field takes the focus by itself
    return visit.see(which, query=f"?draft={key}{anchor}")


def _draft(visit: Visit) -> Draft | None:
    return visit.context.drafts.get(visit.site.slug, visit.request.query_params.get("draft", ""))


def _at_fault(visit: Visit, error: InputFaults) -> Response:
    """Say that the site's files must be put right first."""
    told = [visit.words(fault) for fault in error.told]
    return visit.shown("site_faults", "tonight", title="Tonight", faults=told, more=error.more)


def _newest(visit: Visit, record: Record | None) -> FoundPlan | None:
    """Return the newest plan; None, with a notice, where it cannot be read."""
    try:
        return find_plan(record, visit.site.plans)
    except InputFaults as error:
        visit.notices.append(visit.words(error))
        return None


def _last_evening(visit: Visit, record: Record | None, newest: FoundPlan | None) -> FoundPlan | None:
    """Return the first plan of the last evening, which is what was answered then."""
    if newest is None or record is None or newest.saved.revision == 0:
        return newest
    try:
        return find_plan(record, visit.site.plans, newest.saved.evening.astimezone(UTC)) or newest
    except InputFaults:
        return newest


def _carried(record: Record | None, newest: FoundPlan | None, now: datetime, timezone: str) -> tuple[str, str]:
    """Return the state of charge that is known of, as it is typed, and where from; "" for none."""
    told = [] if record is None else record.states(now - TOLD, now + timedelta(minutes=1))
    begins = datetime.min.replace(tzinfo=UTC) if newest is None else newest.start
    if told and told[-1].at > begins and told[-1].kind != "morning":
        return soc_text(told[-1].soc_percent), f"as you told it {clock_text(told[-1].at, timezone)}"
    if newest is None or now < newest.start or now > newest.saved.end + STALE:
        return "", ""
    made = clock_text(newest.start, timezone)
    if now <= newest.saved.end:
        return soc_text(soc_at(newest.saved, now)), f"what the plan of {made} expects by now"
    return soc_text(soc_at(newest.saved, now)), f"what the plan of {made} expected at its end"


def can_change(newest: FoundPlan, now: datetime) -> bool:
    """Return whether the rest of a plan can be planned again now."""
    plan = newest.saved
    return plan.start <= now < min(plan.end, plan.evening + timedelta(hours=REPLAN_HOURS))
