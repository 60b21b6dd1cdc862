"""Marks of a line drawing as SVG: axes, lines, steps, areas, labels, legends; colours come from the page's style.

Charts are written directly and not by a plotting library: they are a few marks that take their colours from the page,
with a title and a summary as text, and a library would add half a second to a command.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Literal

import numpy as np

from models.base.arrays import FloatArray, runs
from scheduler.render.scale import EDGE, WIDTH, Panel, Tick

LETTER = 7.0
"""Width of a letter of the drawing's text [px]."""
LINE = 14.0
"""Distance from one line of text to the next [px]."""
LEAST_HEIGHT = 1e-6
"""An area thinner than this is not drawn [in the panel's unit]."""
SWATCH, SAMPLE, MARKED_SAMPLE, LEGEND_LINE = 15.0, 18.0, 30.0, 18.0
"""Width of a legend's filled sample, of a line and of a line with a mark on it; from one row to the next [px]."""


def room_for(text: str) -> float:
    """Return the width of text [px], an upper bound."""
    return LETTER * len(text)


PATTERNS = (
    '<defs><pattern id="hatched" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<path class="hatch" d="M-1 1L1 -1M0 5L5 0M4 6L6 4"/></pattern>'
    '<pattern id="dotted" width="5" height="5" patternUnits="userSpaceOnUse">'
    '<circle class="dot" cx="2.5" cy="2.5" r="1.1"/></pattern></defs>'
)
"""What the style sheet fills areas with, so that they are told apart without colour; once on a page."""


def line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """Return a straight line."""
    return f'<path class="{kind}" d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"/>'


def rectangle(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    """Return a filled rectangle between two corners, the upper left and the lower right."""
    return f'<rect class="{kind}" x="{_n(x1)}" y="{_n(y1)}" width="{_n(x2 - x1)}" height="{_n(y2 - y1)}"/>'


def label(x: float, y: float, text: str, anchor: str = "start", kind: str = "name") -> str:
    """Return text, which the style sheet outlines so that it can be read over a line."""
    return f'<text class="{kind}" x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}">{escape(text)}</text>'


def polyline(x: FloatArray, y: FloatArray, kind: str) -> str:
    """Return a line through points."""
    points = " ".join(f"{_n(left)},{_n(height)}" for left, height in zip(x, y, strict=True))
    return f'<polyline class="{kind}" points="{points}"/>'


def charge_line(x: FloatArray, y: FloatArray, trips: Iterable[tuple[int, int]]) -> Iterator[str]:
    """Yield a state of charge over time, and a straight line of another kind from each departure to its return.

    Parameters
    ----------
    x, y : of each boundary [px], shape (n,). trips : boundaries of departure and return, in time order.
    """
    home = 0
    for depart, comeback in trips:
        yield polyline(x[home : depart + 1], y[home : depart + 1], "soc")
        yield polyline(x[[depart, comeback]], y[[depart, comeback]], "trip")
        home = comeback
    yield polyline(x[home:], y[home:], "soc")


def triangle(x: float, y: float, kind: str) -> str:
    """Return a triangle that points up to (x, y)."""
    corners = f"{_n(x)},{_n(y)} {_n(x - 5)},{_n(y + 9)} {_n(x + 5)},{_n(y + 9)}"
    return f'<polygon class="{kind}" points="{corners}"/>'


def circle(x: float, y: float, kind: str) -> str:
    """Return a round mark centred on (x, y)."""
    return f'<circle class="{kind}" cx="{_n(x)}" cy="{_n(y)}" r="3.5"/>'


def square(x: float, y: float, kind: str) -> str:
    """Return a square mark centred on (x, y)."""
    return rectangle(x - 4, y - 4, x + 4, y + 4, kind)


def diamond(x: float, y: float, kind: str) -> str:
    """Return a square mark that stands on its corner, centred on (x, y)."""
    corners = f"{_n(x)},{_n(y - 5.5)} {_n(x + 5.5)},{_n(y)} {_n(x)},{_n(y + 5.5)} {_n(x - 5.5)},{_n(y)}"
    return f'<polygon class="{kind}" points="{corners}"/>'


def steps(x: FloatArray, panel: Panel, values: FloatArray, kind: str) -> str:
    """Return a line that holds each value over its interval.

    Parameters
    ----------
    x : where each boundary lies across the drawing [px], shape (n + 1,). panel : its scale of values.
    values : of each interval, shape (n,). kind : class in the style sheet.
    """
    path = f"M{_n(x[0])} {_n(panel.y(values[0]))}"
    path += "".join(f"V{_n(panel.y(value))}H{_n(right)}" for value, right in zip(values, x[1:], strict=True))
    return f'<path class="{kind}" d="{path}"/>'


def area(x: FloatArray, panel: Panel, begin: FloatArray, end: FloatArray, kind: str) -> str:
    """Return an area from one value to another in each interval, one outline per run; none where the two are equal.

    Parameters
    ----------
    x : where each boundary lies across the drawing [px], shape (n + 1,). panel : its scale of values.
    begin, end : values of each interval, shape (n,). kind : class in the style sheet.
    """
    path = ""
    for first, last in runs(np.abs(end - begin) > LEAST_HEIGHT):
        path += f"M{_n(x[first])} {_n(panel.y(begin[first]))}"
        path += "".join(f"V{_n(panel.y(end[at]))}H{_n(x[at + 1])}" for at in range(first, last))
        path += "".join(f"V{_n(panel.y(begin[at]))}H{_n(x[at])}" for at in range(last - 1, first - 1, -1))
        path += "Z"
    return f'<path class="{kind}" d="{path}"/>' if path else ""


def value_axis(
    panel: Panel, values: Iterable[float], text_of: Callable[[float], str], kind: str = "grid"
) -> Iterator[str]:
    """Yield marks of the vertical scale; of two values too close for their labels, the first is labelled.

    Parameters
    ----------
    values : where the scale is marked. text_of : gives a value's label. kind : class of the lines in the style sheet.
    """
    named: list[float] = []
    for value in values:
        height = panel.y(value)
        yield line(panel.left, height, panel.right, height, kind)
        if all(abs(height - other) >= LINE - 3 for other in named):
            yield label(panel.left - 5, height + 4, text_of(value), "end", "scale")
            named.append(height)


def bottom_axis(panel: Panel, ticks: Iterable[Tick], lines: bool = True) -> Iterator[str]:
    """Yield marks of the scale under a panel; of two ticks too close for their labels, the first is labelled.

    Parameters
    ----------
    lines : whether a line goes up through the panel from each tick.
    """
    taken_until = 0.0
    for tick in ticks:
        place, half = panel.left + tick.share * (panel.right - panel.left), room_for(tick.label) / 2
        if lines:
            yield line(place, panel.top, place, panel.bottom + 4, "grid")
        middle = min(max(place, half), WIDTH - half)
        if middle - half >= taken_until:
            yield label(middle, panel.bottom + 17, tick.label, "middle", "scale")
            taken_until = middle + half


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of a legend: what a mark of the drawing stands for.

    Attributes
    ----------
    kind : class in the style sheet. label : what it stands for.
    shape : "area" is filled, "stretch" is an area between edges, "line" a line. mark : drawn on the line, or alone.
    """

    kind: str
    label: str
    shape: Literal["area", "stretch", "line", "none"] = "area"
    mark: Callable[[float, float], str] | None = None


def legend(entries: Sequence[Entry], baseline: float) -> tuple[list[str], float]:
    """Return a legend in as many rows as it takes.

    Parameters
    ----------
    entries : in their order. baseline : of the first row [px].

    Returns
    -------
    The marks, and the baseline of the last row [px].
    """
    parts, left = [], 2.0
    for entry in entries:
        sample = MARKED_SAMPLE if entry.shape == "line" and entry.mark is not None else SAMPLE
        if left > 2.0 and left + sample + room_for(entry.label) > EDGE + 6:
            left, baseline = 2.0, baseline + LEGEND_LINE
        top, bottom, middle = baseline - 10, baseline + 1, baseline - 4
        if entry.shape in ("area", "stretch"):
            parts.append(rectangle(left, top, left + SWATCH, bottom, entry.kind))
        if entry.shape == "stretch":
            parts += [line(edge, top, edge, bottom, "edge") for edge in (left, left + SWATCH)]
        if entry.shape == "line":
            parts.append(line(left, middle, left + sample, middle, entry.kind))
        if entry.mark is not None:
            parts.append(entry.mark(left + sample / 2, middle))
        parts.append(label(left + sample + 3, baseline, entry.label))
        left += sample + 12 + room_for(entry.label)
    return parts, baseline


def drawing(name: str, height: float, title: str, gist: str, parts: Sequence[str], width: float = WIDTH) -> str:
    """Return the whole SVG.

    Parameters
    ----------
    name : begins the ids within it. height : of the drawing [px].
    title, gist : what it is and what it shows, for readers who cannot see it. parts : its marks.
    width : of the drawing [px].
    """
    return (
        f'<svg class="chart" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-labelledby="{name}-title {name}-gist">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-gist">{escape(gist)}</desc>'
        + "".join(parts)
        + "</svg>"
    )


def _n(value: float) -> str:
    return f"{value:.1f}"


def fluid_drawing(name: str, height: float, title: str, gist: str, parts: Sequence[str]) -> str:
    """Return a whole SVG that is as wide as its place, its letters and heights the same at every width.

    Parameters
    ----------
    parts : marks of `across`, `upright` and `placed`. The others are those of `drawing`.
    """
    return (
        f'<svg class="chart fluid" style="height: {height:.0f}px" role="img" '
        f'aria-labelledby="{name}-title {name}-gist">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-gist">{escape(gist)}</desc>'
        + "".join(parts)
        + "</svg>"
    )


def across(share1: float, share2: float, y: float, kind: str) -> str:
    """Return a level line of a fluid drawing from one share of its width to another [0 to 1]."""
    return f'<line class="{kind}" x1="{_share(share1)}" x2="{_share(share2)}" y1="{_n(y)}" y2="{_n(y)}"/>'


def upright(share: float, y1: float, y2: float, kind: str) -> str:
    """Return an upright line of a fluid drawing at a share of its width [0 to 1]."""
    return f'<line class="{kind}" x1="{_share(share)}" x2="{_share(share)}" y1="{_n(y1)}" y2="{_n(y2)}"/>'


def placed(share: float, y: float, mark: str) -> str:
    """Return a mark that was made around (0, 0), at a share of a fluid drawing's width [0 to 1] and a height [px]."""
    return f'<svg x="{_share(share)}" y="{_n(y)}" overflow="visible">{mark}</svg>'


def _share(share: float) -> str:
    return f"{100 * share:.2f}%"
