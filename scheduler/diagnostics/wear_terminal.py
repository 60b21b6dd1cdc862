"""Counted wear for the reader: on the terminal and as JSON."""

from __future__ import annotations

import json
from typing import Any

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from models.wear.counted import WearByLaw
from scheduler.diagnostics.wear import WearOfTrace
from scheduler.diagnostics.wear_text import (
    counted_text,
    difference_rows,
    headline,
    histogram_rows,
    law_columns,
    law_rows,
    options_text,
    range_text,
    span,
)
from scheduler.textio.format import local_iso

WIDTH = 100
FORMAT = 1


def show_wear(found: WearOfTrace, console: Console) -> None:
    """Print what was counted, each law's total and the depths."""
    width = min(WIDTH, console.width)
    console.print(Text(headline(found), style="bold"), width=width)
    console.print(Text(f"{counted_text(found)}. {options_text(found)}"), width=width)
    laws = _table(*law_columns(found))
    for row in law_rows(found):
        laws.add_row(*row)
    console.print(laws, width=width)
    console.print(Text(range_text(found)), width=width)
    depths = _table("Depth", "Cycles", "Equivalent full cycles")
    for depth in histogram_rows(found):
        depths.add_row(*depth)
    console.print(depths, width=width)
    rows = difference_rows(found)
    if rows:
        between = _table("The plan's wear and the counted wear", found.currency or "money")
        for reason, amount in rows:
            between.add_row(reason, amount)
        console.print(between, width=width)
    for note in notes(found):
        console.print(Padding(Text(note, style="dim"), (0, 0, 0, 2)), width=width)


def notes(found: WearOfTrace) -> list[str]:
    """What it was read from, what to know, and what lies outside a law's range."""
    read_from = f"Read from {found.words.source}: {found.read.layout}."
    warnings = [f"{warning[0].upper()}{warning[1:]}." for each in found.counted.by_law for warning in each.warnings]
    return [read_from, *found.notes, *warnings]


def wear_json(found: WearOfTrace) -> str:
    """Counted wear as JSON text; keys carry units."""
    begin, end = span(found)
    counted, histogram = found.counted, found.counted.histogram
    bins = zip([0.0, *histogram.edges_percent[:-1]], histogram.edges_percent, strict=True)
    document = {
        "format": FORMAT,
        "source": str(found.words.source),
        "layout": found.read.layout,
        "site": found.site_name,
        "start": local_iso(begin, found.timezone),
        "end": local_iso(end, found.timezone),
        "rows": len(found.read.trace.soc),
        "hours": counted.hours,
        "currency": found.currency,
        "battery_price": found.battery_price,
        "age_years": found.words.age_years,
        "cycles": float(counted.cycles.count.sum()),
        "equivalent_full_cycles": counted.cycles.equivalent_full_cycles,
        "laws": {each.law: _law(each) for each in counted.by_law},
        "depths": [
            {"from_percent": low, "to_percent": float(high), "cycles": cycles, "equivalent_full_cycles": full}
            for (low, high), cycles, full in zip(
                bins, histogram.cycles.tolist(), histogram.full_cycles.tolist(), strict=True
            )
        ],
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
    """The plan's wear beside the counted wear; the parts add up to the difference."""
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


def _table(first: str, *others: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column(first)
    for name in others:
        table.add_column(name, justify="right", overflow="fold")
    return table
