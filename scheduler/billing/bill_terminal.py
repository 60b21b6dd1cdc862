"""Write a bill for the reader: on the terminal as it would be printed, as CSV and as JSON."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from rich.console import Console
from rich.text import Text

from models.tariff.bill import BillLine, rounded
from scheduler.billing.bill import MeteredBill
from scheduler.billing.bill_line_text import KIND_TEXT, line_text
from scheduler.render.table import Cell, Column, Role, Table, csv_text, json_rows
from scheduler.render.terminal import print_list, print_table
from scheduler.textio.format import money_digits, money_text, number_text
from scheduler.textio.parse_time import local_text

WIDTH = 100
FORMAT = 1
CSV_COLUMNS = ("month", "kind", "line", "quantity", "unit", "unit_price", "amount", "exact_amount")


def show_bill(made: MeteredBill, console: Console) -> None:
    """Print the bill, month by month."""
    last = made.paper.end - timedelta(days=1)
    width = min(WIDTH, console.width)
    console.print(
        Text(f"{made.offer.name}: bill for {made.site.name}, {made.paper.begin} to {last}", style="bold"), width=width
    )
    print_table(_shown_table(made), console, width)
    print_list("", (*_read_from(made), *made.notes), console, width)


def bill_csv(made: MeteredBill) -> str:
    """Return CSV text, one row per line of the bill; `amount` as printed, `exact_amount` before rounding."""
    return csv_text(_line_table(made).only(CSV_COLUMNS))


def bill_json(made: MeteredBill) -> str:
    """Return the bill as JSON text: amounts as printed, and exact beside them."""
    document = {
        "format": FORMAT,
        "site": made.site.name,
        "offer": made.offer.name,
        "currency": made.offer.currency,
        "first_day": made.paper.begin.isoformat(),
        "last_day": (made.paper.end - timedelta(days=1)).isoformat(),
        "step_minutes": made.flows.step_minutes,
        "files_read": dict(made.layouts),
        "lines": [
            row | _demand_time(made, line)
            for row, line in zip(json_rows(_line_table(made)), made.paper.lines, strict=True)
        ],
        "sums": _sums(made),
        "total": total_on_paper(made),
        "exact_total": made.exact.total,
        "estimated_steps": made.flows.estimated,
        "notes": list(made.notes),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def total_on_paper(made: MeteredBill) -> float:
    """Return what is to be paid, the sum of the printed amounts [money]."""
    return rounded(made.paper.total, money_digits(made.offer.currency))


def _sums(made: MeteredBill) -> dict[str, float]:
    """Return the sum of the printed amounts of each kind on the bill, in the order they are printed [money]."""
    digits = money_digits(made.offer.currency)
    kinds = [kind for kind in KIND_TEXT if any(line.kind == kind for line in made.paper.lines)]
    return {kind: rounded(sum(each.amount for each in made.paper.lines if each.kind == kind), digits) for kind in kinds}


def _line_table(made: MeteredBill) -> Table:
    """Return the table for files, one row per line of the bill."""
    columns = (
        *(Column(key) for key in ("month", "kind", "line", "band")),
        Column("quantity", kind="number"),
        Column("unit"),
        Column("unit_price", kind="number"),
        Column("amount", unit=made.offer.currency, kind="money"),
        Column("exact_amount", kind="number"),
    )
    rows = (
        (
            f"{line.month:%Y-%m}",
            line.kind,
            line_text(line, made.offer, made.site.timezone),
            line.band,
            line.quantity,
            line.unit,
            line.unit_price,
            line.amount,
            exact.amount,
        )
        for line, exact in zip(made.paper.lines, made.exact.lines, strict=True)
    )
    return Table(columns, tuple(rows))


def _shown_table(made: MeteredBill) -> Table:
    """Return the table for readers: each month's lines and total, then each kind's sum and the total to pay."""
    currency = made.offer.currency
    columns = (
        Column(heading=""),
        Column(heading="Quantity", kind="number"),
        Column(heading=f"{currency} per unit", kind="number"),
        Column(heading=currency, unit=currency, kind="money"),
    )
    rows: list[tuple[Cell, ...]] = []
    roles: dict[int, Role] = {}
    for month in sorted({line.month for line in made.paper.lines}):
        lines = [line for line in made.paper.lines if line.month == month]
        roles[len(rows)] = "group"
        rows += [(f"{month:%B %Y}", "", "", ""), *(_cells(made, line) for line in lines)]
        roles[len(rows)] = "subtotal"
        rows.append((f"{month:%B} total", "", "", sum(line.amount for line in lines)))
    rows += [(f"{KIND_TEXT[kind]}, all months", "", "", amount) for kind, amount in _sums(made).items()]
    roles[len(rows)] = "total"
    rows.append(("To pay", "", "", total_on_paper(made)))
    return Table(columns, tuple(rows), roles=roles)


def _cells(made: MeteredBill, line: BillLine) -> tuple[str, str, str, float]:
    """Return the cells of a line: its name, quantity, price per unit and amount."""
    name = f"  {line_text(line, made.offer, made.site.timezone)}"
    if line.kind in ("tax", "discount"):
        return name, money_text(line.quantity, made.offer.currency), f"{line.unit_price:g} %", line.amount
    quantity = f"{number_text(line.quantity, 0 if line.unit == 'day' else 3)} {_unit(line)}"
    return name, quantity, _price(line.unit_price), line.amount


def _unit(line: BillLine) -> str:
    return f"{line.unit}s" if line.unit in ("day", "month") and line.quantity != 1 else line.unit


def _price(price: float) -> str:
    """Return a price with two to six decimals."""
    whole, _, decimals = number_text(price, 6).rstrip("0").partition(".")
    return f"{whole}.{decimals:0<2}"


def _read_from(made: MeteredBill) -> Iterator[str]:
    for file, layout in made.layouts.items():
        yield f"Read from {file}: {layout}."


def _demand_time(made: MeteredBill, line: BillLine) -> dict[str, Any]:
    return {} if line.at is None else {"at": local_text(line.at.to_pydatetime(), made.site.timezone)}
