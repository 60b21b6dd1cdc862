"""`overnight fit-losses TABLE.csv`: the charger's losses for site.toml, from measured efficiencies."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.options import AsJson
from scheduler.textio.errors import InputFaults
from scheduler.textio.exit_codes import INPUT_AT_FAULT


def fit_losses(
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE.csv",
            help="Measured points, direction,power_kw,efficiency_percent: charge, discharge or round-trip; power at "
            "the AC side.",
        ),
    ],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Write losses.html, with a chart, into this folder too.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Fit the charger's fixed loss and its two efficiencies to measured points, and print the lines for site.toml."""
    from scheduler.diagnostics.losses import fit_table
    from scheduler.diagnostics.losses_report import losses_json, losses_page, show_losses
    from scheduler.metering.write_series import write_together
    from scheduler.textio.errors import NotWrittenError

    try:
        made = fit_table(table)
        if out is not None:
            write_together({out / "losses.html": losses_page(made)})
    except (InputFaults, NotWrittenError) as error:
        typer.echo(str(error), err=True)
        raise typer.Exit(INPUT_AT_FAULT) from None
    if as_json:
        sys.stdout.write(losses_json(made))
    else:
        from rich.console import Console

        show_losses(made, Console(highlight=False))
    if out is not None:
        typer.echo(f"Written to {out / 'losses.html'}.", err=as_json)
