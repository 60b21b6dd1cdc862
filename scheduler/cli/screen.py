"""Print what commands report: a result as JSON or on a screen, and where its files are."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import typer

if TYPE_CHECKING:
    from rich.console import Console

Made = TypeVar("Made")


def print_result(
    made: Made, as_json: bool, json_text: Callable[[Made], str], show: Callable[[Made, Console], None]
) -> None:
    """Print a result: its JSON alone on standard output, or as `show` puts it on a screen."""
    if as_json:
        sys.stdout.write(json_text(made))
        return
    from rich.console import Console

    show(made, Console(highlight=False))


def say_written(as_json: bool, *files: Path) -> None:
    """Say which files were written; on standard error where the result is JSON."""
    typer.echo(f"Written to {' and '.join(map(str, files))}.", err=as_json)
