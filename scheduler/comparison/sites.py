"""Several sites in one go: each compared under the same offers in a folder of its own, and one summary of all."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path
from typing import Any

from markupsafe import Markup
from rich.console import Console

from scheduler.comparison.columns import SITES_TABLE
from scheduler.comparison.compare import RUNS_FOLDER, compare
from scheduler.comparison.conclusion import Conclusion, conclusion_of
from scheduler.comparison.conclusion_text import depends_on_text, headlines, verdict_text
from scheduler.comparison.results import Comparison
from scheduler.comparison.tables import WorkbookWriter
from scheduler.comparison.text import CLOSING, day_span_text, evenings_knew_text, listed, shown_amount
from scheduler.plans.plan import CAUTIONS
from scheduler.render.data_dictionary import dictionary_text
from scheduler.render.dot_rows import Dot, DotRow, dot_rows
from scheduler.render.page_template import page_template
from scheduler.render.svg import diamond
from scheduler.render.table import NOTHING, Cell, Column, Table, csv_text
from scheduler.render.terminal import paragraph_printer, print_list, print_table
from scheduler.rolling.period import CompareOptions, parse_period
from scheduler.rolling.process_pool import Work
from scheduler.rolling.workers import Workers
from scheduler.textio.errors import Fault, InputFaults, collected
from scheduler.textio.format import number_text
from scheduler.textio.write import refuse_other, write_together

FORMAT = 1
SUMMARY, PAGE, WIDTH = "sites.json", "sites.html", 120
SITES_COLUMNS = tuple(column.name for column in SITES_TABLE)


@dataclass(frozen=True, eq=False, slots=True)
class SiteCompared:
    """One of several sites.

    Attributes
    ----------
    folder : name of the folder of its comparison. compared : the comparison. found : its conclusion.
    """

    folder: str
    compared: Comparison
    found: Conclusion


def compare_sites(
    sites: Sequence[Path],
    options: CompareOptions,
    out: Path,
    workers: Workers,
    begin: Callable[[Work[Any]], None] = lambda work: None,
    progress: Callable[[int], None] = lambda nights: None,
    workbook: WorkbookWriter | None = None,
) -> tuple[SiteCompared, ...]:
    """Compare the offers at each site, and write each comparison and a summary; finished runs are not made again.

    Parameters
    ----------
    sites : their folders. options : what is the same for all; its site is not looked at.
    out : the folder to write: one folder a site, and the summary. The others are those of `compare`.

    Raises
    ------
    InputFaults : any site's files are at fault; nothing was begun. The others are those of `compare`.
    """
    asked = [replace(options, site=site) for site in sites]
    faults: list[Fault] = []
    for each in asked:
        collected(partial(parse_period, each), faults)
    if faults:
        raise InputFaults(dict.fromkeys(faults))
    names = folder_names(sites)
    refuse_other(out, "a comparison of sites", lambda folder: _is_one(folder, names))
    made = []
    for name, each in zip(names, asked, strict=True):
        compared = compare(each, out / name, None, begin, progress, workbook, workers)
        made.append(SiteCompared(name, compared, conclusion_of(compared)))
    texts = {
        "sites.csv": csv_text(Table(tuple(Column(key) for key in SITES_COLUMNS), tuple(map(_row, made)))),
        "dictionary.csv": dictionary_text({"sites": SITES_TABLE}),
        SUMMARY: sites_json(made),
        PAGE: sites_page(made),
    }
    write_together({out / name: text for name, text in texts.items()})
    return tuple(made)


def folder_names(sites: Sequence[Path]) -> list[str]:
    """Return a folder's name for each site, from its own folder's, no two alike.

    >>> folder_names([Path("north/farm"), Path("south/farm"), Path("mill")])
    ['farm', 'farm-2', 'mill']
    """
    found: list[str] = []
    for site in sites:
        plain = site.resolve().name or "site"
        name, number = plain, 2
        while name in found:
            name, number = f"{plain}-{number}", number + 1
        found.append(name)
    return found


def sites_json(made: Sequence[SiteCompared]) -> str:
    """Return the summary as JSON text."""
    document = {
        "format": FORMAT,
        "program_version": version("overnight-scheduler"),
        "sites": [
            {**dict(zip(SITES_COLUMNS, _row(each), strict=True)), "headlines": list(headlines(each.found))}
            for each in made
        ],
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def sites_page(made: Sequence[SiteCompared]) -> str:
    """Return the summary as a page, with a link to the page of each site."""
    first = made[0].compared
    return page_template("scheduler.comparison", "sites.html").render(
        title="Sites compared",
        headline=sites_headline(made),
        about=f"{len(made)} sites, {listed([each.inputs.offer.name for each in _offers(first)])}",
        chart=Markup(_chart(made)) if len({each.compared.currency for each in made}) == 1 else None,
        rows=[
            {
                "link": f"{each.folder}/comparison.html",
                "name": each.compared.best.inputs.site.name,
                "cells": _cells(each),
            }
            for each in made
        ],
        headings=sites_table(made).headings,
        sites=[(each.compared.best.inputs.site.name, headlines(each.found)) for each in made],
        cautions=(*CAUTIONS, CLOSING),
        options=[
            ("Each evening knew", evenings_knew_text(first.request.forecast, first.request.trips)),
            *((each.compared.best.inputs.site.name, _days(each.compared)) for each in made),
        ],
        files=[(f"{each.folder}/{file.name}", sha[:12]) for each in made for file, sha in each.compared.hashes.items()],
    )


def sites_headline(made: Sequence[SiteCompared]) -> str:
    """Return a sentence: which offer is best at how many sites, and at how many the bidirectional charger pays."""
    best: dict[str, int] = {}
    for each in made:
        name = each.found.own.plain.best.inputs.offer.name
        best[name] = best.get(name, 0) + 1
    ranked = sorted(best.items(), key=lambda item: -item[1])
    (first, count), others = ranked[0], ranked[1:]
    told = "".join(f", {name} at {number}" for name, number in others)
    text = f"With a plain charger timed well, {first} costs least at {count} of {len(made)} sites{told}."
    pays = [each.found.own.pays for each in made]
    if None in pays:
        return text
    return f"{text} The bidirectional charger pays at {sum(map(bool, pays)) or 'none'} of them."


def sites_table(made: Sequence[SiteCompared]) -> Table:
    """Return a row per site: the best offer with either charger, the yearly saving, and on what that depends."""
    columns = (
        Column(heading="Site"),
        Column(heading="Best with a plain charger"),
        Column(heading="Best with the bidirectional"),
        Column(heading="Depends on"),
        Column(heading="The latter saves a year", kind="number"),
        Column(heading="Pays for itself after", kind="number"),
    )
    rows = [(each.compared.best.inputs.site.name, *_cells(each)) for each in made]
    return Table(columns, tuple(rows))


def show_sites(made: Sequence[SiteCompared], console: Console) -> None:
    """Print the summary."""
    width = min(WIDTH, console.width)
    say = paragraph_printer(console, width)
    say(sites_headline(made), "bold")
    print_table(sites_table(made), console, width)
    print_list("Cautions", (*CAUTIONS, CLOSING), console, width)
    console.print()


def _cells(each: SiteCompared) -> tuple[str, ...]:
    own, compared = each.found.own, each.compared
    return (
        f"{own.plain.best.inputs.offer.name}, {shown_amount(compared, own.plain.totals[0])}",
        f"{own.bidirectional.best.inputs.offer.name}, {shown_amount(compared, own.bidirectional.totals[0])}",
        depends_on_text(each.found) or NOTHING,
        f"{number_text(own.yearly_saving, 0)} {compared.currency}",
        verdict_text(own) or NOTHING,
    )


def _row(each: SiteCompared) -> tuple[Cell, ...]:
    own, compared = each.found.own, each.compared
    worth, (low, high) = own.worth, own.saving_range or (None, None)
    return (
        compared.best.inputs.site.name,
        each.folder,
        compared.currency,
        compared.request.first.isoformat(),
        compared.request.last.isoformat(),
        own.plain.best.inputs.offer.name,
        own.plain.totals[0],
        own.bidirectional.best.inputs.offer.name,
        own.bidirectional.totals[0],
        own.yearly_saving,
        low,
        high,
        None if own.pays is None else "yes" if own.pays else "no",
        None if worth is None else worth.simple_payback_years,
        None if worth is None else worth.discounted_payback_years,
        None if worth is None else worth.net_present_value,
        depends_on_text(each.found),
    )


def _chart(made: Sequence[SiteCompared]) -> str:
    rows = [
        DotRow(
            each.compared.best.inputs.site.name,
            f"{number_text(each.found.own.yearly_saving, 0)} {each.compared.currency}",
            (Dot(each.found.own.yearly_saving, diamond, "bidirectional", each.found.own.saving_range),),
        )
        for each in made
    ]
    gist = "; ".join(f"{row.name}: {row.amount}" for row in rows)
    title = f"What the bidirectional charger saves a year at each site, {made[0].compared.currency}"
    return dot_rows("sites", rows, title, gist, lambda value: f"{value:,.10g}".replace("-", "−"), (0.0,))


def _offers(compared: Comparison) -> Iterator[Any]:
    """Yield the offers in the order in which they were given."""
    by_name = {each.name: each for each in compared.offers}
    yield from (by_name[name] for name in compared.request.offers)


def _days(compared: Comparison) -> str:
    return f"{compared.request.days} days, {day_span_text(compared.request.first, compared.request.last)}"


def _is_one(out: Path, names: Sequence[str]) -> bool:
    """Return whether a folder holds a comparison of sites, only parts of one that was interrupted, or nothing."""
    there = list(out.iterdir())
    if not there or (out / SUMMARY).is_file():
        return True
    return all(entry.name in names and (entry / RUNS_FOLDER).is_dir() for entry in there)
