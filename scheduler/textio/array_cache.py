"""Arrays of a finished run in a file of their own, found again by a key and never half written."""

from __future__ import annotations

import os
import tempfile
import zipfile
import zlib
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

import numpy as np

from scheduler.textio.errors import NotWrittenError

KEY = "key"

Arrays = Mapping[str, np.ndarray]


def keep_arrays(content: Mapping[str, object], key: str, file: Path) -> None:
    """Write arrays, numbers and texts beside their place and move them there whole.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    beside: Path | None = None
    try:
        file.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{file.name}-", dir=file.parent)
        beside = Path(name)
        arrays = {name: np.asarray(array) for name, array in content.items()}
        with os.fdopen(handle, "wb") as stream:
            np.savez_compressed(stream, allow_pickle=False, **{KEY: np.array(key)}, **arrays)
        beside.chmod(0o644)
        os.replace(beside, file)
    except OSError as error:
        raise NotWrittenError(f"{file} cannot be written: {error.strerror or error}") from None
    finally:
        if beside is not None:
            with suppress(OSError):
                beside.unlink(missing_ok=True)


def kept_arrays(key: str, file: Path) -> Arrays | None:
    """What was kept under this key, or None if there is none, or it is of something else or damaged."""
    try:
        with file.open("rb") as stream, np.load(stream, allow_pickle=False) as content:
            if str(content[KEY]) != key:
                return None
            return {name: content[name] for name in content.files if name != KEY}
    except (OSError, KeyError, ValueError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error):
        return None
