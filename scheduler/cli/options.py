"""Options that several commands share, in the same words everywhere."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer


class EachEveningKnew(StrEnum):
    """What each evening's plan goes by."""

    TYPICAL = "typical"
    RECORDED = "recorded"


AsJson = Annotated[bool, typer.Option("--json", help="Print JSON on standard output, all else on standard error.")]
FirstDay = Annotated[
    str | None, typer.Option("--from", metavar="DATE", help="First day, 2025-07-01; else the first of the series.")
]
LastDay = Annotated[
    str | None, typer.Option("--to", metavar="DATE", help="Last day, 2026-06-30; else the last of the series.")
]
Jobs = Annotated[int | None, typer.Option("--jobs", metavar="N", help="Processes; else as many as there are cores.")]
