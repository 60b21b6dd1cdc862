"""Three charts of counted wear as inline SVG: depths of cycles, life used by each law, and the trace itself."""

from __future__ import annotations

import numpy as np

from models.base.arrays import FloatArray
from scheduler.diagnostics.wear import WearOfTrace
from scheduler.diagnostics.wear_text import counted_text, knows_time, life_text, range_text
from scheduler.render.palette import series_number
from scheduler.render.scale import EDGE, LEFT, MOST_TICKS, Panel, Tick, nice_ticks
from scheduler.render.svg import (
    Entry,
    bottom_axis,
    charge_line,
    drawing,
    label,
    legend,
    line,
    polyline,
    rectangle,
    room_for,
    value_axis,
)
from scheduler.render.time_axis import time_ticks
from scheduler.textio.format import number_text

ROW = 26.0
"""Height of a law's bar with its label [px]."""
MANY_POINTS = 400
"""A line of more points than this is drawn thin."""


def depth_chart(found: WearOfTrace) -> str:
    """Return an SVG of equivalent full cycles by depth of their cycles, one bar per bin."""
    histogram = found.counted.histogram
    full, edges = histogram.full_cycles, histogram.edges_percent
    panel = Panel(34, 150, 0.0, max(float(full.max()), 1e-9))
    width = (EDGE - LEFT) / len(full)
    parts = [label(2, 13, "Equivalent full cycles, by depth of the cycle in %"), line(LEFT, 150, EDGE, 150, "axis")]
    for at, amount in enumerate(full):
        left = LEFT + at * width
        if amount > 0:
            parts.append(rectangle(left + 2, panel.y(amount), left + width - 2, panel.bottom, "load"))
            text = number_text(float(amount), 1 if amount >= 10 else 2)
            parts.append(label(left + width / 2, panel.y(amount) - 3, text, "middle", "scale"))
    ticks = [Tick((at + 1) / len(full), f"{edge:g}") for at, edge in enumerate(edges)]
    parts += bottom_axis(panel, [Tick(0.0, "0"), *ticks], lines=False)
    if not full.any():
        parts.append(label((LEFT + EDGE) / 2, 95, "no cycle", "middle"))
    most = int(np.argmax(full))
    lower = 0.0 if most == 0 else float(edges[most - 1])
    gist = f"{counted_text(found)}."
    if full.any():
        gist += f" Most of it, {number_text(float(full[most]), 2)}, in cycles of {lower:g} to {edges[most]:g} %."
    return drawing("depths", 174, "Cycles by depth", gist, parts)


def law_chart(found: WearOfTrace) -> str:
    """Return an SVG of the share of the battery's life used, by law, with cycles and calendar ageing apart."""
    laws = found.counted.by_law
    most = max(max(each.used.total for each in laws), 1e-12)
    room = EDGE - LEFT - room_for("00.0000 %")
    parts = [label(2, 13, "Share of the battery's life used, by law")]
    for at, each in enumerate(laws):
        top = 26 + at * ROW
        by_cycles, total = (LEFT + room * share / most for share in (each.used.by_cycles, each.used.total))
        parts.append(label(LEFT - 5, top + 13, each.law, "end"))
        colour = f"series{series_number(each.law)}"
        if by_cycles - LEFT > 0.05:
            parts.append(rectangle(LEFT, top, by_cycles, top + ROW - 8, f"share {colour}"))
        if knows_time(each) and total - by_cycles > 0.05:
            parts.append(rectangle(by_cycles, top, total, top + ROW - 8, f"share calendar {colour}"))
        parts.append(label(total + 5, top + 13, life_text(each.used.total)))
    entries = (Entry("share", "by cycles"), Entry("share calendar", "by calendar ageing"))
    key, base = legend(entries, 26 + len(laws) * ROW + 10)
    parts += key
    return drawing("laws", base + 8, "Life used by each law", range_text(found), parts)


def trace_chart(found: WearOfTrace) -> str:
    """Return an SVG of state of charge over time; of a long trace, the lowest and highest in each pixel."""
    trace = found.read.trace
    panel = Panel(26, 150, 0.0, 100.0)
    share = trace.hours_from_begin() / max(found.counted.hours, 1e-9)
    x, percent, trips = LEFT + share * (EDGE - LEFT), 100 * trace.soc, found.read.trips
    if not trips:
        x, percent = thinned(x, percent)
    heights = np.array([panel.y(float(value)) for value in percent])
    driven = (Entry("soc", "state of charge", "line"), Entry("trip", "on a trip", "line"))
    key, base = legend(driven if trips else (), 188)
    kind = "soc" if len(x) <= MANY_POINTS else "soc dense"
    ticks = time_ticks(trace.instants[0], trace.instants[-1], found.timezone, MOST_TICKS)
    parts = [
        label(2, 13, "State of charge, %"),
        *value_axis(panel, nice_ticks(0.0, 100.0, 4), lambda value: f"{value:.0f}"),
        *bottom_axis(panel, ticks),
        *(charge_line(x, heights, trips) if trips else [polyline(x, heights, kind)]),
        *key,
    ]
    low, high = 100 * float(trace.soc.min()), 100 * float(trace.soc.max())
    gist = (
        f"From {number_text(100 * float(trace.soc[0]), 1)} to {number_text(100 * float(trace.soc[-1]), 1)} %, "
        f"lowest {number_text(low, 1)}, highest {number_text(high, 1)} %; {found.read.layout}."
    )
    return drawing("trace", base + 8 if trips else 174, "State of charge", gist, parts)


def thinned(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the first, lowest, highest and last point in each pixel across, in order.

    Parameters
    ----------
    x, y : points, x never decreasing [px] and y in any unit, each of shape (n,).

    Returns
    -------
    The same of the points that are kept, each of shape (m,).

    Examples
    --------
    Five points in one pixel, of which the fourth is neither first, last, lowest nor highest:

    >>> x, y = thinned(np.array([0.0, 0.2, 0.4, 0.6, 0.8]), np.array([5.0, 9.0, 1.0, 4.0, 6.0]))
    >>> y.tolist()
    [5.0, 9.0, 1.0, 6.0]
    """
    pixel = np.floor(x).astype(np.int64)
    first = np.concatenate([[0], np.flatnonzero(np.diff(pixel)) + 1])
    last = np.concatenate([first[1:] - 1, [len(x) - 1]])
    by_height = np.lexsort((y, pixel))
    kept = np.unique(np.concatenate([first, last, by_height[first], by_height[last]]))
    return x[kept], y[kept]
