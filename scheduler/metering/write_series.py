"""Write meter series: several files together, all of them or none."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from scheduler.inputs.series_file import COLUMNS
from scheduler.metering.local_clock import local_minutes
from scheduler.textio.errors import NotWrittenError

DECIMALS = 12
"""Kept in every power, so that a year's energy is exact far below 1e-6 kWh."""


def series_text(start: pd.DatetimeIndex, kw: FloatArray, timezone: str) -> str:
    """A meter series as `read_series` reads it: local time with its offset, and kW; arrays of shape (n,)."""
    wall = local_minutes(start, timezone)
    offsets = wall - start.as_unit("s").asi8 // 60
    words = {int(offset): _offset_text(int(offset)) for offset in np.unique(offsets)}
    clocks = np.datetime_as_string(wall.astype("datetime64[m]"), unit="m")
    rows = [
        f"{clock}{words[int(offset)]},{_number(float(power))}"
        for clock, offset, power in zip(clocks, offsets, kw, strict=True)
    ]
    return "\n".join([",".join(COLUMNS), *rows, ""])


def write_together(texts: Mapping[Path, str]) -> None:
    """Write every file whole, or leave all as they were.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    made: dict[Path, Path] = {}
    kept: dict[Path, Path | None] = {}
    file = Path()
    try:
        for file, text in texts.items():
            file.parent.mkdir(parents=True, exist_ok=True)
            made[file] = _beside(file)
            made[file].write_text(text, encoding="utf-8", newline="")
            made[file].chmod(0o644)
        for file, new in made.items():
            kept[file] = old = _beside(file) if file.exists() else None
            if old is not None:
                shutil.copy2(file, old)
            os.replace(new, file)
    except OSError as error:
        _put_back(made, kept)
        raise NotWrittenError(f"{file} cannot be written: {error.strerror or error}; nothing was changed") from None
    finally:
        for path in (*made.values(), *kept.values()):
            if path is not None:
                with suppress(OSError):
                    path.unlink(missing_ok=True)


def _put_back(made: Mapping[Path, Path], kept: Mapping[Path, Path | None]) -> None:
    """Undo each file that was replaced already: its new text is no longer beside it."""
    for file, old in kept.items():
        if made[file].exists():
            continue
        with suppress(OSError):
            if old is None:
                file.unlink()
            else:
                os.replace(old, file)


def _beside(file: Path) -> Path:
    """A new empty file next to a file."""
    handle, name = tempfile.mkstemp(prefix=f".{file.name}-", dir=file.parent)
    os.close(handle)
    return Path(name)


def _offset_text(minutes: int) -> str:
    return f"{'-' if minutes < 0 else '+'}{abs(minutes) // 60:02}:{abs(minutes) % 60:02}"


def _number(value: float) -> str:
    """A number with up to so many decimals, no zeros at its end."""
    text = f"{value:.{DECIMALS}f}".rstrip("0")
    return text.rstrip(".")
