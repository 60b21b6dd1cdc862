"""Options that several commands share, and commands that take a record of them.

Commands import the rest of the tool when they run, so that `overnight --help` answers at once.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import MISSING, fields
from enum import StrEnum
from functools import update_wrapper
from pathlib import Path
from typing import Annotated, Any, Concatenate, TypeVar, get_type_hints

import typer

Record = TypeVar("Record")


class Forecast(StrEnum):
    """Where load and solar come from."""

    SAMPLES = "samples"
    TYPICAL = "typical"
    RECORDED = "recorded"


class Trips(StrEnum):
    """Which trips each evening expects."""

    USUAL = "usual"
    RECORDED = "recorded"


def option(name: str, metavar: str, text: str) -> Any:
    """Return an option with a value.

    Parameters
    ----------
    name : such as `--soc`. metavar : name of the value, such as `PERCENT`. text : the line of help.
    """
    return typer.Option(name, metavar=metavar, help=text)


def number_option(name: str, metavar: str, text: str, unit: str = "") -> Any:
    """Return an option whose value is a number as a person types it: "70,5 %".

    Parameters
    ----------
    unit : that may stand behind the number. The others are those of `option`.
    """

    def read(given: str) -> float:
        from scheduler.textio.errors import shown, single_fault
        from scheduler.textio.parse_number import parse_number

        try:
            return parse_number(given, unit)
        except ValueError as error:
            expected = f"a number of {unit}" if unit else "a number"
            raise single_fault(name, f"found {shown(given)}; expected {expected}{error}") from None

    return typer.Option(name, metavar=metavar, help=text, parser=read)


SiteFolder = Annotated[Path, typer.Argument(metavar="SITE", help="The site's folder, which holds site.toml.")]
OfferFile = Annotated[Path | None, option("--offer", "FILE", "Use this offer, not the site's own.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON on standard output, the rest on standard error.")]
NoRecord = Annotated[bool, typer.Option("--no-record", help="Keep this out of the site's record, as for a study.")]
FirstDay = Annotated[str | None, option("--from", "DATE", "First day, 2025-07-01; else the first of the series.")]
LastDay = Annotated[str | None, option("--to", "DATE", "Last day, 2026-06-30; else the last of the series.")]
ExpectedTrips = Annotated[
    Trips | None,
    typer.Option(
        "--trips", help="What each evening expects: usual trips (the default if the site has any), or recorded ones."
    ),
]
Jobs = Annotated[int | None, option("--jobs", "N", "Number of processes; else one per core.")]
MeterKinds = Annotated[
    list[str] | None,
    option(
        "--as",
        "NAME=KIND",
        "What a channel counts: import, export, generation or ignore. NAME may be METER:NAME; may be repeated.",
    ),
]
MeterClock = Annotated[
    str,
    option("--clock", "CLOCK", "What CSV times without offset follow: local, or standard for winter time all year."),
]


def takes(record: type[Record]) -> Callable[[Callable[Concatenate[Record, ...], None]], Callable[..., None]]:
    """Return a decorator that makes a command of a function of a record: an option per field, then its own options.

    Parameters
    ----------
    record : a dataclass whose annotations and defaults are those of a Typer command's parameters.
    """
    hints = get_type_hints(record, include_extras=True)
    shared = [
        inspect.Parameter(
            field.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=inspect.Parameter.empty if field.default is MISSING else field.default,
            annotation=hints[field.name],
        )
        for field in fields(record)  # type: ignore[arg-type]  # a type variable cannot ask for a dataclass
    ]

    def command_of(function: Callable[Concatenate[Record, ...], None]) -> Callable[..., None]:
        own = [
            each.replace(kind=inspect.Parameter.KEYWORD_ONLY)
            for each in list(inspect.signature(function, eval_str=True).parameters.values())[1:]
        ]

        def command(**given: Any) -> None:
            function(record(**{each.name: given.pop(each.name) for each in shared}), **given)

        update_wrapper(command, function)
        command.__signature__ = inspect.Signature([*shared, *own])  # type: ignore[attr-defined]
        return command

    return command_of
