"""Two charts of a plan as inline SVG: power with prices, and state of charge.

Positions are by instants, so an hour that the clock shows twice or skips is as wide as it lasts.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import numpy as np

from models.base.arrays import FloatArray, runs
from scheduler.inputs.control_mode import CHARGING
from scheduler.optimizer.block import end_text, setting_text
from scheduler.plan_output.soc_chart import state_marks
from scheduler.plans.departures import TripOutcome
from scheduler.plans.plan import Plan
from scheduler.plans.tonight import tonights_blocks
from scheduler.render.scale import EDGE, LEFT, MOST_TICKS, WIDTH, Panel, nice_ticks
from scheduler.render.svg import (
    LINE,
    PATTERNS,
    Entry,
    area,
    bottom_axis,
    drawing,
    label,
    legend,
    line,
    rectangle,
    room_for,
    steps,
    triangle,
    value_axis,
)
from scheduler.render.time_axis import clock_changes, clock_ticks
from scheduler.textio.format import clock_text, number_text, percent_text, price_text, span_text

MOST_BLOCKS_NAMED = 6
"""Most blocks named in the gist; the page lists them all."""
SAME_PRICE = 1e-6
"""Share of a price by which it may change from one interval to the next and still be the same price [-]."""
HEADER = 14.0
"""Room over a panel for labels of times away and clock changes [px]."""


def power_chart(plan: Plan) -> str:
    """Return an SVG of what to set, power (drawn upwards, given downwards), and both prices, on one time axis."""
    night, setpoints, replayed = plan.night, plan.answer.setpoints, plan.replayed
    solar = night.solar_kw - setpoints.curtailed_kw
    up, down = night.load_kw + setpoints.charge_kw, solar + setpoints.discharge_kw
    highest, lowest = _round_up(up.max()), _round_up(down.max())
    power = Panel(86, 214, -max(lowest, highest / 6), max(highest, lowest / 6))
    prices = np.concatenate([replayed.import_price, replayed.export_price])
    price = Panel(256, 320, min(0.0, float(prices.min())), _above(prices))
    x, nothing = _positions(plan), np.zeros(night.intervals)
    powers = (
        ("load", "building", night.load_kw),
        ("charge", "charging", setpoints.charge_kw),
        ("solar", "solar", solar),
        ("discharge", "discharging", setpoints.discharge_kw),
    )
    used = [Entry(kind, name) for kind, name, values in powers if values.max() > 0]
    away = [] if night.at_home.all() else [Entry("away", "car away", "stretch")]
    lines = [Entry("import", "import price", "line"), Entry("export", "export price", "line")]
    price_ticks = nice_ticks(price.lowest, price.highest, 4)
    key, base = legend([*used, *lines, *away], 356)
    parts = [
        PATTERNS,
        *_behind(plan, x, power.top, price.bottom),
        *_settings(plan, x),
        label(LEFT, 64, "Power, kW: drawn upwards, given downwards"),
        *value_axis(power, nice_ticks(power.lowest, power.highest, 5), lambda value: f"{abs(value):g}"),
        area(x, power, nothing, night.load_kw, "load"),
        area(x, power, night.load_kw, up, "charge"),
        area(x, power, nothing, -solar, "solar"),
        area(x, power, -solar, -down, "discharge"),
        line(LEFT, power.y(0), EDGE, power.y(0), "axis"),
        label(LEFT, 235, f"Price, {plan.inputs.offer.currency} per kWh"),
        *value_axis(price, [0.0, float(prices.max()), price.lowest, *price_ticks], _axis_price),
        steps(x, price, replayed.import_price, "import"),
        steps(x, price, replayed.export_price, "export"),
        *_price_labels(x, price, replayed.import_price, replayed.export_price),
        *key,
    ]
    return drawing("power", base + 6, "What to set, power and prices", _power_gist(plan), parts)


def state_chart(plan: Plan) -> str:
    """Return an SVG of state of charge over time, with floor, ceiling, departure targets and times away."""
    panel = Panel(36, 182, 0.0, 100.0)
    bounds = _bounds(plan)
    ends = [percent for percent in (0.0, 100.0) if min(abs(percent - bound) for bound in bounds) >= 9]
    entries = [Entry("soc", "state of charge", "line")]
    if plan.trips:
        entries += [
            Entry("trip", "on a trip", "line"),
            Entry("target", "needed to leave", "none", lambda x, y: triangle(x, y - 6, "target")),
        ]
    key, base = legend(entries, 220)
    parts = [
        *_behind(plan, _positions(plan), panel.top, panel.bottom),
        label(LEFT, 13, "State of charge, %"),
        *value_axis(panel, ends, lambda value: f"{value:.0f}"),
        *value_axis(panel, bounds, lambda value: f"{value:g}", "bound"),
        *state_marks(plan, panel, _positions(plan)),
        *key,
    ]
    return drawing("soc", base + 8, "State of charge", _state_gist(plan), parts)


def _positions(plan: Plan) -> FloatArray:
    """Return where each boundary lies across the drawing [px], shape (n + 1,)."""
    seconds = plan.night.boundaries.as_unit("s").asi8.astype(np.float64)
    share = (seconds - seconds[0]) / (seconds[-1] - seconds[0])
    return np.asarray(LEFT + share * (EDGE - LEFT), dtype=np.float64)


def _settings(plan: Plan, x: FloatArray) -> Iterator[str]:
    """Yield a strip of the blocks, each with its number in the list of what to set where there is room."""
    tonight = [block for _, block in tonights_blocks(plan)]
    yield label(LEFT, 13, "To set, by number" if tonight else "To set: nothing")
    yield line(LEFT, 44, EDGE, 44, "grid")
    taken_until = 0.0
    for number, block in enumerate(tonight, 1):
        begin, end = x[block.first], x[block.last]
        gap = 0.8 if end - begin > 4 else 0.0
        kind = "charge" if block.action in CHARGING else "discharge"
        yield rectangle(begin + gap, 32, end - gap, 44, kind)
        half = room_for(str(number)) / 2
        middle = min((begin + end) / 2, WIDTH - half)
        if middle - half >= taken_until:
            yield label(middle, 29, str(number), "middle")
            taken_until = middle + half + 4


def _behind(plan: Plan, x: FloatArray, top: float, bottom: float) -> Iterator[str]:
    """Yield what lies behind a panel's marks: times away, the clock and its changes, labelled where there is room."""
    night = plan.night
    begin, end = night.boundaries[0], night.boundaries[-1]
    panel = Panel(top, bottom, 0.0, 1.0)
    taken: list[tuple[float, float]] = []
    names = []
    for change in clock_changes(begin, end, night.timezone):
        left, room = panel.x(change.share), room_for(change.label) + 3
        names.append(line(left, top - HEADER, left, bottom, "change"))
        backwards = left + room > WIDTH
        names.append(label(left + (-3 if backwards else 3), top - 3, change.label, "end" if backwards else "start"))
        taken.append((left - room, left) if backwards else (left, left + room))
    for first, last in runs(~night.at_home):
        yield rectangle(x[first], top - HEADER, x[last], bottom, "away")
        names += [line(edge, top - HEADER, edge, bottom, "edge") for edge in (x[first], x[last])]
        middle, half = (x[first] + x[last]) / 2, room_for("away") / 2
        free = all(middle + half < begins or middle - half > ends for begins, ends in taken)
        if x[last] - x[first] >= 2 * half and free:
            names.append(label(middle, top - 3, "away", "middle"))
    yield from bottom_axis(panel, clock_ticks(begin, end, night.timezone, MOST_TICKS))
    yield from names


def _price_labels(x: FloatArray, panel: Panel, *lines: FloatArray) -> Iterator[str]:
    """Yield prices over their lines where they hold long enough and no other line runs through the text."""
    for own, values in enumerate(lines):
        others = [other for at, other in enumerate(lines) if at != own]
        changes = np.flatnonzero(np.abs(np.diff(values)) > SAME_PRICE * np.abs(values[1:])) + 1
        for first, last in zip([0, *changes], [*changes, len(values)], strict=True):
            text, height = _axis_price(float(values[first])), panel.y(values[first])
            over = [height - panel.y(value) for other in others for value in other[first:last]]
            if x[last] - x[first] >= room_for(text) and not any(-1 <= each < LINE for each in over):
                yield label((x[first] + x[last]) / 2, height - 4, text, "middle")


def _power_gist(plan: Plan) -> str:
    night, setpoints = plan.night, plan.answer.setpoints
    taken, given = (float(night.hours @ each) for each in (setpoints.charge_kw, setpoints.discharge_kw))
    now = _at(plan, 0)
    tonight = [block for _, block in tonights_blocks(plan)]
    clauses = [
        f"{number}: {setting_text(block, night.setting.set_by)} "
        f"{span_text(_at(plan, block.first), _at(plan, block.last), night.timezone, now)}"
        f"{end_text(block.stop_percent, block.until_percent)}"
        for number, block in enumerate(tonight[:MOST_BLOCKS_NAMED], 1)
    ]
    more = len(tonight) - len(clauses)
    clauses += [f"and {more} more"] if more else []
    lowest, highest = float(plan.replayed.import_price.min()), float(plan.replayed.import_price.max())
    return (
        f"{'; '.join(clauses) or 'Nothing to set'}. The car takes {number_text(taken, 1)} kWh and gives "
        f"{number_text(given, 1)} kWh; import prices run from {price_text(lowest)} to {price_text(highest)} "
        f"{plan.inputs.offer.currency} per kWh. Every number is in schedule.csv."
    )


def _state_gist(plan: Plan) -> str:
    soc = 100 * plan.replayed.stored_kwh / plan.night.car.battery_kwh
    lowest = int(np.argmin(soc))
    floor, ceiling = _bounds(plan)
    departures = "".join(f" {_departure_gist(plan, outcome)}" for outcome in plan.trips)
    return (
        f"From {percent_text(float(soc[0]))} to {percent_text(float(soc[-1]))}, lowest "
        f"{percent_text(float(soc[lowest]))} at {clock_text(_at(plan, lowest), plan.night.timezone)}; floor "
        f"{floor:g} %, ceiling {ceiling:g} %.{departures}"
    )


def _departure_gist(plan: Plan, outcome: TripOutcome) -> str:
    return (
        f"The trip at {clock_text(outcome.trip.trip.depart_at, plan.night.timezone)} needs "
        f"{percent_text(outcome.target_percent)} and leaves with {percent_text(outcome.planned_percent)}"
        f"{', too little' if outcome.missed else ''}."
    )


def _bounds(plan: Plan) -> tuple[float, float]:
    """Return floor and ceiling [%]."""
    return plan.night.car.floor_percent, plan.night.car.ceiling_percent


def _at(plan: Plan, boundary: int) -> datetime:
    return plan.night.boundaries[boundary].to_pydatetime()


def _axis_price(price: float) -> str:
    """Return a price for the drawing: whole where there is no room for decimals."""
    text = price_text(price)
    return text if len(text) <= 6 else number_text(price, 0 if abs(price) >= 100 else 2)


def _above(prices: FloatArray) -> float:
    """Return the top of the price scale: the highest price, and always above the bottom."""
    top = max(0.0, float(prices.max()))
    return top if top > min(0.0, float(prices.min())) else 0.01


def _round_up(value: float) -> float:
    return max(1.0, float(np.ceil(value)))
