"""A bill for the reader: on the terminal as it would be printed, as CSV and as JSON."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from models.tariff.bill import BillLine, rounded
from scheduler.metering.bill import MeteredBill
from scheduler.metering.bill_line_text import KIND_WORDS, line_text
from scheduler.textio.format import money_digits, money_text, number_text
from scheduler.textio.parse_time import local_text

WIDTH = 100
FORMAT = 1
CSV_COLUMNS = ("month", "kind", "line", "quantity", "unit", "unit_price", "amount", "exact_amount")
DECIMALS = 9


def show_bill(made: MeteredBill, console: Console) -> None:
    """Print the bill, month by month."""
    currency = made.offer.currency
    last = made.paper.end - timedelta(days=1)
    width = min(WIDTH, console.width)
    console.print(
        Text(f"{made.offer.name}: bill for {made.site.name}, {made.paper.begin} to {last}", style="bold"), width=width
    )
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    for name in ("Quantity", f"{currency} per unit", currency):
        table.add_column(name, justify="right", overflow="fold")
    for month in sorted({line.month for line in made.paper.lines}):
        lines = [line for line in made.paper.lines if line.month == month]
        table.add_row(Text(f"{month:%B %Y}", style="bold"), "", "", "")
        for line in lines:
            table.add_row(*(Text(cell) for cell in _cells(made, line)))
        total = money_text(sum(line.amount for line in lines), currency)
        table.add_row(Text(f"{month:%B} in all", style="bold"), "", "", Text(total, style="bold"))
        table.add_section()
    for kind, amount in _sums(made).items():
        table.add_row(f"{KIND_WORDS[kind]}, all months", "", "", money_text(amount, currency))
    table.add_row(Text("To pay", style="bold"), "", "", Text(money_text(total_on_paper(made), currency), style="bold"))
    console.print(table, width=width)
    for note in (*_read_from(made), *made.notes):
        console.print(Padding(Text(note, style="dim"), (0, 0, 0, 2)), width=width)


def bill_csv(made: MeteredBill) -> str:
    """One row a line; `amount` as printed, `exact_amount` before rounding; amounts sum to the totals."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(CSV_COLUMNS)
    for line, exact in zip(made.paper.lines, made.exact.lines, strict=True):
        numbers = [f"{value + 0.0:.{DECIMALS}f}" for value in (line.quantity, line.unit_price)]
        digits = money_digits(made.offer.currency)
        writer.writerow(
            (
                f"{line.month:%Y-%m}",
                line.kind,
                line_text(line, made.offer, made.site.timezone),
                numbers[0],
                line.unit,
                numbers[1],
                f"{line.amount:.{digits}f}",
                f"{exact.amount + 0.0:.{DECIMALS}f}",
            )
        )
    return text.getvalue()


def bill_json(made: MeteredBill) -> str:
    """The bill as JSON text: amounts as printed, and exact beside them."""
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
            {
                "month": f"{line.month:%Y-%m}",
                "kind": line.kind,
                "line": line_text(line, made.offer, made.site.timezone),
                "band": line.band,
                "quantity": line.quantity,
                "unit": line.unit,
                "unit_price": line.unit_price,
                "amount": line.amount,
                "exact_amount": exact.amount,
                **_demand_time(made, line),
            }
            for line, exact in zip(made.paper.lines, made.exact.lines, strict=True)
        ],
        "sums": _sums(made),
        "total": total_on_paper(made),
        "exact_total": made.exact.total,
        "estimated_steps": made.flows.estimated,
        "notes": list(made.notes),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def total_on_paper(made: MeteredBill) -> float:
    """What is to be paid: the sum of the printed amounts."""
    return rounded(made.paper.total, money_digits(made.offer.currency))


def _sums(made: MeteredBill) -> dict[str, float]:
    """Sum of the printed amounts of each kind that the bill has, in the order they are printed."""
    digits = money_digits(made.offer.currency)
    kinds = [kind for kind in KIND_WORDS if any(line.kind == kind for line in made.paper.lines)]
    return {kind: rounded(sum(each.amount for each in made.paper.lines if each.kind == kind), digits) for kind in kinds}


def _cells(made: MeteredBill, line: BillLine) -> tuple[str, str, str, str]:
    words = f"  {line_text(line, made.offer, made.site.timezone)}"
    amount = money_text(line.amount, made.offer.currency)
    if line.kind == "tax":
        return words, money_text(line.quantity, made.offer.currency), f"{line.unit_price:g} %", amount
    quantity = f"{number_text(line.quantity, 0 if line.unit == 'day' else 3)} {_unit(line)}"
    return words, quantity, _price(line.unit_price), amount


def _unit(line: BillLine) -> str:
    return f"{line.unit}s" if line.unit == "day" and line.quantity != 1 else line.unit


def _price(price: float) -> str:
    """A price with two to six decimals."""
    whole, _, decimals = number_text(price, 6).rstrip("0").partition(".")
    return f"{whole}.{decimals:0<2}"


def _read_from(made: MeteredBill) -> Iterator[str]:
    for file, layout in made.layouts.items():
        yield f"Read from {file}: {layout}."


def _demand_time(made: MeteredBill, line: BillLine) -> dict[str, Any]:
    return {} if line.at is None else {"at": local_text(line.at.to_pydatetime(), made.site.timezone)}
