"""The charts of a comparison as SVG: ranked bars, months, and all nights by hour of day."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.base.arrays import FloatArray, IntArray, runs
from scheduler.comparison.results import ComparedOffer, Comparison
from scheduler.render.scale import EDGE, LEFT, WIDTH, Panel, Tick, nice_ticks
from scheduler.render.svg import (
    PATTERNS,
    Entry,
    bottom_axis,
    drawing,
    label,
    legend,
    line,
    rectangle,
    value_axis,
)
from scheduler.textio.errors import shortened
from scheduler.textio.format import money_text, number_text

MOST_LETTERS = 28
"""Most letters of an offer's name beside its amount."""
BAR, ROW = 16.0, 44.0
"""Height of a bar and of its row [px]."""
DAY_TALLEST, PICTURE_HEIGHT = 6.0, 420.0
"""Most height of a day in the picture of all nights, and of the whole picture [px]."""
LEVELS_KW = (0.05, 1.0, 2.5, 5.0)
"""Lower edges of the shades [kW]."""
PICTURE_LEFT = 34.0
HOURS = (0, 6, 12, 18, 24)
"""Marked on the axis, counted from noon."""


def ranking_chart(compared: Comparison) -> str:
    """Return an SVG with one bar per offer: its total, with the range if whole weeks are resampled."""
    totals = [each.money["plan"].total for each in compared.offers]
    ranges = [compared.ranges[each.name] for each in compared.offers]
    ends = [0.0, *totals, *(end for found in ranges if found is not None for end in found)]
    low, high = min(ends), max(max(ends), min(ends) + 1.0)
    left, right = 8.0, WIDTH - 8.0
    x = Panel(0.0, 1.0, 0.0, 1.0, first=low, last=high, left=left, right=right).x

    def marks() -> Iterator[str]:
        for row, (each, total, found) in enumerate(zip(compared.offers, totals, ranges, strict=True)):
            top = 4 + ROW * row
            amount = f"{money_text(total, compared.currency)} {compared.currency}"
            yield label(left + 4, top + 12, shortened(each.inputs.offer.name, MOST_LETTERS))
            yield label(right, top + 12, amount, "end")
            yield rectangle(min(x(0), x(total)), top + 18, max(x(0), x(total)), top + 18 + BAR, "bar")
            if found is not None:
                middle = top + 18 + BAR / 2
                yield line(x(found[0]), middle, x(found[1]), middle, "whisker")
                yield from (line(x(end), middle - 5, x(end), middle + 5, "whisker") for end in found)
        yield line(x(0), 4, x(0), 4 + ROW * len(totals), "axis")

    gist = "; ".join(
        f"{each.inputs.offer.name} {money_text(total, compared.currency)}"
        + ("" if found is None else f", range {number_text(found[0], 0)} to {number_text(found[1], 0)}")
        for each, total, found in zip(compared.offers, totals, ranges, strict=True)
    )
    return drawing("ranking", 8 + ROW * len(totals), f"Total cost, {compared.currency}", gist, list(marks()))


def months_chart(compared: Comparison, by_way: dict[str, list[tuple[date, float]]]) -> str:
    """Return an SVG with three bars per month for the first offer: charged on return, only charged, as planned.

    Parameters
    ----------
    by_way : totals by month [money], by way of using the car.

    Returns
    -------
    The chart, the whole `<svg>` element.
    """
    months = [month for month, _ in by_way["plan"]]
    values = {kind: [amount for _, amount in by_way[kind]] for kind in ("charge-on-return", "charge-only", "plan")}
    highest = max(1.0, *(max(each) for each in values.values()))
    lowest = min(0.0, *(min(each) for each in values.values()))
    panel = Panel(12.0, 150.0, lowest, highest)
    width, y = (EDGE - LEFT) / len(months), panel.y
    styles = {"charge-on-return": "load", "charge-only": "charge", "plan": "discharge"}
    names = ("on return", "only charged", "as planned")
    key, base = legend([Entry(style, name) for style, name in zip(styles.values(), names, strict=True)], 183.0)

    def marks() -> Iterator[str]:
        yield PATTERNS
        yield from value_axis(panel, nice_ticks(lowest, highest, 5), lambda value: f"{value:g}".replace("-", "−"))
        each = min(width * 0.27, 26.0)
        for number in range(len(months)):
            begin = LEFT + width * number + (width - 3 * each) / 2
            for place, (kind, amounts) in enumerate(values.items()):
                left, amount = begin + each * place, amounts[number]
                yield rectangle(left, y(max(amount, 0.0)), left + each * 0.86, y(min(amount, 0.0)), styles[kind])
        ticks = [Tick((number + 0.5) / len(months), f"{month:%b}") for number, month in enumerate(months)]
        yield from bottom_axis(panel, ticks, lines=False)
        yield line(LEFT, y(0.0), EDGE, y(0.0), "axis")
        yield from key

    gist = "; ".join(
        f"{month:%B %Y}: " + ", ".join(money_text(values[kind][number], compared.currency) for kind in values)
        for number, month in enumerate(months)
    )
    return drawing(
        "months",
        base + 7,
        f"Total of each month, {compared.currency}: charged on return, only charged, as planned",
        gist,
        list(marks()),
    )


@dataclass(frozen=True, slots=True, eq=False)
class NightPicture:
    """Power and energy by night and hour on the local clock, each of shape (nights, 24).

    Attributes
    ----------
    days : first local day of each night, which runs from noon to noon.
    discharge_kw, charge_kw : mean power [kW]; 0 in a skipped hour and outside the days compared.
    discharge_kwh, charge_kwh : energy [kWh]; a doubled hour has that of both.
    """

    days: tuple[date, ...]
    discharge_kw: FloatArray
    charge_kw: FloatArray
    discharge_kwh: FloatArray
    charge_kwh: FloatArray


def night_picture(each: ComparedOffer) -> NightPicture:
    """Return charge and discharge as planned, by night and by hour since noon on the local clock."""
    flows, timezone = each.flows["plan"], each.inputs.site.timezone
    first = each.first - timedelta(days=1)
    days = (each.last - first).days + 1
    grids = {name: np.zeros(days * 24) for name in ("discharge_kwh", "charge_kwh")}
    hours = np.zeros(days * 24)
    wall = flows.start.tz_convert(timezone).tz_localize(None).as_unit("s").asi8
    noon = int(np.datetime64(first, "s").astype(np.int64)) + 12 * 3600
    begin = wall - noon
    remaining = flows.minutes.astype(np.float64) * 60
    length = remaining.copy()
    while (left := remaining > 0).any():
        cell = np.asarray(begin // 3600, dtype=np.int64)
        piece = np.minimum(remaining, (cell + 1) * 3600 - begin) * left
        at = np.clip(cell, 0, days * 24 - 1)
        np.add.at(hours, at, piece / 3600)
        for name, grid in grids.items():
            np.add.at(grid, at, flows.energy[name] * piece / length)
        begin, remaining = np.asarray(begin + piece, dtype=np.int64), remaining - piece
    with np.errstate(invalid="ignore", divide="ignore"):
        power = {name: np.where(hours > 0, grid / hours, 0.0).reshape(days, 24) for name, grid in grids.items()}
    energy = {name: grid.reshape(days, 24) for name, grid in grids.items()}
    return NightPicture(
        tuple(first + timedelta(days=day) for day in range(days)),
        power["discharge_kwh"],
        power["charge_kwh"],
        energy["discharge_kwh"],
        energy["charge_kwh"],
    )


def nights_chart(picture: NightPicture, give: bool) -> str:
    """Return an SVG with one row per night from noon to noon: the darker, the more power.

    Parameters
    ----------
    give : whether it shows discharging, or else charging.

    Returns
    -------
    The chart, the whole `<svg>` element.
    """
    power = picture.discharge_kw if give else picture.charge_kw
    day = min(DAY_TALLEST, PICTURE_HEIGHT / len(picture.days))
    top, width = 18.0, (EDGE - PICTURE_LEFT) / 24
    bottom = top + day * len(picture.days)
    side = "give" if give else "take"
    names = ("over 0", *(f"{low:g}" for low in LEVELS_KW[1:-1]), f"{LEVELS_KW[-1]:g} kW or more")
    key, base = legend([Entry(f"{side} shade{level}", name) for level, name in enumerate(names, 1)], bottom + 17)
    shade: IntArray = np.searchsorted(np.array(LEVELS_KW), power, side="right")

    def marks() -> Iterator[str]:
        yield rectangle(PICTURE_LEFT, top, PICTURE_LEFT + 24 * width, bottom, "ground")
        for level in range(1, len(LEVELS_KW) + 1):
            path = "".join(_cells(shade == level, top, day, width))
            if path:
                yield f'<path class="{side} shade{level}" d="{path}"/>'
        for number, month in _month_starts(picture.days):
            yield line(PICTURE_LEFT, top + day * number, PICTURE_LEFT + 24 * width, top + day * number, "grid")
            yield label(PICTURE_LEFT - 4, top + day * number + 10, f"{month:%b}", "end", "scale")
        for hour in HOURS:
            x = PICTURE_LEFT + width * hour
            yield line(x, top, x, bottom, "grid")
            yield label(x, top - 5, f"{(hour + 12) % 24:02}", "middle", "scale")
        yield from key

    what = "gives" if give else "takes"
    by_hour = (picture.discharge_kwh if give else picture.charge_kwh).sum(axis=0)
    busiest = int(np.argmax(by_hour))
    gist = f"{len(picture.days)} rows from noon to noon. The car {what} nothing."
    if by_hour.sum() > 0:
        gist = (
            f"{len(picture.days)} rows from noon to noon. The car {what} {number_text(float(by_hour.sum()), 0)} kWh "
            f"in total, most of it between {(busiest + 12) % 24:02}:00 and {(busiest + 13) % 24:02}:00."
        )
    return drawing(
        f"nights-{what}", base + 7, f"When the car {what}, night by night from noon to noon", gist, list(marks())
    )


def _cells(here: np.ndarray, top: float, day: float, width: float) -> Iterator[str]:
    """Yield a rectangle, as commands of an SVG path, for each run of hours of a night."""
    for row in range(len(here)):
        for begin, end in runs(here[row]):
            x, y = PICTURE_LEFT + width * begin, top + day * row
            across = width * (end - begin)
            yield f"M{x:.1f} {y:.2f}h{across:.1f}v{day:.2f}h{-across:.1f}z"


def _month_starts(days: Sequence[date]) -> Iterator[tuple[int, date]]:
    """Yield number and date of the first day of each month; a first month of few days is left out."""
    for number, day in enumerate(days):
        if day.day == 1 or (number == 0 and day.day < 20):
            yield number, day
