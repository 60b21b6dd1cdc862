"""`overnight fit-losses TABLE.csv`: the charger's losses for site.toml, from measured efficiencies."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import AsJson, option
from scheduler.cli.screen import print_result, say_written


def fit_losses(
    table: Annotated[
        Path,
        typer.Argument(
            metavar="TABLE.csv",
            help="Measured points, direction,power_kw,efficiency_percent: charge, discharge or round-trip; power on "
            "the AC side.",
        ),
    ],
    out: Annotated[
        Path | None, option("--out", "DIR", "Also write losses.html, with a chart, into this folder.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Fit the charger's fixed loss and its two efficiencies to measured points, and print the lines for site.toml."""
    from scheduler.diagnostics.losses import fit_table
    from scheduler.diagnostics.losses_report import losses_json, losses_page, show_losses
    from scheduler.textio.write import write_file

    with failures_told():
        made = fit_table(table)
        if out is not None:
            write_file(out / "losses.html", losses_page(made))
    print_result(made, as_json, losses_json, show_losses)
    if out is not None:
        say_written(as_json, out / "losses.html")
