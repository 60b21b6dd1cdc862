"""Options that the commands on meter files share."""

from __future__ import annotations

from typing import Annotated

import typer

KindOption = Annotated[
    list[str] | None,
    typer.Option(
        "--as",
        metavar="NAME=KIND",
        help="What a channel counts: import, export, generation or ignore. May be given again; METER:NAME too.",
    ),
]
ClockOption = Annotated[
    str,
    typer.Option(
        "--clock", metavar="CLOCK", help="What CSV times without offset follow: local, or standard for winter time."
    ),
]
