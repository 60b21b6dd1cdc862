"""A chart of rows on one scale: each a name, an amount, and a mark for every value, with the range it lies in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from scheduler.render.scale import nice_ticks
from scheduler.render.svg import across, fluid_drawing, label, placed, upright

ROW, GROUP, AXIS, MIDDLE = 27.0, 24.0, 22.0, 19.0
"""Heights of a row, of a group's name, of the scale under the rows, and of the marks within a row [px].

Names and amounts stand above their marks; where there is room, the style sheet moves them to the sides.
"""
SIDE = 0.03
"""Share of the width left free beside the lowest and the highest value [-]."""
MOST_TICKS = 6

MarkShape = Callable[[float, float, str], str]
"""Draws a mark around a point, in a class of the style sheet."""


@dataclass(frozen=True, slots=True)
class Dot:
    """A value of a row.

    Attributes
    ----------
    value : where its mark lies. shape, kind : of the mark. span : ends of the range that it lies in, or None.
    """

    value: float
    shape: MarkShape
    kind: str
    span: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True)
class DotRow:
    """A row of the chart, or the name of the group of rows below it where it has no dots.

    Attributes
    ----------
    name : at the left. amount : at the right. dots : the values. guide : where a dashed line stands in this row; None.
    """

    name: str
    amount: str = ""
    dots: tuple[Dot, ...] = ()
    guide: float | None = None


def dot_rows(
    name: str,
    rows: Sequence[DotRow],
    title: str,
    gist: str,
    text_of: Callable[[float], str],
    through: Iterable[float] = (),
) -> str:
    """Return the chart, the whole `<svg>` element, as wide as its place.

    Parameters
    ----------
    name, title, gist : as of `drawing`. text_of : gives the label of a value on the scale.
    through : values at which a line goes through all rows, such as 0; they are on the scale too.
    """
    ends = [end for row in rows for dot in row.dots for end in (dot.value, *(dot.span or ()))]
    lines = list(through)
    ends += lines
    low, high = min(ends), max(ends)
    if high - low < 1e-9 * max(1.0, abs(low), abs(high)):
        low, high = low - 1.0, high + 1.0
    bottom = sum(ROW if row.dots else GROUP for row in rows)

    def share(value: float) -> float:
        return float(SIDE + (1 - 2 * SIDE) * (value - low) / (high - low))

    def marks() -> Iterator[str]:
        for tick in nice_ticks(low, high, MOST_TICKS):
            yield upright(share(tick), 0, bottom + 4, "grid")
            yield placed(share(tick), bottom + 16, label(0, 0, text_of(tick), "middle", "scale"))
        for value in lines:
            yield upright(share(value), 0, bottom + 4, "axis")
        top = 0.0
        for row in rows:
            if not row.dots:
                yield placed(0, top + GROUP - 6, label(0, 0, row.name, kind="group"))
                top += GROUP
                continue
            yield placed(0, top + 11, label(0, 0, row.name, kind="row-name"))
            yield placed(1, top + 11, label(0, 0, row.amount, "end", "row-amount"))
            middle = top + MIDDLE
            if row.guide is not None:
                yield upright(share(row.guide), top + 12, top + ROW, "bound")
            for dot in row.dots:
                if dot.span is not None:
                    yield across(share(dot.span[0]), share(dot.span[1]), middle, "whisker")
                    yield from (upright(share(end), middle - 4, middle + 4, "whisker") for end in dot.span)
            yield from (placed(share(dot.value), middle, dot.shape(0, 0, dot.kind)) for dot in row.dots)
            top += ROW

    return fluid_drawing(name, bottom + AXIS, title, gist, list(marks()))
