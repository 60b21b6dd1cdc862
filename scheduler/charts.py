"""Two charts of a plan as inline SVG: power with prices, and state of charge.

Written directly and not by a plotting library: the marks are few, they take their colours from the page (so that they
follow light and dark), each chart carries its title and gist in words, and a command that answers in a second does not
load a library that takes half of one. Positions are by instants, so a clock change leaves a gap or a doubled hour in
the labels and none in the picture.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from models.arrays import FloatArray
from scheduler.plan import Plan
from scheduler.wording import clock_words, number_words, percent_words, price_words

WIDTH, LEFT, RIGHT = 380.0, 40.0, 8.0
HOUR_STEPS = (3, 6, 12, 24)
MOST_TICKS = 9


@dataclass(frozen=True, slots=True)
class Panel:
    """A stretch of the drawing with a scale: top and bottom [px], lowest and highest value."""

    top: float
    bottom: float
    lowest: float
    highest: float

    def y(self, value: float) -> float:
        """Height of a value on the page [px]."""
        return self.bottom - (value - self.lowest) / (self.highest - self.lowest) * (self.bottom - self.top)


def power_chart(plan: Plan) -> str:
    """Power by time, what is drawn upwards and what is given downwards, with import and export price below."""
    night, setpoints = plan.night, plan.answer.setpoints
    solar = night.solar_kw - setpoints.curtailed_kw
    up, down = night.load_kw + setpoints.charge_kw, solar + setpoints.discharge_kw
    power = Panel(22, 168, -_round_up(down.max()), _round_up(up.max()))
    prices = np.concatenate([night.import_price, night.export_price])
    price = Panel(196, 262, min(0.0, float(prices.min())), max(float(prices.max()), 0.01))
    nothing = np.zeros(night.intervals)
    parts = [
        *_away(plan, power.top, price.bottom),
        *_scale(power, [power.lowest, 0.0, power.highest], lambda value: number_words(abs(value), 0)),
        _label(LEFT, 13, "kW: drawn upwards, given downwards"),
        _bars(plan, power, nothing, night.load_kw, "load"),
        _bars(plan, power, night.load_kw, up, "charge"),
        _bars(plan, power, nothing, -solar, "solar"),
        _bars(plan, power, -solar, -down, "discharge"),
        _line(LEFT, power.y(0), WIDTH - RIGHT, power.y(0), "axis"),
        _label(LEFT, 189, f"Price, {plan.inputs.offer.currency} per kWh"),
        *_scale(price, [price.lowest, price.highest], price_words),
        _steps(plan, price, night.import_price, "import"),
        _steps(plan, price, night.export_price, "export"),
        *_hours(plan, price.bottom),
    ]
    return _svg("power", 282, "Power and prices", _power_gist(plan), parts)


def state_chart(plan: Plan) -> str:
    """State of charge by time, with floor, ceiling, departure targets and times away."""
    _night, car = plan.night, plan.night.car
    soc = 100 * plan.replayed.stored_kwh / car.battery_kwh
    panel = Panel(22, 150, 0.0, 100.0)
    x = _positions(plan)
    points = " ".join(f"{_n(left)},{_n(panel.y(value))}" for left, value in zip(x, soc, strict=True))
    parts = [
        *_away(plan, panel.top, panel.bottom),
        *_scale(panel, [0, 50, 100], lambda value: f"{value:.0f}"),
        _label(LEFT, 13, "State of charge, %"),
    ]
    for name, percent in (("floor", car.floor_percent), ("ceiling", car.ceiling_percent)):
        height = panel.y(percent)
        parts.append(_line(LEFT, height, WIDTH - RIGHT, height, "bound"))
        parts.append(_label(WIDTH - RIGHT - 2, height - 3, f"{name} {percent:g}", "end"))
    parts.append(f'<polyline class="soc" points="{points}"/>')
    for outcome in plan.trips:
        left, height = x[outcome.trip.depart], panel.y(outcome.target_percent)
        corners = f"{_n(left)},{_n(height)} {_n(left - 5)},{_n(height + 9)} {_n(left + 5)},{_n(height + 9)}"
        parts.append(f'<polygon class="target" points="{corners}"/>')
        beside, anchor = (left + 7, "start") if left < WIDTH - 90 else (left - 7, "end")
        parts.append(_label(beside, height + 9, f"needs {percent_words(outcome.target_percent)}", anchor))
    parts += _hours(plan, panel.bottom)
    return _svg("soc", 170, "State of charge", _state_gist(plan, soc), parts)


def _positions(plan: Plan) -> FloatArray:
    """Where each boundary lies across the page [px], shape (n + 1,)."""
    seconds = plan.night.boundaries.as_unit("s").asi8.astype(np.float64)
    share = (seconds - seconds[0]) / (seconds[-1] - seconds[0])
    return np.asarray(LEFT + share * (WIDTH - LEFT - RIGHT), dtype=np.float64)


def _bars(plan: Plan, panel: Panel, begin: FloatArray, end: FloatArray, kind: str) -> str:
    """One path of bars from one value to another in each interval."""
    x = _positions(plan)
    path = "".join(
        f"M{_n(x[t])} {_n(panel.y(begin[t]))}H{_n(x[t + 1])}V{_n(panel.y(end[t]))}H{_n(x[t])}Z"
        for t in range(plan.night.intervals)
        if abs(end[t] - begin[t]) > 1e-6
    )
    return f'<path class="{kind}" d="{path}"/>' if path else ""


def _steps(plan: Plan, panel: Panel, values: FloatArray, kind: str) -> str:
    x = _positions(plan)
    path = f"M{_n(x[0])} {_n(panel.y(values[0]))}"
    path += "".join(f"V{_n(panel.y(value))}H{_n(right)}" for value, right in zip(values, x[1:], strict=True))
    return f'<path class="{kind}" d="{path}"/>'


def _away(plan: Plan, top: float, bottom: float) -> Iterator[str]:
    """Shaded times in which the car is away, named where there is room."""
    x = _positions(plan)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], ~plan.night.at_home, [False]]).astype(np.int8)))
    for first, last in edges.reshape(-1, 2):
        width = x[last] - x[first]
        yield f'<rect class="away" x="{_n(x[first])}" y="{_n(top)}" width="{_n(width)}" height="{_n(bottom - top)}"/>'
        if width > 34:
            yield _label((x[first] + x[last]) / 2, top + 11, "away", "middle")


def _hours(plan: Plan, bottom: float) -> Iterator[str]:
    """Local clock hours under a panel, as many as have room."""
    night, x = plan.night, _positions(plan)
    begin, end = night.boundaries[0], night.boundaries[-1]
    every = next((step for step in HOUR_STEPS if (end - begin) / pd.Timedelta(hours=step) <= MOST_TICKS), 24)
    zone = ZoneInfo(night.timezone)
    for instant in pd.date_range(begin.ceil("30min"), end, freq="30min"):
        local = instant.tz_convert(zone)
        if local.minute or local.hour % every:
            continue
        left = x[0] + (instant - begin) / (end - begin) * (x[-1] - x[0])
        text = f"{local:%a}" if every == 24 or local.hour == 0 else f"{local:%H:%M}"
        yield _line(left, bottom, left, bottom + 4, "axis")
        yield _label(min(max(left, LEFT + 12), WIDTH - 17), bottom + 15, text, "middle")


def _scale(panel: Panel, values: Sequence[float], words: object) -> Iterator[str]:
    for value in values:
        height = panel.y(value)
        yield _line(LEFT, height, WIDTH - RIGHT, height, "grid")
        yield _label(LEFT - 4, height + 3.5, words(value), "end")  # type: ignore[operator]


def _svg(name: str, height: float, title: str, gist: str, parts: Sequence[str]) -> str:
    """The whole drawing, with its title and its gist in words."""
    return (
        f'<svg class="chart" viewBox="0 0 {WIDTH:.0f} {height:.0f}" role="img" '
        f'aria-labelledby="{name}-title {name}-gist">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-gist">{escape(gist)}</desc>'
        '<defs><pattern id="' + name + '-up" width="5" height="5" patternUnits="userSpaceOnUse">'
        '<path class="hatch" d="M0 5L5 0"/></pattern></defs>' + "".join(parts) + "</svg>"
    )


def _line(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<path class="{kind}" d="M{_n(x1)} {_n(y1)}L{_n(x2)} {_n(y2)}"/>'


def _label(x: float, y: float, text: str, anchor: str = "start") -> str:
    return f'<text x="{_n(x)}" y="{_n(y)}" text-anchor="{anchor}">{escape(text)}</text>'


def _power_gist(plan: Plan) -> str:
    night, setpoints = plan.night, plan.answer.setpoints
    taken, given = (float(night.hours @ each) for each in (setpoints.charge_kw, setpoints.discharge_kw))
    cheap, dear = float(night.import_price.min()), float(night.import_price.max())
    return (
        f"The car takes {number_words(taken, 1)} kWh and gives {number_words(given, 1)} kWh; import prices run from "
        f"{price_words(cheap)} to {price_words(dear)}. Every number is in schedule.csv."
    )


def _state_gist(plan: Plan, soc: FloatArray) -> str:
    lowest = int(np.argmin(soc))
    when = clock_words(plan.night.boundaries[lowest].to_pydatetime(), plan.night.timezone)
    return (
        f"From {percent_words(float(soc[0]))} to {percent_words(float(soc[-1]))}, lowest "
        f"{percent_words(float(soc[lowest]))} at {when}."
    )


def _round_up(value: float) -> float:
    return max(1.0, float(np.ceil(value)))


def _n(value: float) -> str:
    return f"{value:.1f}"
