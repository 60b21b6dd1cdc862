"""Save the arrays of a finished run in a file of their own, to be found again by a key; never half written."""

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


def save_arrays(content: Mapping[str, object], key: str, file: Path) -> None:
    """Write arrays, numbers and texts into one file, whole or not at all.

    Parameters
    ----------
    content : what to save, by name.
    key : text that says what the content belongs to, such as a fingerprint.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    arrays = {name: np.asarray(array) for name, array in content.items()}
    stream = io.BytesIO()
    np.savez_compressed(stream, allow_pickle=False, **{KEY: np.array(key)}, **arrays)
    write_file(file, stream.getvalue(), flush=False)


def load_arrays(key: str, file: Path) -> Arrays | None:
    """Return what was saved under this key; None if the file is missing, damaged or saved under another key."""
    try:
        with file.open("rb") as stream, np.load(stream, allow_pickle=False) as content:
            if str(content[KEY]) != key:
                return None
            return {name: content[name] for name in content.files if name != KEY}
    except (OSError, KeyError, ValueError, EOFError, RuntimeError, zipfile.BadZipFile, zlib.error):
        return None
