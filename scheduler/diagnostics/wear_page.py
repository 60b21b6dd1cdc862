"""`wear.html`: counted wear as one page that opens without a network."""

from __future__ import annotations

from importlib.metadata import version

from markupsafe import Markup

from scheduler.diagnostics.wear import WearOfTrace
from scheduler.diagnostics.wear_charts import depth_chart, law_chart, trace_chart
from scheduler.diagnostics.wear_terminal import notes
from scheduler.diagnostics.wear_text import (
    counted_text,
    difference_rows,
    headline,
    histogram_rows,
    law_columns,
    law_rows,
    options_text,
    range_text,
)
from scheduler.render.page_template import page_template


def page_text(found: WearOfTrace) -> str:
    """The page, self-contained."""
    return page_template("wear.html").render(
        headline=headline(found),
        about=f"{counted_text(found)}. {options_text(found)}",
        range=range_text(found),
        law_columns=law_columns(found),
        law_rows=list(law_rows(found)),
        sources=[(each.law, each.source) for each in found.counted.by_law],
        histogram_rows=list(histogram_rows(found)),
        difference_rows=difference_rows(found),
        currency=found.currency or "money",
        charts=[Markup(chart(found)) for chart in (law_chart, depth_chart, trace_chart)],
        notes=notes(found),
        program=f"overnight {version('overnight-scheduler')}",
    )
