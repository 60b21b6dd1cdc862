"""Other sizes of battery, charger and roof: what the bidirectional charger saves with each, as text and as a chart."""

from __future__ import annotations

from scheduler.comparison.conclusion import break_even_saving
from scheduler.comparison.conclusion_text import whole_money
from scheduler.comparison.hardware_text import payback_text
from scheduler.comparison.results import Comparison, SizedComparison
from scheduler.inputs.sizes_file import Size
from scheduler.render.dot_rows import Dot, DotRow, dot_rows
from scheduler.render.svg import diamond
from scheduler.render.table import Cell, Column, Table
from scheduler.textio.format import number_text


def size_text(size: Size, currency: str) -> str:
    """Return a size in few words: battery, charger, roof, price of the battery, as far as it says them.

    >>> size_text(Size(battery_kwh=58.0, charger_kw=7.4, solar_scale=1.5, battery_price=6900.0), "EUR")
    '58 kWh, 7.4 kW, roof × 1.5, 6900 EUR'
    """
    parts = []
    if size.battery_kwh is not None:
        parts.append(f"{size.battery_kwh:.6g} kWh")
    if size.charger_kw is not None:
        parts.append(f"{size.charger_kw:.6g} kW")
    if size.solar_scale is not None:
        parts.append(f"roof × {size.solar_scale:.6g}")
    if size.battery_price is not None:
        parts.append(whole_money(size.battery_price, currency))
    return ", ".join(parts)


def sizes_table(compared: Comparison) -> Table:
    """Return a row per size: the best offer with either charger, the yearly saving, and when it pays."""
    hardware = compared.request.hardware
    columns = [
        Column(heading="Size"),
        Column(heading="Best with a plain charger"),
        Column(heading="Best with the bidirectional"),
        Column(heading="The latter saves a year", unit=compared.currency, kind="money"),
        *([] if hardware is None else [Column(heading="Pays for itself after", kind="number")]),
    ]
    rows: list[tuple[Cell, ...]] = []
    for each in compared.sizes:
        found = each.compared
        row: list[Cell] = [
            size_text(each.size, compared.currency),
            found.best_without.inputs.offer.name,
            found.best.inputs.offer.name,
            found.yearly_saving,
        ]
        if hardware is not None:
            row.append(_payback(each))
        rows.append(tuple(row))
    return Table(tuple(columns), tuple(rows))


def sizes_chart(compared: Comparison) -> str:
    """Return an SVG with a dot per size: what the bidirectional charger saves a year."""
    least = break_even_saving(compared)
    rows = [
        DotRow(
            size_text(each.size, compared.currency),
            f"{number_text(each.compared.yearly_saving, 0)} {compared.currency}",
            (Dot(each.compared.yearly_saving, diamond, "bidirectional"),),
            least,
        )
        for each in compared.sizes
    ]
    gist = "; ".join(f"{row.name}: {row.amount}" for row in rows)
    title = f"What the bidirectional charger saves a year with each size, {compared.currency}"
    return dot_rows("sizes", rows, title, gist, lambda value: f"{value:,.10g}".replace("-", "−"), (0.0,))


def sizes_lead(compared: Comparison) -> str:
    """Return a sentence on what a row is."""
    return (
        f"Each row is a comparison of its own over the same {compared.request.days} days: both chargers planned anew "
        "for that size. The saving and the payback are those of the bidirectional charger; what a larger battery or "
        "roof costs is not in them."
    )


def _payback(each: SizedComparison) -> str:
    worth = each.worth
    if worth is None:
        return ""
    if worth.net_present_value >= 0:
        return payback_text(worth.discounted_payback_years)
    if worth.simple_payback_years is None:
        return "never"
    return f"never ({payback_text(worth.simple_payback_years)} without interest)"
