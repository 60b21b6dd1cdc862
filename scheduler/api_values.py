"""Checks of the kinds of values that research in Python hands over."""

from __future__ import annotations

import numbers
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Any

import numpy as np

from scheduler.textio.errors import did_you_mean, shown, single_fault


def several(value: Any) -> list[Any]:
    """Return values as a list; text, a path or a number alone is one value.

    >>> several("0:3:0.1"), several((0, 1))
    (['0:3:0.1'], [0, 1])
    """
    if isinstance(value, str | Path | numbers.Number | np.generic) or not isinstance(value, Iterable):
        return [value]
    return list(value)


def one_of(name: str, value: object, allowed: Collection[str]) -> None:
    """Refuse a value that is not allowed.

    Raises
    ------
    InputFaults : it is not.
    """
    if value not in allowed:
        near = did_you_mean(value, allowed) if isinstance(value, str) else ""
        raise single_fault(name, f"found {shown(value)}{near}; expected {', '.join(allowed)}")


def number_within(name: str, value: object, low: float, high: float) -> None:
    """Refuse a value that is not a number between two others.

    Raises
    ------
    InputFaults : it is not.
    """
    if isinstance(value, bool) or not isinstance(value, numbers.Real) or not low <= float(value) <= high:
        raise single_fault(name, f"found {shown(value)}; expected a number from {low:g} to {high:g}")


def of_kind(name: str, value: object, kinds: type | tuple[type, ...], allowed: str) -> None:
    """Refuse a value that is of none of the kinds.

    Raises
    ------
    InputFaults : it is not.
    """
    if not isinstance(value, kinds):
        raise single_fault(name, f"found {shown(value)}; expected {allowed}")
