"""Hash what a calculation depends on: records, arrays and numbers, and the source of the tool itself."""

from __future__ import annotations

import hashlib
import sys
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from functools import cache
from importlib import import_module
from importlib.metadata import version
from pathlib import Path, PurePath

import numpy as np
import pandas as pd

_DECIDE_NUMBERS = ("highspy", "numpy", "pandas", "tzdata", "holidays")
"""Packages whose version may change a result."""


def fingerprint(*things: object) -> str:
    """Return the SHA-256 of records, sequences, mappings, arrays, instants, numbers and text, in hexadecimal.

    The same content gives the same hash in any process. Paths do not count: a file that was moved is the same file.

    Raises
    ------
    TypeError : a value of another kind.

    Examples
    --------
    >>> fingerprint({"a": 1, "b": 2.5}) == fingerprint({"b": 2.5, "a": 1})
    True
    >>> fingerprint(1) == fingerprint(1.0)
    False
    """
    digest = hashlib.sha256()
    for piece in _pieces(things):
        digest.update(piece)
    return digest.hexdigest()


@cache
def program_fingerprint() -> str:
    """Return the hash of all modules of the tool, of Python's version and of the packages that decide numbers."""
    sources = {
        f"{package}/{module.relative_to(folder).as_posix()}": module.read_bytes()
        for package in ("models", "scheduler")
        for folder in map(Path, sorted(import_module(package).__path__))
        for module in sorted(folder.rglob("*.py"))
    }
    versions = {name: version(name) for name in _DECIDE_NUMBERS}
    return fingerprint(sources, versions, sys.version_info[:2])


def _pieces(thing: object) -> Iterator[bytes]:
    """Yield the content as bytes, each kind marked so that no two contents look alike."""
    if thing is None or isinstance(thing, bool | int | float | str | bytes | date):
        yield f"{type(thing).__name__}:{thing!r};".encode()
    elif isinstance(thing, Enum):
        yield f"enum:{thing.name};".encode()
    elif isinstance(thing, PurePath):
        yield b"path;"
    elif isinstance(thing, np.generic):
        yield from _pieces(thing.item())
    elif isinstance(thing, pd.DatetimeIndex):
        yield from _pieces(thing.as_unit("s").asi8)
    elif isinstance(thing, np.ndarray):
        yield f"array:{thing.dtype.str}:{thing.shape};".encode()
        yield np.ascontiguousarray(thing).tobytes()
    elif is_dataclass(thing):
        yield f"record:{type(thing).__name__};".encode()
        for field in fields(thing):
            yield from _pieces(field.name)
            yield from _pieces(getattr(thing, field.name))
    elif isinstance(thing, Mapping):
        yield f"mapping:{len(thing)};".encode()
        for key in sorted(thing, key=repr):
            yield from _pieces(key)
            yield from _pieces(thing[key])
    elif isinstance(thing, Set):
        yield from _pieces(sorted(thing, key=repr))
    elif isinstance(thing, Sequence):
        yield f"sequence:{len(thing)};".encode()
        for entry in thing:
            yield from _pieces(entry)
    else:
        raise TypeError(f"no fingerprint of {type(thing).__name__}")
