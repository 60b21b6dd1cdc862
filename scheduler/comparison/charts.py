"""The charts of a comparison as SVG: rankings, savings, months, and all nights by hour of day."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from models.base.arrays import FloatArray, IntArray, runs
from scheduler.comparison.conclusion import Conclusion, break_even_saving, ranking_of
from scheduler.comparison.conclusion_text import CHARGER_NAMES, assumption_text
from scheduler.comparison.results import ComparedOffer, Comparison
from scheduler.render.dot_rows import Dot, DotRow, MarkShape, dot_rows
from scheduler.render.palette import SERIES
from scheduler.render.scale import EDGE, Panel, nice_ticks
from scheduler.render.svg import (
    Entry,
    circle,
    diamond,
    drawing,
    label,
    legend,
    line,
    polyline,
    rectangle,
    square,
    triangle,
    value_axis,
)
from scheduler.textio.errors import shortened
from scheduler.textio.format import money_text, number_text

MOST_LETTERS = 28
"""Most letters of an offer's name beside its amount."""
SMALL, MOST_MONTH_NAMES = 220.0, 5
"""Width of one of many small charts [px], and up to how many months are named by more than their first letter there."""
MONTH_MARKS: dict[str, tuple[MarkShape, str]] = {
    "charge-on-return": (square, "now"),
    "charge-only": (circle, "plain"),
    "plan": (diamond, "bidirectional"),
}
"""Marks of the ways of using the car."""
MonthsByWay = Mapping[str, Sequence[tuple[date, float]]]
"""First day and total of each month [money], by way of using the car."""
DAY_TALLEST, PICTURE_HEIGHT = 6.0, 420.0
"""Most height of a day in the picture of all nights, and of the whole picture [px]."""
LEVELS_KW = (0.05, 1.0, 2.5, 5.0)
"""Lower edges of the shades [kW]."""
PICTURE_LEFT = 34.0
HOURS = (0, 6, 12, 18, 24)
"""Marked on the axis, counted from noon."""


def ranking_chart(found: Conclusion) -> str:
    """Return an SVG with a dot per charger and offer: its total, with the range of its distance from the first.

    A dashed line through the rows of a charger stands at its first; a range that reaches it is a tie. Today's offer,
    where it is named, is above them.
    """
    compared = found.compared
    rows: list[DotRow] = []
    told: list[str] = []

    def row(name: str, total: float, dot: Dot, guide: float | None = None) -> None:
        rows.append(DotRow(shortened(name, MOST_LETTERS), _amount(compared, total), (dot,), guide))
        told.append(f"{name} {money_text(total, compared.currency)}")

    if compared.today is not None:
        rows.append(DotRow("Today, charged on return"))
        total = compared.today.money["charge-on-return"].total
        row(compared.today.inputs.offer.name, total, Dot(total, square, "now"))
    for charger, shape in (("plain", circle), ("bidirectional", diamond)):
        ranking = ranking_of(found.own, charger)
        rows.append(DotRow(CHARGER_NAMES[charger]))
        first = ranking.totals[0]
        ranges = (None, *ranking.distances)
        for each, total, distance in zip(ranking.offers, ranking.totals, ranges, strict=True):
            span = None if distance is None else (first + distance[0], first + distance[1])
            row(each.inputs.offer.name, total, Dot(total, shape, charger, span), first)
    title = f"Total of each offer with either charger, {compared.currency}"
    return dot_rows("ranking", rows, title, "; ".join(told), _scale_text)


def saving_chart(found: Conclusion) -> str:
    """Return an SVG with a dot per wear law and battery price: what the bidirectional charger saves a year.

    A line stands at 0, and one at the saving from which the hardware pays.
    """
    compared, least = found.compared, break_even_saving(found.compared)
    rows = [
        DotRow(
            assumption_text(found, each),
            f"{number_text(each.yearly_saving, 0)} {compared.currency}",
            (Dot(each.yearly_saving, diamond, "bidirectional", each.saving_range),),
            least,
        )
        for each in found.shown
    ]
    gist = "; ".join(f"{row.name} {row.amount}" for row in rows)
    title = f"What the bidirectional charger saves a year by each wear law and battery price, {compared.currency}"
    return dot_rows("saving", rows, title, gist, _scale_text, (0.0,))


def places_chart(found: Conclusion, charger: str) -> str:
    """Return an SVG with a row per wear law and battery price, and in it a mark per offer at its total.

    Parameters
    ----------
    charger : "plain" or "bidirectional".

    Returns
    -------
    The chart, the whole `<svg>` element; an offer has the mark of `offer_marks` in every row.
    """
    marks = offer_marks(found)
    rows = []
    for each in found.shown:
        ranking = ranking_of(each, charger)
        dots = tuple(
            Dot(total, *marks[offer.name]) for offer, total in zip(ranking.offers, ranking.totals, strict=True)
        )
        first = shortened(ranking.best.inputs.offer.name, MOST_LETTERS)
        rows.append(DotRow(assumption_text(found, each), first, dots[::-1]))
    gist = "First by " + "; ".join(f"{row.name}: {row.amount}" for row in rows)
    title = f"Total of each offer by each wear law and battery price, {found.compared.currency}: {charger} charger"
    return dot_rows(f"places-{charger}", rows, title, gist, _scale_text)


def offer_marks(found: Conclusion) -> dict[str, tuple[MarkShape, str]]:
    """Return the mark of each offer and its class in the style sheet, by the offer's name in file names."""
    shapes = (circle, square, diamond, _triangle)
    return {
        each.name: (shapes[number % len(shapes)], f"share series{1 + number % len(SERIES)}")
        for number, each in enumerate(found.compared.offers)
    }


def offers_key(found: Conclusion) -> list[tuple[str, str]]:
    """Return each offer's mark as a small SVG, and its name."""
    marks = offer_marks(found)
    return [
        (
            f'<svg class="mark" viewBox="-7 -7 14 14" aria-hidden="true">{shape(0, 0, kind)}</svg>',
            offer.inputs.offer.name,
        )
        for offer in found.compared.offers
        for shape, kind in (marks[offer.name],)
    ]


def month_charts(
    compared: Comparison, by_offer: dict[str, dict[str, list[tuple[date, float]]]]
) -> list[tuple[str, str]]:
    """Return a small SVG for each offer, all on one scale: its total by month, for each way of using the car.

    Parameters
    ----------
    by_offer : totals by month [money], by the offer's name in file names and by way of using the car.

    Returns
    -------
    Each offer's name and its chart.
    """
    amounts = [amount for ways in by_offer.values() for kind in MONTH_MARKS for _, amount in ways[kind]]
    panel = Panel(8.0, 96.0, min(0.0, *amounts), max(1.0, *amounts), left=36.0, right=SMALL - 8.0)
    return [
        (each.inputs.offer.name, _months_panel(compared, each, panel, by_offer[each.name])) for each in compared.offers
    ]


def _months_panel(compared: Comparison, each: ComparedOffer, panel: Panel, ways: MonthsByWay) -> str:
    months = [month for month, _ in ways["plan"]]
    at = [panel.left + (number + 0.5) / len(months) * (panel.right - panel.left) for number in range(len(months))]

    def marks() -> Iterator[str]:
        yield from value_axis(panel, nice_ticks(panel.lowest, panel.highest, 4), _scale_text)
        yield line(panel.left, panel.y(0.0), panel.right, panel.y(0.0), "axis")
        for kind, (shape, style) in MONTH_MARKS.items():
            heights = [panel.y(amount) for _, amount in ways[kind]]
            yield polyline(np.array(at), np.array(heights), f"months {style}")
            yield from (shape(x, y, style) for x, y in zip(at, heights, strict=True))
        letters = 3 if len(months) <= MOST_MONTH_NAMES else 1
        for x, month in zip(at, months, strict=True):
            yield label(x, panel.bottom + 15, f"{month:%b}"[:letters], "middle", "scale")

    gist = "; ".join(
        f"{month:%B %Y}: " + ", ".join(money_text(ways[kind][number][1], compared.currency) for kind in MONTH_MARKS)
        for number, month in enumerate(months)
    )
    name = f"months-{each.name}"
    title = f"Total of each month under {each.inputs.offer.name}, {compared.currency}: on return, plain, bidirectional"
    return drawing(name, panel.bottom + 20, title, gist, list(marks()), SMALL)


def months_key() -> list[tuple[str, str]]:
    """Return the mark of each way of using the car in the charts of months as a small SVG, and its name."""
    names = ("charged on return", "plain charger, timed well", "bidirectional charger")
    return [(_small_mark(*mark), name) for mark, name in zip(MONTH_MARKS.values(), names, strict=True)]


def _small_mark(shape: MarkShape, kind: str) -> str:
    return f'<svg class="mark" viewBox="-7 -7 14 14" aria-hidden="true">{shape(0, 0, kind)}</svg>'


def _triangle(x: float, y: float, kind: str) -> str:
    """Return a triangle around (x, y)."""
    return triangle(x, y - 4.5, kind)


def _scale_text(value: float) -> str:
    return f"{value:,.10g}".replace("-", "−")


def _amount(compared: Comparison, amount: float) -> str:
    return f"{money_text(amount, compared.currency)} {compared.currency}"


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
