"""The folder of a sweep: claimed before the work begins, and refused where it holds something else."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from scheduler.metering.write_series import write_together
from scheduler.sweep.manifest import manifest_from_file, manifest_of, manifest_text
from scheduler.sweep.read_results import MANIFEST_NAME
from scheduler.sweep.request import AskedSweep
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.textio.read_text import sha256_of

RUNS_FOLDER = "runs"
BESIDE = ".making-"
LEFT_SECONDS = 86_400.0
TOLD = ("site", "weights", "laws", "offers", "settings", "first_day", "last_day", "forecast")
"""What is compared in words where a folder holds another sweep."""


def claim(out: Path, asked: AskedSweep) -> dict[str, Any]:
    """The manifest of a folder that is new, or that this very sweep was begun in.

    Raises
    ------
    NotWrittenError : the folder holds another sweep or something else; it is as it was.
    InputFaults : a file has changed since it was read.
    """
    manifest = manifest_of(asked, datetime.now(UTC).isoformat(timespec="seconds"))
    try:
        # a name with a dot may be left of a sweep that was killed while it wrote its first manifest
        if out.exists() and any(not entry.name.startswith(".") for entry in out.iterdir()):
            return _same_sweep(out, manifest)
    except OSError as error:
        raise NotWrittenError(f"{out} cannot be written: {error.strerror or error}") from None
    write_together({out / MANIFEST_NAME: manifest_text(manifest)})
    return manifest


@contextmanager
def made_beside(out: Path) -> Iterator[Path]:
    """A folder to make files in, which then move into place whole, the manifest last.

    Raises
    ------
    NotWrittenError : a file could not be written.
    """
    try:
        for left in out.glob(f"{BESIDE}*"):  # of a sweep that was killed while it wrote, not of one that writes now
            if time.time() - left.stat().st_mtime > LEFT_SECONDS:
                shutil.rmtree(left, ignore_errors=True)
        with tempfile.TemporaryDirectory(prefix=BESIDE, dir=out, ignore_cleanup_errors=True) as name:
            folder = Path(name)
            yield folder
            made = sorted(
                (file for file in folder.rglob("*") if file.is_file()), key=lambda file: file.name == MANIFEST_NAME
            )
            for file in made:
                place = out / file.relative_to(folder)
                place.parent.mkdir(parents=True, exist_ok=True)
                file.chmod(0o644)
                os.replace(file, place)
    except OSError as error:
        raise NotWrittenError(f"{out} cannot be written: {error.strerror or error}") from None


def hashes(folder: Path) -> dict[str, str]:
    """The SHA-256 of every file in a folder, by its name below it."""
    files = sorted(file for file in folder.rglob("*") if file.is_file())
    return {file.relative_to(folder).as_posix(): sha256_of(file) for file in files}


def _same_sweep(out: Path, manifest: Mapping[str, Any]) -> dict[str, Any]:
    """The manifest that is there, if it is of this very sweep and program."""
    try:
        there = manifest_from_file(out / MANIFEST_NAME)
    except InputFaults:
        raise NotWrittenError(f"{out} is in the way and is not a sweep; move it, or give another --out") from None
    if there["identity"] != manifest["identity"]:
        raise NotWrittenError(f"{out} holds another sweep: {_difference(there, manifest)}; give another --out")
    mine, other = manifest["program"], there["program"]
    if other.get("fingerprint") != mine["fingerprint"]:
        raise NotWrittenError(
            f"{out} holds this sweep made by another version of the program or of what it uses "
            f"(overnight {other.get('version')}, here {mine['version']}); give another --out"
        )
    return there


def _difference(there: Mapping[str, Any], mine: Mapping[str, Any]) -> str:
    """What differs, in words: what was asked, else which file."""
    for key in TOLD:
        if there.get(key) != mine[key]:
            return f"its {key} are {_short(there.get(key))}, here {_short(mine[key])}"
    try:
        hashes_there = {each["file"]: each["sha256"] for each in there["inputs"]}
    except (KeyError, TypeError):
        return "its files are not those of now"
    changed = [each["file"] for each in mine["inputs"] if hashes_there.get(each["file"]) != each["sha256"]]
    return f"{changed[0]} has changed since" if changed else "its files are not those of now"


def _short(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else text[:59] + "…"
