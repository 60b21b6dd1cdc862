"""`overnight bill SITE OFFER --meter FILE`: what a retailer would print for these days of the meter."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.meter_options import ClockOption, KindOption
from scheduler.cli.options import AsJson
from scheduler.textio.errors import InputFaults
from scheduler.textio.exit_codes import INPUT_AT_FAULT


def bill(
    site: Annotated[Path, typer.Argument(metavar="SITE", help="The site's folder, which holds site.toml.")],
    offer: Annotated[Path, typer.Argument(metavar="OFFER", help="The offer's file.")],
    meter: Annotated[
        list[Path],
        typer.Option("--meter", metavar="FILE", help="A meter's file, as read-meter reads it; may be given again."),
    ],
    first_day: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="First day to bill, 2026-03-02; else from the first.")
    ] = None,
    last_day: Annotated[
        str | None, typer.Option("--to", metavar="DATE", help="Last day to bill, 2026-03-31; else to the last.")
    ] = None,
    kind: KindOption = None,
    clock: ClockOption = "local",
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Write bill.csv and bill.json into this folder too.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Print the bill of these days as the retailer would, line by line, each rounded to the currency's minor unit."""
    from scheduler.metering.bill import BillOptions, metered_bill
    from scheduler.metering.bill_terminal import bill_csv, bill_json, show_bill
    from scheduler.textio.errors import NotWrittenError
    from scheduler.textio.write import write_together

    try:
        made = metered_bill(BillOptions(site, offer, tuple(meter), first_day, last_day, tuple(kind or ()), clock))
        if out is not None:
            write_together({out / "bill.csv": bill_csv(made), out / "bill.json": bill_json(made)})
    except (InputFaults, NotWrittenError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(INPUT_AT_FAULT) from None
    if as_json:
        sys.stdout.write(bill_json(made))
    else:
        from rich.console import Console

        show_bill(made, Console(highlight=False))
    if out is not None:
        typer.echo(f"Written to {out / 'bill.csv'} and {out / 'bill.json'}.", err=as_json)
