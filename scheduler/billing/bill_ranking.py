"""The bills of several offers for the same days of a meter, the lowest first."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from models.tariff.bill import rounded
from scheduler.billing.bill import BillOptions, MeteredBill, metered_bill
from scheduler.billing.bill_line_text import KIND_TEXT
from scheduler.billing.bill_terminal import FORMAT, WIDTH, bill_csv, bill_json, total_on_paper
from scheduler.render.table import NOTHING, Cell, Column, Table, csv_text
from scheduler.render.terminal import print_list, print_table
from scheduler.textio.errors import Fault, InputFaults, collected, shown
from scheduler.textio.format import money_digits, money_text


@dataclass(frozen=True, slots=True, eq=False)
class RankedBills:
    """Bills of the same days, the lowest first.

    Attributes
    ----------
    bills : ranked by what is to be paid. files : name of each offer's file, without its ending.
    """

    bills: tuple[MeteredBill, ...]
    files: tuple[str, ...]

    @property
    def currency(self) -> str:
        """Return the currency of every amount."""
        return self.bills[0].offer.currency


def ranked_bills(options: BillOptions, offers: Sequence[Path]) -> RankedBills:
    """Make the bill of each offer.

    Parameters
    ----------
    options : what is the same for all; its offer is not looked at. offers : their files.

    Raises
    ------
    InputFaults : every fault of any of them; an offer twice; two currencies.
    """
    faults: list[Fault] = []
    made = [collected(partial(metered_bill, replace(options, offer=offer)), faults) for offer in offers]
    bills = [bill for bill in made if bill is not None]
    if not faults:
        for number, (bill, offer) in enumerate(zip(bills, offers, strict=True)):
            if bill.offer.name in [other.offer.name for other in bills[:number]]:
                message = f"{shown(bill.offer.name)} is the name of an offer before it; expected each offer once"
                faults.append(Fault(str(offer), None, "name", message))
            elif bill.offer.currency != bills[0].offer.currency:
                expected = f"expected {bills[0].offer.currency}, as in the first"
                faults.append(Fault(str(offer), None, "currency", f"found {bill.offer.currency}; {expected}"))
    if faults:
        raise InputFaults(dict.fromkeys(faults))
    ranked = sorted(zip(bills, _file_names(offers), strict=True), key=lambda pair: total_on_paper(pair[0]))
    return RankedBills(tuple(bill for bill, _ in ranked), tuple(name for _, name in ranked))


def bills_files(ranked: RankedBills) -> dict[str, str]:
    """Return the text of every file by its name: the ranking, and each offer's lines."""
    each = {f"bill-{name}.csv": bill_csv(bill) for bill, name in zip(ranked.bills, ranked.files, strict=True)}
    return {"bills.csv": csv_text(_ranking_table(ranked, for_files=True)), "bills.json": bills_json(ranked), **each}


def bills_json(ranked: RankedBills) -> str:
    """Return the ranking as JSON text, each offer with the document that its own bill has."""
    first = ranked.bills[0]
    document: dict[str, Any] = {
        "format": FORMAT,
        "site": first.site.name,
        "currency": ranked.currency,
        "first_day": first.paper.begin.isoformat(),
        "last_day": (first.paper.end - timedelta(days=1)).isoformat(),
        "offers": [json.loads(bill_json(bill)) for bill in ranked.bills],
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def show_bills(ranked: RankedBills, console: Console) -> None:
    """Print the ranking."""
    first = ranked.bills[0]
    width = min(WIDTH, console.width)
    days = f"{first.paper.begin} to {first.paper.end - timedelta(days=1)}"
    title = f"{first.offer.name} costs least: bills for {first.site.name}, {days}, in {ranked.currency}"
    console.print(Text(title, style="bold"), width=width)
    print_table(_ranking_table(ranked), console, width)
    notes = dict.fromkeys(note for bill in ranked.bills for note in bill.notes)
    as_it_was = "These are bills of the meter as it was: under another offer it might be used otherwise."
    print_list("", (as_it_was, *notes), console, width)


def _ranking_table(ranked: RankedBills, for_files: bool = False) -> Table:
    """Return a row per offer: the parts of its bill, what is to be paid, and how much more than the first that is."""
    currency = ranked.currency
    digits = money_digits(currency)
    kinds = [kind for kind in KIND_TEXT if any(line.kind == kind for bill in ranked.bills for line in bill.paper.lines)]
    least = total_on_paper(ranked.bills[0])
    columns = (
        Column("offer", "Offer"),
        *(Column(kind, KIND_TEXT[kind], currency, "money") for kind in kinds),
        Column("total", "To pay", currency, "money"),
        Column("more_than_first", "More than the first", currency, "money"),
    )
    rows: list[tuple[Cell, ...]] = []
    for number, bill in enumerate(ranked.bills):
        parts = [rounded(sum(line.amount for line in bill.paper.lines if line.kind == kind), digits) for kind in kinds]
        total = total_on_paper(bill)
        more = rounded(total - least, digits)
        shown_more: Cell = more if for_files else NOTHING if number == 0 else money_text(more, currency)
        rows.append((bill.offer.name, *parts, total, shown_more))
    return Table(columns, tuple(rows))


def _file_names(offers: Sequence[Path]) -> list[str]:
    """Return the name of each file without its ending, no two alike."""
    found: list[str] = []
    for offer in offers:
        name, number = offer.stem, 2
        while name in found:
            name, number = f"{offer.stem}-{number}", number + 1
        found.append(name)
    return found
