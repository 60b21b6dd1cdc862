"""`comparison.html`: a comparison as one page that opens without a network, fit to show to a client."""

from __future__ import annotations

from datetime import date

from markupsafe import Markup

from scheduler.billing.offer_text import offer_text
from scheduler.comparison.charts import (
    MONTH_MARKS,
    month_charts,
    months_key,
    night_picture,
    nights_chart,
    offers_key,
    places_chart,
    ranking_chart,
    saving_chart,
)
from scheduler.comparison.compared_text import bills_table, site_facts
from scheduler.comparison.conclusion import CHARGERS, break_even_saving, conclusion_of
from scheduler.comparison.conclusion_text import CHARGER_NAMES, assumptions_table, dependence_text, headlines
from scheduler.comparison.hardware_text import hardware_sentences, hardware_table, worth_table
from scheduler.comparison.ranking_text import ranking_table, tie_text, today_text
from scheduler.comparison.results import ComparedOffer, Comparison, months
from scheduler.comparison.sizes_text import sizes_chart, sizes_lead, sizes_table
from scheduler.comparison.text import (
    CLOSING,
    bound_text,
    counted_text,
    day_span_text,
    evenings_knew_text,
    hardware_lead,
    months_table,
    not_worth_text,
    use_table,
    ways_table,
)
from scheduler.plan_output.plan_json import shown_path
from scheduler.plans.plan import CAUTIONS
from scheduler.render.page_template import HASH_LETTERS, page_template
from scheduler.textio.format import percent_text

FEW_MONTHS = 1
"""Comparisons of up to so many months have no chart of months."""


def comparison_page(compared: Comparison) -> str:
    """Return the page as HTML text that needs no other file."""
    request, best, found = compared.request, compared.best, conclusion_of(compared)
    site = best.inputs.site
    ways = {each.name: {kind: _months(each, kind) for kind in MONTH_MARKS} for each in compared.offers}
    by_month = {name: each["plan"] for name, each in ways.items()}
    picture = night_picture(best)
    several_months = len(by_month[best.name]) > FEW_MONTHS
    hardware = request.hardware
    return page_template("scheduler.comparison", "page.html").render(
        title="Offers compared",
        headline=headlines(found)[0],
        more_headline=headlines(found)[1:],
        about=f"{site.name}, {day_span_text(request.first, request.last)}, all amounts in {compared.currency}",
        ranking=ranking_table(found),
        ranking_chart=Markup(ranking_chart(found)),
        ties=(*tie_text(found), *today_text(found)),
        assumption_table=assumptions_table(found),
        dependence=dependence_text(found),
        places=[
            (CHARGER_NAMES[charger], Markup(places_chart(found, charger)))
            for charger in CHARGERS
            if len(compared.offers) > 1
        ],
        offers_key=_marked(offers_key(found)),
        saving_chart=Markup(saving_chart(found)),
        break_even=break_even_saving(compared) is not None,
        offers=[(each.inputs.offer.name, offer_text(each.inputs.offer)) for each in compared.offers],
        site=site_facts(compared),
        bills=bills_table(found),
        ways=ways_table(compared),
        use=use_table(compared),
        not_worth=(*bound_text(compared), *counted_text(compared), *not_worth_text(compared)),
        ranges=found.own.saving_range is not None,
        months=months_table(compared, by_month) if several_months else None,
        month_charts=_marked(month_charts(compared, ways)) if several_months else [],
        months_key=_marked(months_key()),
        best=best.inputs.offer.name,
        gives=Markup(nights_chart(picture, give=True)),
        takes=Markup(nights_chart(picture, give=False)),
        hardware=None
        if hardware is None
        else {
            "lead": hardware_lead(compared),
            "sentences": hardware_sentences(hardware, compared.yearly_saving),
            "case": hardware_table(hardware, compared.yearly_saving),
            "other_rates": worth_table(hardware, compared.yearly_saving),
        },
        sizes=None
        if not compared.sizes
        else {
            "lead": sizes_lead(compared),
            "chart": Markup(sizes_chart(compared)),
            "table": sizes_table(compared),
        },
        assumptions=request.notes,
        cautions=(*CAUTIONS, CLOSING),
        options=[
            ("Days", f"{request.days}, {day_span_text(request.first, request.last)}"),
            ("Car when they begin", percent_text(request.start_soc_percent)),
            ("Each evening knew", evenings_knew_text(request.forecast, request.trips)),
            ("Wear weight", f"{site.wear.weight:g}"),
        ],
        files=_files(compared),
    )


def _months(each: ComparedOffer, kind: str) -> list[tuple[date, float]]:
    """Return the first day and the total of each month [money]."""
    return [(month.month, month.money.total) for month in months(each, kind)]


def _marked(pairs: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return pairs whose SVG, which comes first or second, is put into the page as it is."""
    return [(_as_markup(one), _as_markup(other)) for one, other in pairs]


def _as_markup(text: str) -> str:
    return Markup(text) if text.startswith("<svg ") else text


def _files(compared: Comparison) -> list[tuple[str, str]]:
    """Return each file that was read, and the beginning of its SHA-256."""
    folder = compared.best.inputs.site.folder
    return [(_name(shown_path(file, folder)), sha256[:HASH_LETTERS]) for file, sha256 in compared.hashes.items()]


def _name(path: str) -> str:
    """Return a path inside the site as it is; of a file elsewhere, its name alone."""
    return path.rsplit("/", 1)[-1] if path.startswith(("/", "..")) else path
