"""`wear.html`: counted wear as one page that opens without a network."""

from __future__ import annotations

from markupsafe import Markup

from scheduler.diagnostics.wear import WearOfTrace
from scheduler.diagnostics.wear_charts import depth_chart, law_chart, trace_chart
from scheduler.diagnostics.wear_terminal import notes
from scheduler.diagnostics.wear_text import (
    counted_text,
    depth_table,
    difference_table,
    headline,
    law_table,
    options_text,
    range_text,
)
from scheduler.render.page_template import page_template


def page_text(found: WearOfTrace) -> str:
    """The page, self-contained."""
    return page_template("scheduler.diagnostics", "wear.html").render(
        headline=headline(found),
        about=f"{counted_text(found)}. {options_text(found)}",
        range=range_text(found),
        laws=law_table(found),
        depths=depth_table(found),
        difference=difference_table(found),
        charts=[Markup(chart(found)) for chart in (law_chart, depth_chart, trace_chart)],
        notes=[*notes(found), *(f'Law "{each.law}": {each.source}.' for each in found.counted.by_law)],
    )
