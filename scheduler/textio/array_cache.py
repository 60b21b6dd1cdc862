"""Arrays of a finished run in a file of their own, found again by a key and never half written."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from scheduler.textio.write import write_file

KEY = "key"

Arrays = Mapping[str, np.ndarray]


def keep_arrays(content: Mapping[str, object], key: str, file: Path) -> None:
    """Write arrays, numbers and texts into one file, whole or not at all.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    arrays = {name: np.asarray(array) for name, array in content.items()}
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **{KEY: np.array(key)}, **arrays)
    write_file(file, stream.getvalue(), flush=False)


def kept_arrays(key: str, file: Path) -> Arrays | None:
    """What was kept under this key, or None if there is none, or it is of something else or damaged."""
    try:
        with file.open("rb") as stream, np.load(stream, allow_pickle=False) as content:
            if str(content[KEY]) != key:
                return None
            return {name: content[name] for name in content.files if name != KEY}
    except (OSError, KeyError, ValueError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error):
        return None
