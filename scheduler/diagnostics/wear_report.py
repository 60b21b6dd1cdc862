"""Counted wear for the reader: on the terminal, as a page that opens without a network, and as JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

from markupsafe import Markup
from rich.console import Console
from rich.text import Text

from models.wear.counted import WearByLaw
from scheduler.diagnostics.wear import WearOfTrace
from scheduler.diagnostics.wear_charts import depth_chart, law_chart, trace_chart
from scheduler.diagnostics.wear_text import (
    answer_text,
    counted_text,
    depth_table,
    difference_table,
    headline,
    law_table,
    options_of,
    options_text,
    own_capacity_text,
    range_text,
    span,
)
from scheduler.plans.saved_plan import PLAN_FILE, SCHEDULE_FILE
from scheduler.render.page_template import HASH_LETTERS, page_template
from scheduler.render.table import NOTHING, json_rows
from scheduler.render.terminal import print_list, print_table
from scheduler.textio.format import local_iso, sentence_case
from scheduler.textio.read_text import sha256_of

CAUTIONS = (
    "Counted wear is an estimate by published laws, each measured on cells of its own, and not a measurement of this "
    "battery: a capacity test says more.",
    "The car maker's terms and warranty come first.",
)
WIDTH = 100
FORMAT = 1


def show_wear(found: WearOfTrace, console: Console) -> None:
    """Print what was counted, each law's total and the depths."""
    width = min(WIDTH, console.width)
    console.print(Text(headline(found), style="bold"), width=width)
    console.print(Text(f"{counted_text(found)}. {options_text(found)}"), width=width)
    console.print()
    print_table(replace(law_table(found), caption="By law"), console, width)
    console.print(Text(range_text(found)), width=width)
    console.print()
    print_table(replace(depth_table(found), caption="By depth"), console, width)
    between = difference_table(found)
    if between is not None:
        console.print()
        print_table(replace(between, caption="The plan's wear and the counted wear"), console, width)
    print_list("", notes(found), console, width)


def wear_page(found: WearOfTrace) -> str:
    """Return the page `wear.html` as HTML text that needs no other file."""
    return page_template("scheduler.diagnostics", "wear.html").render(
        title="Battery wear",
        headline=answer_text(found),
        about=f"{headline(found)}. {counted_text(found)}.",
        range=range_text(found),
        laws=law_table(found),
        depths=depth_table(found),
        difference=difference_table(found),
        charts=[Markup(chart(found)) for chart in (law_chart, depth_chart, trace_chart)],
        notes=[*notes(found)[1:], *(f'Law "{each.law}": {each.source}.' for each in found.counted.by_law)],
        cautions=CAUTIONS,
        options=[
            ("Read from", f"{found.options.source.name}: {found.read.layout}"),
            ("Site", found.site_name or NOTHING),
            *options_of(found),
        ],
        files=[(file.name, sha256_of(file)[:HASH_LETTERS]) for file in _files(found)],
    )


def _files(found: WearOfTrace) -> tuple[Path, ...]:
    """Return the trace's file, or the files of the plan's folder that it was read from."""
    source = found.options.source
    return (source / PLAN_FILE, source / SCHEDULE_FILE) if source.is_dir() else (source,)


def notes(found: WearOfTrace) -> list[str]:
    """Return what the trace was read from, what to know, and what lies outside a law's range."""
    read_from = f"Read from {found.options.source}: {found.read.layout}."
    warnings = [f"{sentence_case(warning)}." for each in found.counted.by_law for warning in each.warnings]
    return [read_from, *found.notes, own_capacity_text(found), *warnings]


def wear_json(found: WearOfTrace) -> str:
    """Return counted wear as JSON text; keys carry units."""
    begin, end = span(found)
    counted = found.counted
    document = {
        "format": FORMAT,
        "source": str(found.options.source),
        "layout": found.read.layout,
        "site": found.site_name,
        "start": local_iso(begin, found.timezone),
        "end": local_iso(end, found.timezone),
        "rows": len(found.read.trace.soc),
        "hours": counted.hours,
        "currency": found.currency,
        "battery_price": found.battery_price,
        "age_years": found.options.age_years,
        "cycles": float(counted.cycles.count.sum()),
        "equivalent_full_cycles": counted.cycles.equivalent_full_cycles,
        "laws": {each.law: _law(each) for each in counted.by_law},
        "depths": json_rows(depth_table(found)),
        "plan": _plan(found),
        "notes": list(found.notes),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def _law(each: WearByLaw) -> dict[str, Any]:
    used = each.used
    capacity = (used.capacity_lost, used.capacity_by_cycles, used.capacity_by_calendar)
    lost, by_cycles, by_calendar = (None if share is None else 100 * share for share in capacity)
    return {
        "source": each.source,
        "life_used_percent": 100 * used.total,
        "life_used_by_cycles_percent": 100 * used.by_cycles,
        "life_used_by_calendar_percent": 100 * used.by_calendar,
        "capacity_lost_percent": lost,
        "capacity_lost_by_cycles_percent": by_cycles,
        "capacity_lost_by_calendar_percent": by_calendar,
        "cost": each.cost,
        "warnings": list(each.warnings),
    }


def _plan(found: WearOfTrace) -> dict[str, Any] | None:
    """Return the plan's wear beside the counted wear [money]; the parts add up to the difference."""
    parts = found.difference
    if parts is None:
        return None
    return {
        "law": found.law_of_plan,
        "wear_of_plan": parts.program,
        "counted_wear": parts.counted,
        "difference": {
            "conditions": parts.conditions,
            "envelope": parts.envelope,
            "segments": parts.segments,
            "open_ends": parts.open_ends,
            "before": parts.before,
        },
    }
