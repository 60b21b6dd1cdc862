"""`overnight page SITE...`: the evenings, plans and record of sites as a page in a browser."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from scheduler.cli.failures import failures_told
from scheduler.cli.options import option


def page(
    sites: Annotated[list[Path], typer.Argument(metavar="SITE...", help="The folders of one site or more.")],
    port: Annotated[int, option("--port", "N", "The port; 0 for any that is free.")] = 8100,
    host: Annotated[
        str, option("--host", "ADDRESS", "The address to listen on; all but this machine's own need a passphrase.")
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        option(
            "--name", "HOST", "A name by which browsers ask for this page, such as car.example.org; may be repeated."
        ),
    ] = None,
    passphrase_file: Annotated[
        Path | None,
        option("--passphrase-file", "FILE", "A file that only you can read: one line, 12 characters or more."),
    ] = None,
    now: Annotated[
        str | None, option("--now", "T", 'Begin at this moment, "2026-03-02T18:20+02:00", to try the page; else now.')
    ] = None,
) -> None:
    """Show sites in a browser: plan tonight from a phone, and see what came of it. Ctrl-C ends it."""
    from scheduler.web.serve import PageOptions, serve

    with failures_told():
        serve(PageOptions(tuple(sites), port, host, tuple(name or ()), passphrase_file, now), typer.echo)
