"""Counted wear as text and tables, the same on the screen and on the page."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

from models.wear.counted import WearByLaw
from models.wear.law import CAPACITY_LOST_AT_END
from scheduler.diagnostics.wear import WearOfTrace
from scheduler.render.table import NOTHING, Cell, Column, Table, text_table
from scheduler.render.time_axis import SHORT_DAYS
from scheduler.textio.format import day_clock_text, money_text, number_text, sentence_case

MONEY_DIGITS = 3
"""Decimals of a small amount, one more than most currencies have: a night's wear is cents."""
LARGE_MONEY = 10.0
"""Amounts from here on are shown to the minor unit [money]."""
LAW_COLUMNS = ("Law", "Cycles, %", "Calendar, %", "Total, %", f"Total × {100 * CAPACITY_LOST_AT_END:g} %")


def headline(found: WearOfTrace) -> str:
    """Return one line on what the trace is and how long."""
    begin, end = span(found)
    what = "Battery wear" if found.site_name is None else f"{found.site_name}: battery wear"
    time_text = date_text if found.counted.hours / 24 >= SHORT_DAYS else day_clock_text
    span_of = f"from {time_text(begin, found.timezone)} to {time_text(end, found.timezone)}"
    return f"{what} over {_length_text(found)}, {span_of}"


def _length_text(found: WearOfTrace) -> str:
    """Return how long the trace is, in hours or days."""
    days = found.counted.hours / 24
    return f"{number_text(days, 1)} days" if days >= 2 else f"{number_text(found.counted.hours, 1)} hours"


def date_text(instant: datetime, timezone: str) -> str:
    """Return the local date of an instant, "2 March 2026"."""
    local = instant.astimezone(ZoneInfo(timezone))
    return f"{local.day} {local:%B %Y}"


def span(found: WearOfTrace) -> tuple[datetime, datetime]:
    """Return the first and the last instant of the trace."""
    instants = found.read.trace.instants
    return instants[0].to_pydatetime(), instants[-1].to_pydatetime()


def counted_text(found: WearOfTrace) -> str:
    """Return a phrase on how much was cycled."""
    cycles = found.counted.cycles
    deepest = 100 * float(cycles.depth.max(initial=0.0))
    return (
        f"{number_text(cycles.equivalent_full_cycles, 2)} equivalent full cycles in "
        f"{number_text(float(cycles.count.sum()), 1)} cycles, the deepest {number_text(deepest, 1)} %"
    )


def answer_text(found: WearOfTrace) -> str:
    """Return a sentence on how much life the trace used, by the law that finds least and the one that finds most."""
    long = _length_text(found)
    totals = [each.used.total for each in found.counted.by_law]
    low, high = life_text(min(totals)), life_text(max(totals))
    used = low if low == high else f"{low} to {high}"
    if found.battery_price is None:
        return f"In {long} the battery used {used} of its life, depending on the wear law"
    costs = [money(found, found.battery_price * share) for share in (min(totals), max(totals))]
    worth = costs[0] if costs[0] == costs[1] else " to ".join(costs)
    return f"In {long} the battery used {used} of its life, {worth} {unit(found)}, depending on the wear law"


def range_text(found: WearOfTrace) -> str:
    """Return a sentence on how far the laws lie apart."""
    totals = sorted((each.used.total, each.law) for each in found.counted.by_law)
    (least, by_least), (most, by_most) = totals[0], totals[-1]
    spread = f"from {life_text(least)} of the battery's life ({by_least}) to {life_text(most)} ({by_most})"
    if found.battery_price is not None:
        low, high = (money(found, found.battery_price * total) for total in (least, most))
        spread += f": {low} to {high} {unit(found)}"
    unaware = [f'"{each.law}"' for each in found.counted.by_law if not knows_time(each)]
    return (
        f"Wear ranges over the laws {spread}; {' and '.join(unaware)} leave out calendar ageing. Which law fits a "
        "battery matters more than any other number here."
    )


def law_table(found: WearOfTrace) -> Table:
    """Return a row per law: life used by cycles, by calendar ageing and in total, capacity lost, the cost if known."""
    rows: list[tuple[Cell, ...]] = []
    for each in found.counted.by_law:
        used = each.used
        row = (
            each.law,
            percent_number(used.by_cycles),
            percent_number(used.by_calendar) if knows_time(each) else None,
            percent_number(used.total),
            percent_number(CAPACITY_LOST_AT_END * used.total),
        )
        rows.append(row if each.cost is None else (*row, money(found, each.cost)))
    priced = () if found.battery_price is None else (f"Cost, {unit(found)}",)
    caption = (
        "Life used by cycles, by calendar ageing and in total; the total times the 20 % of its capacity that a battery "
        "has lost when its life ends."
    )
    return text_table((*LAW_COLUMNS, *priced), rows, caption)


def own_capacity_text(found: WearOfTrace) -> str:
    """Return a sentence on the capacity lost by the laws that have an equation for it."""
    known = [(each.law, each.used.capacity_lost) for each in found.counted.by_law]
    parts = [f'{life_text(lost)} ("{law}")' for law, lost in known if lost is not None]
    return f"By a law's own equation a battery of this age loses {' and '.join(parts)} of its capacity."


def depth_table(found: WearOfTrace) -> Table:
    """Return a row per bin of depth: its ends, cycles, and equivalent full cycles."""
    histogram = found.counted.histogram
    columns = (
        Column("from_percent"),
        Column("to_percent"),
        Column(heading="Depth"),
        Column("cycles", "Cycles", kind="number", digits=1),
        Column("equivalent_full_cycles", "Equivalent full cycles", kind="number", digits=2),
    )
    upper = histogram.edges_percent.tolist()
    ends = [(low, high, f"{low:g} to {high:g} %") for low, high in zip([0.0, *upper[:-1]], upper, strict=True)]
    counts = zip(histogram.cycles.tolist(), histogram.full_cycles.tolist(), strict=True)
    rows = tuple((*each, *numbers) for each, numbers in zip(ends, counts, strict=True))
    return Table(columns, rows, "Cycles that the trace does not close count half.")


def knows_time(each: WearByLaw) -> bool:
    """Return whether a law knows of calendar ageing."""
    return each.used.capacity_by_calendar is not None


def percent_number(share: float) -> str:
    """Return a share of life or capacity in percent, with enough digits for one night."""
    percent = 100 * share
    return number_text(percent, 2 if percent >= 1 else 3 if percent >= 0.1 else 4)


def life_text(share: float) -> str:
    """Return a share of life or capacity with its percent sign."""
    return f"{percent_number(share)} %"


def money(found: WearOfTrace, amount: float) -> str:
    """Return an amount of money; a small one has three decimals, since a night's wear is cents."""
    large = abs(amount) >= LARGE_MONEY
    return money_text(amount, found.currency or "") if large else number_text(amount, MONEY_DIGITS)


def unit(found: WearOfTrace) -> str:
    """Return the currency, or the word money where none is known."""
    return found.currency or "money"


def difference_table(found: WearOfTrace) -> Table | None:
    """Return a row per reason, from the counted wear to the plan's, without parts of 0; None without a plan."""
    difference = found.difference
    if difference is None:
        return None
    parts = (
        (
            difference.conditions,
            "the plan prices every cycle as one that begins at the car's ceiling, at one temperature",
        ),
        (difference.envelope, "the plan uses the law's convex envelope, which is never over the law"),
        (
            difference.segments,
            "the plan's price is straight between the edges of its segments, and never under the law",
        ),
        (
            difference.open_ends,
            "cycles that the plan leaves open count half, while the plan prices each kWh when it is discharged, "
            "and charging not at all",
        ),
        (
            difference.before,
            "what only the plan knew: how high the battery was before it began, and energy charged on the way",
        ),
    )
    least = 0.5 * 10**-MONEY_DIGITS
    reasons = [(sentence_case(reason), _signed(found, amount)) for amount, reason in parts if abs(amount) >= least]
    counted = (f'Counted, by law "{found.law_of_plan}"', money(found, difference.counted))
    rows = [counted, *reasons, ("What the plan charged for wear", money(found, difference.program))]
    caption = "From what counting finds to what the plan charged, one reason after another."
    return replace(text_table(("", unit(found)), rows, caption), roles={len(rows) - 1: "total"})


def options_text(found: WearOfTrace) -> str:
    """Return a sentence on the assumptions."""
    priced = "" if found.battery_price is None else f", a battery of {found.battery_price:g} {unit(found)}"
    aged = f"an age of {found.options.age_years:g} years"
    return f"Calculated for {_warm_text(found)} and {aged}{priced}. Life ends at 80 % of the capacity."


def options_of(found: WearOfTrace) -> list[tuple[str, str]]:
    """Return the assumptions by name."""
    price = NOTHING if found.battery_price is None else f"{found.battery_price:g} {unit(found)}"
    return [
        ("Battery's temperature", _warm_text(found)),
        ("Battery's age", f"{found.options.age_years:g} years"),
        ("Battery's price", price),
        ("End of life", "80 % of the capacity"),
    ]


def _warm_text(found: WearOfTrace) -> str:
    temps = found.read.trace.temp_degc
    low, high = float(temps.min()), float(temps.max())
    return f"{low:.3g} °C" if low == high else f"{low:.3g} to {high:.3g} °C"


def _signed(found: WearOfTrace, amount: float) -> str:
    return ("+" if amount > 0 else "") + money(found, amount)
