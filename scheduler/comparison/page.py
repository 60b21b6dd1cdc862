"""`comparison.html`: a comparison as one page that opens without a network, fit to show to a client."""

from __future__ import annotations

from datetime import date

from markupsafe import Markup

from scheduler.comparison.charts import months_chart, night_picture, nights_chart, ranking_chart
from scheduler.comparison.conclusion import conclusion_of
from scheduler.comparison.conclusion_text import assumptions_table, dependence_text, headlines
from scheduler.comparison.hardware_text import hardware_sentences, hardware_table, worth_table
from scheduler.comparison.ranking_text import ranking_table, tie_text, today_text
from scheduler.comparison.results import ComparedOffer, Comparison, months
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
    by_month = {each.name: _months(each, "plan") for each in compared.offers}
    ways = {kind: _months(best, kind) for kind in ("charge-on-return", "charge-only", "plan")}
    picture = night_picture(best)
    several_months = len(by_month[best.name]) > FEW_MONTHS
    hardware = request.hardware
    return page_template("scheduler.comparison", "page.html").render(
        title="Offers compared",
        headline=headlines(found)[0],
        more_headline=headlines(found)[1:],
        about=f"{site.name}, {day_span_text(request.first, request.last)}, all amounts in {compared.currency}",
        ranking=ranking_table(found),
        ranking_chart=Markup(ranking_chart(compared)),
        ties=(*tie_text(found), *today_text(found)),
        assumption_table=assumptions_table(found),
        dependence=dependence_text(found),
        ways=ways_table(compared),
        use=use_table(compared),
        not_worth=(*bound_text(compared), *counted_text(compared), *not_worth_text(compared)),
        ranges=any(compared.ranges.values()),
        months=months_table(compared, by_month) if several_months else None,
        months_chart=Markup(months_chart(compared, ways)) if several_months else None,
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


def _files(compared: Comparison) -> list[tuple[str, str]]:
    """Return each file that was read, and the beginning of its SHA-256."""
    folder = compared.best.inputs.site.folder
    return [(_name(shown_path(file, folder)), sha256[:HASH_LETTERS]) for file, sha256 in compared.hashes.items()]


def _name(path: str) -> str:
    """Return a path inside the site as it is; of a file elsewhere, its name alone."""
    return path.rsplit("/", 1)[-1] if path.startswith(("/", "..")) else path
