"""What was earned by month, as a drawing."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from scheduler.record.totals import Totals
from scheduler.render.scale import EDGE, LEFT, Panel, nice_step, nice_ticks
from scheduler.render.svg import Entry, drawing, label, legend, line, rectangle, value_axis
from scheduler.textio.format import money_digits, money_text, number_text

TOP, HEIGHT = 26.0, 150.0
MOST_MONTHS = 12
"""Months that have room side by side."""
BAR_SHARE = 0.36
"""Width of a bar, of the room of its month [-]."""
LEAST_SPAN = 0.5
"""Least height of the scale [money]."""


def earned_chart(months: Sequence[Totals]) -> str:
    """Return a drawing of the last twelve months' earnings against charging on return and against only charging.

    Parameters
    ----------
    months : in time order, at least one.
    """
    shown = list(months)[-MOST_MONTHS:]
    currency = shown[-1].currency
    amounts = [value for month in shown for value in (month.earned_on_return, month.earned_charge_only)]
    lowest, highest = min(0.0, *amounts), max(0.0, *amounts)
    if highest - lowest < LEAST_SPAN:
        highest = lowest + LEAST_SPAN
    step = nice_step(highest - lowest, 5)
    lowest, highest = _down(lowest, step), -_down(-highest, step)
    panel = Panel(top=TOP, bottom=TOP + HEIGHT, lowest=lowest, highest=highest, first=0.0, last=float(len(shown)))
    digits = 0 if step >= 1 else money_digits(currency)
    parts = list(value_axis(panel, nice_ticks(lowest, highest, 5), lambda value: number_text(value, digits)))
    parts += [label(2.0, TOP - 14, currency, kind="scale"), line(LEFT, panel.y(0), EDGE, panel.y(0), "axis")]
    room = (EDGE - LEFT) / len(shown)
    width = min(BAR_SHARE * room, 26.0)
    for number, month in enumerate(shown):
        middle = panel.x(number + 0.5)
        for left, value, kind in (
            (middle - width - 1, month.earned_on_return, "share series3"),
            (middle + 1, month.earned_charge_only, "discharge"),
        ):
            top, bottom = sorted((panel.y(value), panel.y(0.0)))
            parts.append(rectangle(left, top, left + width, bottom, kind))
        parts.append(label(middle, panel.bottom + 16, _short(month.name, number, len(shown)), "middle", "scale"))
    entries = [
        Entry("share series3", "cheaper than charging on return"),
        Entry("discharge", "cheaper than only charging"),
    ]
    marks, baseline = legend(entries, panel.bottom + 42)
    total = money_text(sum(month.earned_on_return for month in shown), currency)
    gist = "; ".join(
        f"{month_name(month.name)}: {money_text(month.earned_on_return, currency)} and "
        f"{money_text(month.earned_charge_only, currency)} {currency}"
        for month in shown
    )
    title = f"By how much nights were cheaper, by month: {total} {currency} against charging on return"
    return drawing("earned", min(baseline + 8, TOP + HEIGHT + 100), title, f"{gist}.", [*parts, *marks])


def month_name(name: str) -> str:
    """Return a month in words.

    >>> month_name("2026-03")
    'March 2026'
    """
    return f"{date.fromisoformat(f'{name}-01'):%B %Y}"


def _short(name: str, number: int, count: int) -> str:
    """Return a month as it stands under its bars, with its year where that begins."""
    month = date.fromisoformat(f"{name}-01")
    if count > 8:
        return f"{month:%b}"[:1] if number and month.month != 1 else f"{month:%b}"
    return f"{month:%b}" if number and month.month != 1 else f"{month:%b %Y}"


def _down(value: float, step: float) -> float:
    """Return the multiple of a step at or under a value."""
    return step * (value // step)
