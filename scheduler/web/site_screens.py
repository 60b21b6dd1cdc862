"""The sites, one site's files and offers, and signing in and out."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from scheduler.inputs.placeholders import placeholder_files, placeholders_say
from scheduler.inputs.site_inputs import Inputs
from scheduler.textio.errors import InputFaults
from scheduler.textio.format import clock_text, number_text, percent_text, power_text, price_range_text
from scheduler.web.context import Context, Visit, shown, site_route, style_text
from scheduler.web.guard import SIGN_IN, STYLE, Asked, set_session
from scheduler.web.passphrase import MOST_CHARACTERS, WITHIN_SECONDS
from scheduler.web.plan_view import find_plan

DISCHARGE_TO = {"building": "the building alone", "building-and-grid": "the building, and the grid beyond that"}
DAY_NAMES = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def routes(context: Context) -> list[Route]:
    """Return the addresses of these screens."""

    def front(request: Request) -> Response:
        return _front(context, request)

    def sign_in(request: Request) -> Response:
        return _sign_in(context, request)

    def sign_out(request: Request) -> Response:
        return _sign_out(context, request)

    return [
        Route("/", front),
        Route(SIGN_IN, sign_in, methods=["GET", "POST"]),
        Route("/sign-out", sign_out, methods=["POST"]),
        Route(STYLE, _style),
        site_route(context, "", _begin),
        site_route(context, "/", _begin),
        site_route(context, "/site", _site),
        site_route(context, "/site/offer", None, _choose_offer),
    ]


def _front(context: Context, request: Request) -> Response:
    """List the sites; of one alone show its evening."""
    if len(context.sites) == 1:
        return RedirectResponse(f"/s/{next(iter(context.sites))}/tonight", 303)
    asked: Asked = request.state.asked
    rows = []
    for site in context.sites.values():
        visit = Visit(context, site, asked, request)
        with visit.record() as record:
            try:
                found = find_plan(record, site.plans)
            except InputFaults:
                found = None
        told = "No plan yet."
        if found is not None:
            told = f"Last plan {clock_text(found.saved.start, found.saved.timezone)}"
            told += "." if found.set_at is None else ", set."
        rows.append({"name": visit.site_name(), "address": visit.address("tonight"), "told": told})
    return shown(context, asked, "front", title="Sites", sites=rows)


def _begin(visit: Visit) -> Response:
    return visit.see("tonight")


def _site(visit: Visit) -> Response:
    """Show what the site is, what is wrong with its files, and its offers."""
    faults: list[str] = []
    more, inputs = 0, None
    try:
        inputs = visit.inputs()
    except InputFaults as error:
        faults, more = [visit.words(fault) for fault in error.told], error.more
    invented = None if inputs is None else placeholder_files(inputs)
    offers = visit.site.offers()
    own = None
    if inputs is not None and visit.site.offer_file() is None:
        own = inputs.site.offer_file.stem
    return visit.shown(
        "site",
        "site",
        title="Site",
        faults=faults,
        more=more,
        rows=[] if inputs is None else _facts(inputs),
        invented=placeholders_say(invented) if invented else None,
        offers=[
            {
                "key": offer.key,
                "name": offer.name,
                "is_used": offer.key == (visit.site.chosen or own),
                "faults": [visit.words(fault) for fault in offer.faults],
            }
            for offer in offers
        ],
        is_chosen=visit.site.offer_file() is not None,
        choose=visit.address("site", "offer"),
        restore=visit.address("tonight") + "?from=last",
    )


def _choose_offer(visit: Visit) -> Response:
    """Use another offer for the plans that are made here, or the site's own again."""
    key = visit.form.get("offer", "")
    if not key:
        visit.site.chosen = None
    elif any(offer.key == key and not offer.faults for offer in visit.site.offers()):
        visit.site.chosen = key
    return visit.see("site")


def _facts(inputs: Inputs) -> list[tuple[str, str]]:
    """Return what the site is, a line each."""
    site = inputs.site
    car, charger, connection = site.car, site.charger, site.connection
    trips = "; ".join(
        f"{', '.join(DAY_NAMES[day] for day in sorted(trip.days))} {_clock(trip.depart_minute)} to "
        f"{_clock(trip.return_minute)}, {trip.distance_km:g} km"
        for trip in site.usual_trips
    )
    series = {"Load": inputs.load, "Solar": inputs.solar}
    prices = [band.price_per_kwh for band in inputs.offer.import_bands]
    found = [
        (
            "Connection",
            f"takes up to {power_text(connection.import_limit_kw)}, sends up to "
            f"{power_text(connection.export_limit_kw)}",
        ),
        (
            "Car",
            f"{number_text(car.battery_kwh, 0)} kWh, in ordinary use {percent_text(car.floor_percent)} to "
            f"{percent_text(car.ceiling_percent)}",
        ),
        (
            "Charger",
            f"charges up to {power_text(charger.charge_max_kw)}, discharges up to "
            f"{power_text(charger.discharge_max_kw)} to {DISCHARGE_TO[charger.discharge_to]}",
        ),
        ("Offer", f"{inputs.offer.name}: {price_range_text(prices)} {inputs.offer.currency} per kWh bought"),
        ("Usual trips", trips or "none"),
    ]
    zone = ZoneInfo(site.timezone)
    for name, one in series.items():
        if one is not None:
            begin, end = (each.astimezone(zone) for each in (one.start[0].to_pydatetime(), one.end.to_pydatetime()))
            found.append((name, f"metered from {_day(begin)} to {_day(end - timedelta(minutes=1))}"))
    return [*found, ("Time zone", site.timezone)]


def _day(instant: datetime) -> str:
    return f"{instant.day} {instant:%B %Y}"


def _clock(minute: int) -> str:
    return f"{minute // 60:02}:{minute % 60:02}"


def _sign_in(context: Context, request: Request) -> Response:
    """Ask for the passphrase, or open a session for one that is right."""
    asked: Asked = request.state.asked
    access = context.access
    if access.passphrase is None or asked.session:
        return RedirectResponse("/", 303)
    if request.method != "POST":
        return shown(context, asked, "sign_in", title="Sign in", fault=None)
    phrase = dict(asked.form).get("passphrase", "")
    if len(phrase) > MOST_CHARACTERS * 4 or not access.attempts.begin():
        fault = "Too many wrong passphrases. Wait a minute, then try again."
        answer = shown(context, asked, "sign_in", 429, title="Sign in", fault=fault)
        answer.headers["retry-after"] = f"{WITHIN_SECONDS:.0f}"
        return answer
    if not access.passphrase.is_matched_by(phrase):
        return shown(context, asked, "sign_in", 403, title="Sign in", fault="This is not the passphrase.")
    access.attempts.was_right()
    answer = RedirectResponse("/", 303)
    set_session(answer, access.sessions.open(), asked.is_https)
    return answer


def _sign_out(context: Context, request: Request) -> Response:
    """End the session."""
    asked: Asked = request.state.asked
    context.access.sessions.close(asked.session)
    answer = RedirectResponse(SIGN_IN if context.access.passphrase else "/", 303)
    set_session(answer, "", asked.is_https)
    return answer


def _style(request: Request) -> Response:
    """Give the style sheet, which may be kept: its address changes when it does."""
    return Response(style_text(), media_type="text/css", headers={"cache-control": "max-age=604800"})
