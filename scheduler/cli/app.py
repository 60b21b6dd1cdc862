"""The command line: every command, and the entry point."""

from __future__ import annotations

import io
import sys

import typer

from scheduler.cli.bill import bill
from scheduler.cli.check import check
from scheduler.cli.compare import compare
from scheduler.cli.fit_losses import fit_losses
from scheduler.cli.hand_over import hand_over
from scheduler.cli.new import new
from scheduler.cli.page import page
from scheduler.cli.plan import plan, replan
from scheduler.cli.read_meter import read_meter
from scheduler.cli.record import record
from scheduler.cli.sweep import sweep
from scheduler.cli.usage import Commands
from scheduler.cli.wear import wear

app = typer.Typer(
    name="overnight",
    cls=Commands,
    help="Plan each night for an electric car on a bidirectional charger.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)


@app.callback()
def overnight() -> None:
    """Plan each night for an electric car on a bidirectional charger.

    Exit codes: 0 done; 2 the input is at fault; 3 planned, but a departure target is missed; 4 the solver found no
    plan; 5 replay refused the plan, and nothing was written.
    """


COMMANDS = (plan, replan, page, record, check, new, bill, compare, sweep, read_meter, wear, fit_losses, hand_over)
for command in COMMANDS:
    app.command(command.__name__.replace("_", "-"))(command)


def main() -> None:
    """Run the `overnight` command; output is UTF-8 wherever it goes, as it holds signs such as "−"."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and (stream.encoding or "").lower().replace("-", "") != "utf8":
            stream.reconfigure(encoding="utf-8", errors="replace")
    app()
