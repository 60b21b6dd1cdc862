"""A chart of fitted losses as inline SVG: efficiency over power, measured points and the fitted curves.

Each direction has its own mark and its own line (full, dashed, dotted), so that they are told apart without colour.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from models.site.charger_losses import DIRECTIONS, Direction
from scheduler.diagnostics.losses import LossFit
from scheduler.render.svg import (
    LEFT,
    RIGHT,
    WIDTH,
    Panel,
    across,
    circle,
    diamond,
    drawing,
    label,
    line,
    polyline,
    square,
)
from scheduler.textio.format import number_text

MARKS = {"charge": circle, "discharge": square, "round-trip": diamond}
CURVE_STEPS = 80
MOST_TICKS = 8
TICK_STEPS = (1, 2, 5)


def losses_chart(made: LossFit) -> str:
    """Efficiency over power at the AC side."""
    points = made.table.points
    powers = [point.power_kw for point in points]
    curve_kw = np.geomspace(min(powers), max(powers), CURVE_STEPS)
    shown = [name for name in DIRECTIONS if name != "round-trip" or any(each.direction == name for each in points)]
    curves = {name: made.fitted.efficiency_percent(name, curve_kw) for name in shown}
    lowest = min(min(float(each.min()) for each in curves.values()), *(each.efficiency_percent for each in points))
    step = tick_step(100 - max(lowest, 0.0))
    panel = Panel(30, 236, max(0.0, step * math.floor(lowest / step)), 100.0)
    to_right = _right_end(max(powers))
    parts = [
        label(LEFT, 13, "Efficiency, %"),
        *_scales(panel, step, to_right),
        label(WIDTH - RIGHT, 270, "Power at the AC side, kW", "end"),
    ]
    for name in shown:
        visible = curves[name] >= panel.lowest
        heights = np.array([panel.y(each) for each in curves[name][visible]])
        places = np.array([across(each / to_right) for each in curve_kw[visible]])
        parts.append(polyline(places, heights, f"curve {name}"))
    for point in points:
        mark = MARKS[point.direction]
        parts.append(
            mark(across(point.power_kw / to_right), panel.y(point.efficiency_percent), f"mark {point.direction}")
        )
    parts += _key(shown)
    return drawing("losses", 300, "Efficiency over power", _gist(made, shown), parts)


def tick_step(span: float) -> float:
    """The smallest of 1, 2, 5, 10, 20, … (or 0.1, 0.2, …) that divides a span into at most MOST_TICKS."""
    unit = 10.0 ** math.floor(math.log10(span / MOST_TICKS))
    return next(each * unit for each in (*TICK_STEPS, 10, 20) if span <= each * unit * MOST_TICKS)


def _right_end(highest_kw: float) -> float:
    """Where the scale of power ends: the next half step beyond the highest, so that its mark is inside."""
    half = tick_step(highest_kw) / 2
    return half * (math.floor(highest_kw / half) + 1)


def _scales(panel: Panel, step: float, to_right: float) -> Iterator[str]:
    """Lines and numbers of both scales."""
    for number in range(round((panel.highest - panel.lowest) / step) + 1):
        percent = panel.lowest + number * step
        height = panel.y(percent)
        yield line(LEFT, height, WIDTH - RIGHT, height, "grid")
        yield label(LEFT - 5, height + 4, f"{percent:g}", "end", "scale")
    apart = tick_step(to_right)
    for number in range(math.floor(to_right / apart + 1e-9) + 1):
        left = across(number * apart / to_right)
        yield line(left, panel.top, left, panel.bottom + 4, "grid")
        yield label(left, panel.bottom + 17, f"{number * apart:g}", "middle", "scale")
    yield line(LEFT, panel.bottom, WIDTH - RIGHT, panel.bottom, "axis")


def _key(shown: list[Direction]) -> Iterator[str]:
    """What marks and lines stand for, under the drawing."""
    left = 8.0
    for name in shown:
        yield line(left, 288, left + 30, 288, f"curve {name}")
        yield MARKS[name](left + 15, 288, f"mark {name}")
        yield label(left + 36, 292, name)
        left += 46 + 7 * len(name)


def _gist(made: LossFit, shown: list[Direction]) -> str:
    """The chart in words."""
    powers = [point.power_kw for point in made.table.points]
    ends = np.array([min(powers), max(powers)])
    told = []
    for name in shown:
        low, high = (number_text(float(each), 1) for each in made.fitted.efficiency_percent(name, ends))
        told.append(f"{name} from {low} % at {ends[0]:g} kW to {high} % at {ends[1]:g} kW")
    return f"Fitted: {'; '.join(told)}. The measured points are in the table."
