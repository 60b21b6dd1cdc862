"""A plan: what to set, whether it was set, its calendar and its whole report."""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import UTC, datetime

from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from scheduler.inputs.site_inputs import Inputs
from scheduler.plan_output.calendar_file import calendar_text
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.web.context import Context, Visit, site_route
from scheduler.web.evening_screens import can_change
from scheduler.web.plan_view import FoundPlan, find_plan, parse_plan_key, plan_parts

REPORT_POLICY = (
    "default-src 'none'; style-src {styles}; img-src data:; frame-ancestors 'none'; base-uri 'none'; sandbox"
)
MOST_REPORT_BYTES = 20_000_000
_STYLE = re.compile(r"<style>(.*?)</style>", re.DOTALL)


def routes(context: Context) -> list[Route]:
    """Return the addresses of these screens."""
    return [
        site_route(context, "/plan", _newest),
        site_route(context, "/plan/{key}", _plan),
        site_route(context, "/plan/{key}/set", None, _set),
        site_route(context, "/plan/{key}/calendar.ics", _calendar),
        site_route(context, "/plan/{key}/report", _report),
    ]


def _newest(visit: Visit) -> Response:
    """Show the newest plan."""
    with visit.record() as record:
        try:
            found = find_plan(record, visit.site.plans)
        except InputFaults as error:
            visit.notices.append(visit.words(error))
            found = None
    if found is None:
        return visit.shown("no_plan", "plan", title="The plan")
    return _shown(visit, found, found)


def _plan(visit: Visit) -> Response:
    """Show the plan of an instant."""
    found, newest = _found(visit)
    return _shown(visit, found, newest)


def _shown(visit: Visit, found: FoundPlan, newest: FoundPlan | None) -> Response:
    now = visit.context.minute()
    inputs: Inputs | None = None
    try:
        inputs = visit.inputs()
    except InputFaults:
        visit.notices.append("The site's files are at fault; see Site.")
    job = visit.context.planner.newest(visit.site.slug)
    if job is not None and job.answer is not None and job.answer.note and job.answer.start == found.start:
        visit.notices.append(f"This plan is not in the record: {visit.words(job.answer.note)}")
    is_newest = newest is not None and newest.start == found.start
    parts = plan_parts(found, now, inputs)
    return visit.shown(
        "plan",
        "plan",
        title="The plan",
        **{**parts, "warnings": [visit.words(each) for each in parts["warnings"]]},
        is_newest=is_newest,
        can_change=is_newest and can_change(found, now),
        set_action=visit.address("plan", found.key, "set"),
        change=visit.address("change"),
        calendar=visit.address("plan", found.key, "calendar.ics"),
        report=visit.address("plan", found.key, "report") if found.report.is_file() else None,
        newest=visit.address("plan"),
    )


def _set(visit: Visit) -> Response:
    """Note that the plan has been set on the charger, now."""
    start = parse_plan_key(visit.request.path_params["key"])
    if start is None:
        raise HTTPException(404)
    with visit.record() as record:
        if record is None:
            return visit.shown("refused", "plan", 503, title="The plan", sentence="It could not be noted.")
        try:
            if record.plan(start) is None:
                raise HTTPException(404)
            record.mark_set(start, visit.context.minute())
        except (InputFaults, NotWrittenError) as error:
            visit.notices.append(visit.words(error))
            return visit.shown("refused", "plan", 503, title="The plan", sentence="It could not be noted.")
    return visit.see("plan", visit.request.path_params["key"])


def _calendar(visit: Visit) -> Response:
    """Give the plan's calendar file, as `overnight hand-over` writes it."""
    found, _ = _found(visit)
    name = f"overnight-{found.key}.ics"
    made_at = datetime.now(UTC).replace(microsecond=0)
    return Response(
        calendar_text(found.saved, made_at),
        media_type="text/calendar",
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


def _report(visit: Visit) -> Response:
    """Give the report, with nothing allowed in it but its own style."""
    found, _ = _found(visit)
    try:
        if found.report.stat().st_size > MOST_REPORT_BYTES:
            raise HTTPException(404)
        text = found.report.read_text(encoding="utf-8")
    except (OSError, ValueError):
        raise HTTPException(404) from None
    hashes = [hashlib.sha256(style.encode()).digest() for style in _STYLE.findall(text)]
    styles = " ".join(f"'sha256-{base64.b64encode(each).decode()}'" for each in hashes) or "'none'"
    return Response(
        text,
        media_type="text/html",
        headers={"content-security-policy": REPORT_POLICY.format(styles=styles)},
    )


def _found(visit: Visit) -> tuple[FoundPlan, FoundPlan | None]:
    """Return the plan that an address names, and the newest; raise 404 if there is none of that name."""
    start = parse_plan_key(visit.request.path_params["key"])
    if start is None:
        raise HTTPException(404)
    with visit.record() as record:
        try:
            found, newest = find_plan(record, visit.site.plans, start), find_plan(record, visit.site.plans)
        except InputFaults:
            raise HTTPException(404) from None
    if found is None:
        raise HTTPException(404)
    return found, newest
