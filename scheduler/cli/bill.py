"""`overnight bill SITE OFFER... --meter FILE`: the bill that a retailer would print for these days of the meter."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import AsJson, MeterClock, MeterKinds, SiteFolder, option
from scheduler.cli.screen import print_result, say_written


def bill(
    site: SiteFolder,
    offer: Annotated[
        list[Path], typer.Argument(metavar="OFFER...", help="The offer's file; several are billed and ranked.")
    ],
    meter: Annotated[
        list[Path], option("--meter", "FILE", "A meter's file, in any layout that read-meter reads; may be repeated.")
    ],
    first_day: Annotated[str | None, option("--from", "DATE", "First day to bill, 2026-03-02; else the first.")] = None,
    last_day: Annotated[str | None, option("--to", "DATE", "Last day to bill, 2026-03-31; else the last.")] = None,
    kind: MeterKinds = None,
    clock: MeterClock = "local",
    out: Annotated[
        Path | None,
        option("--out", "DIR", "Also write bill.csv and bill.json into this folder, or bills.csv and so on."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Print the bill of these days as the retailer would, line by line, each rounded to the currency's minor unit.

    Of several offers, print what each would have billed, the lowest first.
    """
    from scheduler.billing.bill import BillOptions, metered_bill
    from scheduler.billing.bill_ranking import bills_files, bills_json, ranked_bills, show_bills
    from scheduler.billing.bill_terminal import bill_csv, bill_json, show_bill
    from scheduler.textio.write import write_together

    options = BillOptions(
        site=site,
        offer=offer[0],
        meter=tuple(meter),
        first_day=first_day,
        last_day=last_day,
        kinds=tuple(kind or ()),
        clock=clock,
    )
    if len(offer) > 1:
        with failures_told():
            ranked = ranked_bills(options, offer)
            texts = bills_files(ranked)
            if out is not None:
                write_together({out / name: text for name, text in texts.items()})
        print_result(ranked, as_json, bills_json, show_bills)
        if out is not None:
            say_written(as_json, *(out / name for name in texts))
        return
    with failures_told():
        made = metered_bill(options)
        if out is not None:
            write_together({out / "bill.csv": bill_csv(made), out / "bill.json": bill_json(made)})
    print_result(made, as_json, bill_json, show_bill)
    if out is not None:
        say_written(as_json, out / "bill.csv", out / "bill.json")
