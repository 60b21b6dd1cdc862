"""What came of the plans: what was earned by month, the nights, one night, and what the owner tells of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Literal, cast
from zoneinfo import ZoneInfo

from markupsafe import Markup
from starlette.exceptions import HTTPException
from starlette.responses import Response
from starlette.routing import Route

from scheduler.nights.parse_trip import parse_trip
from scheduler.plans.outlook_text import chance_text
from scheduler.record.settled import SettledNight
from scheduler.record.store import DrivenTrip, Record
from scheduler.record.totals import Totals, totals, totals_by_month
from scheduler.render.table import Column, Table
from scheduler.textio.bounds import OUTSIDE_DEGC, SOC_PERCENT
from scheduler.textio.errors import InputFaults, NotWrittenError, shown
from scheduler.textio.format import (
    amount_text,
    clock_text,
    day_clock_text,
    money_text,
    percent_text,
    span_text,
)
from scheduler.textio.parse_number import parse_number
from scheduler.textio.parse_time import parse_moment
from scheduler.web.context import Context, Visit, site_route
from scheduler.web.earned_chart import earned_chart, month_name
from scheduler.web.evening_form import read_distance
from scheduler.web.ledger import Ledger, ledger
from scheduler.web.plan_view import parse_plan_key, plan_key

Kind = Literal["morning", "return"]
KINDS: dict[str, str] = {"morning": "in the morning, before the drive", "return": "on coming home"}
OLDEST = timedelta(days=366)
"""What happened longer ago is not told any more."""
A_DAY = timedelta(days=1)
_DATED = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_MONTH = re.compile(r"[0-9]{4}-(?:0[1-9]|1[0-2])")
STATE_FIELDS = ("soc", "when", "kind")
TRIP_FIELDS = ("leaves", "back", "distance", "outside")


def routes(context: Context) -> list[Route]:
    """Return the addresses of these screens."""
    return [
        site_route(context, "/earned", _earned),
        site_route(context, "/earned/state", None, _tell_state),
        site_route(context, "/earned/trip", None, _tell_trip),
        site_route(context, "/earned/{key}", _night),
    ]


def _earned(visit: Visit) -> Response:
    """Show what was earned, and the nights of one month."""
    return _shown(visit, {}, {})


def _shown(visit: Visit, typed: dict[str, str], faults: dict[str, str], status: int = 200) -> Response:
    timezone = _timezone(visit)
    held = ledger(visit)
    counted = held.counted
    months = totals_by_month(counted.nights, timezone)
    settled = {night.begin: night for night in held.nights}
    by_month = _by_month([*held.evenings, *settled], timezone)
    asked = visit.request.query_params.get("month", "")
    month = asked if _MONTH.fullmatch(asked) and asked in by_month else next(iter(by_month), None)
    listed = by_month.get(month or "", [])
    was_set = _were_set(visit, [evening for evening in listed if evening not in settled])
    return visit.shown(
        "earned",
        "earned",
        status,
        title="What came of it",
        headline=_headline(counted, len(held.evenings)),
        is_invented=held.invented,
        own_plans=len(held.evenings),
        remarks=_remarks(held),
        chart=Markup(earned_chart(months)) if months else None,
        months=_months(months) if months else None,
        remarkable=_remarkable(counted, timezone),
        hardware=held.hardware,
        month=None if month is None else month_name(month),
        rows=[_row(visit, evening, settled.get(evening), evening in was_set, timezone) for evening in listed],
        other_months=[
            {"name": month_name(each), "address": f"{visit.address('earned')}?month={each}#nights"}
            for each in by_month
            if each != month
        ],
        tell_state=visit.address("earned", "state"),
        tell_trip=visit.address("earned", "trip"),
        typed=dict.fromkeys((*STATE_FIELDS, *TRIP_FIELDS), "") | typed,
        faults={name: [fault] for name, fault in faults.items()},
        kinds=KINDS,
    )


def _were_set(visit: Visit, evenings: Sequence[datetime]) -> set[datetime]:
    """Return those evenings of which a plan was set."""
    found: set[datetime] = set()
    if evenings:
        with visit.record() as record:
            for evening in evenings if record is not None else ():
                assert record is not None
                if any(plan.set_at is not None for plan in record.plans_of_evening(evening)):
                    found.add(evening)
    return found


def _by_month(evenings: Iterable[datetime], timezone: str) -> dict[str, list[datetime]]:
    """Return evenings by local month, the newest first."""
    found: dict[str, list[datetime]] = {}
    for evening in sorted(set(evenings), reverse=True):
        found.setdefault(f"{evening.astimezone(ZoneInfo(timezone)):%Y-%m}", []).append(evening)
    return found


def _night(visit: Visit) -> Response:
    """Show one night: what it came to, beside what it would have come to, and what was told of it."""
    evening = parse_plan_key(visit.request.path_params["key"])
    if evening is None:
        raise HTTPException(404)
    held = ledger(visit)
    with visit.record() as record:
        plans = [] if record is None else record.plans_of_evening(evening)
    night = next((each for each in held.nights if _minute(each.begin) == evening), None)
    if not plans and night is None:
        raise HTTPException(404)
    end = night.end if night is not None else plans[-1].end
    timezone = _timezone(visit)
    told = [*_states_told(held, evening, end, timezone), *_trips_told(held, evening, end, timezone)]
    return visit.shown(
        "night",
        "earned",
        title="A night",
        headline=_night_headline(night),
        about=day_clock_text(evening, timezone),
        is_invented=held.invented and night is not None,
        why=None if night is None else night.why,
        money=None if night is None else _night_money(night),
        rows=[] if night is None else _night_facts(night),
        told=told,
        plans=[
            {
                "text": f"{clock_text(plan.start, timezone)}, {'the first' if plan.revision == 0 else 'after a change'}"
                + ("" if plan.set_at is None else f", set {clock_text(plan.set_at, timezone, plan.start)}"),
                "address": visit.address("plan", plan_key(plan.start)),
            }
            for plan in plans
        ],
    )


def _tell_state(visit: Visit) -> Response:
    """Note a state of charge of the morning or of the return."""
    form, now, timezone = visit.form, visit.context.minute(), _timezone(visit)
    typed = {name: form.get(name, "")[:200] for name in STATE_FIELDS}
    faults: dict[str, str] = {}
    soc = _number(typed["soc"], "%", "soc", faults)
    if soc is not None and (problem := SOC_PERCENT.problem(soc)):
        faults["soc"] = problem
    if not typed["soc"].strip():
        faults["soc"] = "none given; expected a number of %, as the car showed it"
    at = _moment(typed["when"], now, timezone, faults)
    if typed["kind"] not in KINDS:
        faults["kind"] = "expected one of the two"
    if faults or soc is None or at is None:
        return _shown(visit, typed, faults, 422)
    told_at, percent, kind = at, soc, cast(Kind, typed["kind"])
    return _noted(visit, lambda record: record.tell_state(told_at, kind, percent))


def _tell_trip(visit: Visit) -> Response:
    """Note a trip as it was driven."""
    form, now, timezone = visit.form, visit.context.minute(), _timezone(visit)
    typed = {name: form.get(name, "")[:200] for name in TRIP_FIELDS}
    faults: dict[str, str] = {}
    outside = _number(typed["outside"], "°C", "outside", faults)
    if outside is not None and (problem := OUTSIDE_DEGC.problem(outside)):
        faults["outside"] = problem
    for name, such in (("leaves", "07:30"), ("back", "18:00")):
        if not typed[name].strip():
            faults[name] = f"none given; expected a time such as {such}"
    distance, problem = read_distance(typed["distance"])
    if problem:
        faults["distance"] = problem
    trip = None
    if not faults:
        text = f"{typed['leaves'].strip()}-{typed['back'].strip()} {distance}"
        try:
            trip, _ = parse_trip(text, now - (OLDEST if _DATED.match(typed["leaves"].strip()) else A_DAY), timezone)
        except InputFaults as error:
            faults["distance" if "distance" in str(error) else "leaves"] = visit.words(error.faults[0].message)
        if trip is not None and trip.return_at > now:
            faults["back"] = "is still to come; expected a trip that is over, with its date if it was not today"
    if faults or trip is None:
        return _shown(visit, typed, faults, 422)
    driven = DrivenTrip(trip, outside)
    return _noted(visit, lambda record: record.tell_trip(driven))


def _noted(visit: Visit, note: Callable[[Record], None]) -> Response:
    """Write what was told into the record, and lead back."""
    with visit.record() as record:
        if record is not None:
            try:
                note(record)
                return visit.see("earned", query="?told=yes#tell")
            except (InputFaults, NotWrittenError) as error:
                visit.notices.append(visit.words(error))
    return visit.shown("refused", "earned", 503, title="What came of it", sentence="It could not be noted.")


def _timezone(visit: Visit) -> str:
    """Return the site's time zone; UTC while its files are at fault."""
    try:
        return visit.inputs().site.timezone
    except InputFaults:
        return "UTC"


def _number(text: str, unit: str, field: str, faults: dict[str, str]) -> float | None:
    if not text.strip():
        return None
    try:
        return parse_number(text, unit)
    except ValueError as error:
        faults[field] = f"found {shown(text)}; expected a number of {unit}{error}"
        return None


def _moment(text: str, now: datetime, timezone: str, faults: dict[str, str]) -> datetime | None:
    """Return when something was: now if nothing is typed, else the last such time; None after adding its fault."""
    typed = text.strip()
    if not typed:
        return now
    try:
        at = parse_moment(typed, now - (OLDEST if _DATED.match(typed) else A_DAY), timezone, "when")
    except InputFaults as error:
        faults["when"] = error.faults[0].message
        return None
    if at > now:
        faults["when"] = f"{shown(typed)} is still to come; expected a time that is past"
        return None
    return at


def _headline(everything: Totals, evenings: int) -> str:
    if not everything.count:
        planned = f"{evenings} evening{'' if evenings == 1 else 's'} planned" if evenings else "No evening is planned"
        return f"{planned}, none settled yet"
    amount = money_text(abs(everything.earned_on_return), everything.currency)
    nights = f"{everything.count} night{'' if everything.count == 1 else 's'}"
    word = "earned" if everything.earned_on_return >= 0 else "lost"
    return f"{nights} {word} {amount} {everything.currency}"


def _remarks(held: Ledger) -> list[str]:
    """Return what was earned against both, in its range, what is not counted, and the bill of those days."""
    counted = held.counted
    if not counted.count:
        return []
    currency = counted.currency
    low, high = (money_text(each, currency) for each in (counted.earned_low, counted.earned_high))
    only = money_text(counted.earned_charge_only, currency)
    found = [
        f"That is how much less they cost, battery wear counted, than if the car had been charged on return: {low} to "
        f"{high} over the wear laws. {only} of it came from discharging.",
    ]
    not_set = len(held.nights) - counted.count
    if not totals(held.nights).count_set:
        found.append("No plan is marked as set; every night is settled as if its plan was.")
    elif not_set:
        nights = "1 more night, whose plan is" if not_set == 1 else f"{not_set} more nights, whose plans are"
        found.append(f"{nights} not marked as set, {'counts' if not_set == 1 else 'count'} in no sum.")
    if counted.departures:
        found.append(f"{counted.short} of {counted.departures} departures were short of their target.")
    for bill in sorted(held.bills, key=lambda each: each.last - each.first)[-1:]:
        begin, end = (f"{day.day} {day:%B %Y}" for day in (bill.first, bill.last))
        found.append(f"The bill of {begin} to {end}, fees included: {money_text(bill.by_plans, currency)} {currency}.")
    return found


def _months(months: Sequence[Totals]) -> Table:
    """Return the table of the months, the newest first."""
    currency = months[-1].currency
    columns = (
        Column(heading="Month"),
        Column(heading="Nights", kind="number"),
        Column(heading="On return", unit=currency, kind="money"),
        Column(heading="Only charged", unit=currency, kind="money"),
        Column(heading="Wear", unit=currency, kind="money"),
    )
    rows = [
        (month_name(each.name), each.count, each.earned_on_return, each.earned_charge_only, each.wear)
        for each in reversed(months)
    ]
    caption = (
        f"{currency} by which the nights were cheaper than if the car had been charged on return, and than if it had "
        "only been charged; the battery wear in their cost."
    )
    return Table(columns, tuple(rows), caption)


def _remarkable(everything: Totals, timezone: str) -> list[str]:
    """Return a sentence each on the best and the worst night."""
    found = []
    for name, night in (("Best", everything.best), ("Worst", everything.worst)):
        if night is not None and everything.count > 1:
            amount = money_text(night.earned_on_return, night.currency)
            found.append(f"{name}: {day_clock_text(night.begin, timezone)}, {amount} {night.currency}. {night.why}")
    return found


def _row(visit: Visit, evening: datetime, night: SettledNight | None, was_set: bool, timezone: str) -> dict[str, str]:
    """Return an evening as a line of the list."""
    local = evening.astimezone(ZoneInfo(timezone))
    amount = "not settled" if night is None else f"{money_text(night.earned_on_return, night.currency)}"
    was_set = was_set if night is None else night.was_set
    remarks = ["set" if was_set else "not marked as set"]
    if night is not None and night.short:
        remarks.append("left with too little")
    return {
        "day": f"{local:%a} {local.day} {local:%B}, {local:%H:%M}",
        "amount": amount,
        "remarks": ", ".join(remarks),
        "address": visit.address("earned", plan_key(evening)),
    }


def _night_headline(night: SettledNight | None) -> str:
    if night is None:
        return "This night is not settled yet"
    amount = money_text(abs(night.earned_on_return), night.currency)
    word = "earned" if night.earned_on_return >= 0 else "lost"
    return f"This night {word} {amount} {night.currency} compared with charging on return"


def _night_money(night: SettledNight) -> Table:
    """Return what the night came to, beside what it would have come to."""
    columns = (Column(heading=""), Column(heading="Cost", unit=night.currency, kind="money"))
    rows = (
        ("As it was", night.cost),
        ("Charged on return", night.cost_on_return),
        ("Only charged", night.cost_charge_only),
    )
    caption = (
        f"{night.currency}: grid, charging on the way and battery wear, less the worth of the energy by which the car "
        "ended fuller; from the same state of charge, with the same load, sun and drives."
    )
    return Table(columns, rows, caption)


def _night_facts(night: SettledNight) -> list[tuple[str, str]]:
    low, high = (money_text(each, night.currency) for each in (night.wear_low, night.wear_high))
    ends = f"{percent_text(night.soc_begin_percent)} at first, {percent_text(night.soc_end_percent)} at the end"
    if night.soc_told_percent is not None:
        ends += f"; you told {percent_text(night.soc_told_percent)}"
    found = [
        ("Plan", "set as planned" if night.was_set else "never marked as set; counted as if it had been"),
        ("Offer", night.offer),
        (
            "Grid",
            f"{money_text(night.grid_cost, night.currency)} {night.currency}: {amount_text(night.imported_kwh)} "
            f"taken, {amount_text(night.exported_kwh)} sent",
        ),
        ("Car", f"{amount_text(night.charged_kwh)} charged, {amount_text(night.discharged_kwh)} discharged"),
        ("State of charge", ends),
        ("Battery wear", f"{money_text(night.wear, night.currency)} {night.currency}; {low} to {high} by any wear law"),
        ("Load", f"{amount_text(night.load_kwh)}; {amount_text(night.load_forecast_kwh)} was forecast"),
    ]
    if night.solar_kwh or night.solar_forecast_kwh:
        found.append(("Solar", f"{amount_text(night.solar_kwh)}; {amount_text(night.solar_forecast_kwh)} was forecast"))
    if night.departures:
        short = f"{night.short} of {night.departures} with too little" if night.short else "with enough"
        chance = (
            "" if night.chance_short is None else f"; the chance of too little was {chance_text(night.chance_short)}"
        )
        found.append(("Departures", f"{short}{chance}"))
    return found


def _states_told(held: Ledger, begin: datetime, end: datetime, timezone: str) -> list[str]:
    return [
        f"{clock_text(state.at, timezone)}: {percent_text(state.soc_percent)}"
        + (f", {KINDS[state.kind]}" if state.kind in KINDS else ", in the evening")
        for state in held.states
        if begin <= state.at <= end
    ]


def _trips_told(held: Ledger, begin: datetime, end: datetime, timezone: str) -> list[str]:
    return [
        f"Driven {span_text(each.trip.depart_at, each.trip.return_at, timezone)}, {each.trip.distance_km:.0f} km"
        + ("" if each.outside_degc is None else f", {each.outside_degc:g} °C outside")
        for each in held.trips
        if begin <= each.trip.depart_at < end
    ]


def _minute(instant: datetime) -> datetime:
    return instant.astimezone(UTC).replace(second=0, microsecond=0)
