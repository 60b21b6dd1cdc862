"""Values that research in Python hands over, as the commands' words have them."""

from __future__ import annotations

import json
import numbers
from collections.abc import Collection, Iterable
from datetime import date, datetime
from pathlib import Path

import numpy as np

from scheduler.textio.errors import did_you_mean, shown, single_fault


def several(value: object) -> list[object]:
    """The values themselves; a text, a path or a number alone is one value."""
    if isinstance(value, str | Path | numbers.Number | np.generic) or not isinstance(value, Iterable):
        return [value]
    return list(value)


def one_of(name: str, value: object, allowed: Collection[str]) -> None:
    """Refuse a word that is not allowed.

    Raises
    ------
    InputFaults : it is not.
    """
    if value not in allowed:
        near = did_you_mean(value, allowed) if isinstance(value, str) else ""
        raise single_fault(name, f"found {shown(value)}{near}; allowed is {', '.join(allowed)}")


def number_within(name: str, value: object, low: float, high: float) -> None:
    """Refuse what is no number between two others.

    Raises
    ------
    InputFaults : it is not.
    """
    if isinstance(value, bool) or not isinstance(value, numbers.Real) or not low <= float(value) <= high:
        raise single_fault(name, f"found {shown(value)}; allowed is a number from {low:g} to {high:g}")


def day_text(name: str, day: object) -> str | None:
    """A local day as the options take it; of a moment its day.

    Raises
    ------
    InputFaults : neither a text nor a day.
    """
    if day is None or isinstance(day, str):
        return day
    if isinstance(day, date):
        return (day.date() if isinstance(day, datetime) else day).isoformat()
    raise single_fault(name, f"found {shown(day)}; allowed is a day such as 2026-02-02")


def toml_text(key: str, value: object) -> str:
    """A value as the option --set reads it: as TOML.

    Raises
    ------
    InputFaults : a kind of value that no key has.
    """
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool | int | float | str):
        return json.dumps(value)
    if isinstance(value, Iterable):
        return f"[{', '.join(toml_text(key, each) for each in value)}]"
    raise single_fault(key, f"found {shown(value)}; allowed is a number, true or false, text, or a list of these")
