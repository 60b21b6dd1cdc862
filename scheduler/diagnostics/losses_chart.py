"""A chart of fitted losses as inline SVG: efficiency over power, measured points and the fitted curves.

Each direction has its own mark and its own line (full, dashed, dotted), so that they are curves apart without colour.
"""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from models.site.charger_losses import DIRECTIONS, Direction
from scheduler.diagnostics.losses import LossFit
from scheduler.render.scale import EDGE, LEFT, Panel, Tick, nice_step, nice_ticks
from scheduler.render.svg import (
    Entry,
    bottom_axis,
    circle,
    diamond,
    drawing,
    label,
    legend,
    line,
    polyline,
    square,
    value_axis,
)
from scheduler.textio.format import number_text

MARKS = {"charge": circle, "discharge": square, "round-trip": diamond}
CURVE_STEPS = 80


def losses_chart(fit: LossFit) -> str:
    """Return an SVG of efficiency over power at the AC side."""
    points = fit.table.points
    powers = [point.power_kw for point in points]
    curve_kw = np.geomspace(min(powers), max(powers), CURVE_STEPS)
    shown = [name for name in DIRECTIONS if name != "round-trip" or any(each.direction == name for each in points)]
    curves = {name: fit.fitted.efficiency_percent(name, curve_kw) for name in shown}
    lowest = min(min(float(each.min()) for each in curves.values()), *(each.efficiency_percent for each in points))
    step, to_right = nice_step(100 - max(lowest, 0.0)), _right_end(max(powers))
    panel = Panel(30, 236, max(0.0, step * math.floor(lowest / step)), 100.0, last=to_right)
    ticks = [Tick(power / to_right, f"{power:g}") for power in nice_ticks(0.0, to_right)]
    parts = [
        label(LEFT, 13, "Efficiency, %"),
        *value_axis(panel, nice_ticks(panel.lowest, 100.0), lambda percent: f"{percent:g}"),
        *bottom_axis(panel, ticks),
        line(LEFT, panel.bottom, EDGE, panel.bottom, "axis"),
        label(EDGE, 270, "Power at the AC side, kW", "end"),
    ]
    for name in shown:
        visible = curves[name] >= panel.lowest
        heights = np.array([panel.y(each) for each in curves[name][visible]])
        places = np.array([panel.x(each) for each in curve_kw[visible]])
        parts.append(polyline(places, heights, f"curve {name}"))
    for point in points:
        place = panel.x(point.power_kw), panel.y(point.efficiency_percent)
        parts.append(MARKS[point.direction](*place, f"mark {point.direction}"))
    key, base = legend(
        [Entry(f"curve {name}", name, "line", partial(MARKS[name], kind=f"mark {name}")) for name in shown], 292
    )
    return drawing("losses", base + 8, "Efficiency over power", _gist(fit, shown), [*parts, *key])


def _right_end(highest_kw: float) -> float:
    """Return where the scale of power ends [kW]: the next half step beyond the highest, so that its mark is inside."""
    half = nice_step(highest_kw) / 2
    return half * (math.floor(highest_kw / half) + 1)


def _gist(fit: LossFit, shown: list[Direction]) -> str:
    """Return a sentence on what the chart shows."""
    powers = [point.power_kw for point in fit.table.points]
    ends = np.array([min(powers), max(powers)])
    curves = []
    for name in shown:
        low, high = (number_text(float(each), 1) for each in fit.fitted.efficiency_percent(name, ends))
        curves.append(f"{name} from {low} % at {ends[0]:g} kW to {high} % at {ends[1]:g} kW")
    return f"Fitted: {'; '.join(curves)}. The measured points are in the table."
