"""The folder of a sweep: claimed before the work begins, and refused where it holds something else."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from scheduler.sweep.manifest import manifest_from_file, manifest_of, manifest_text
from scheduler.sweep.read_results import MANIFEST_NAME
from scheduler.sweep.request import SweepRequest
from scheduler.textio.errors import InputFaults, NotWrittenError
from scheduler.textio.read_text import sha256_of
from scheduler.textio.write import refuse_other, write_file

RUNS_FOLDER = "runs"
COMPARED_KEYS = ("site", "weights", "laws", "offers", "settings", "first_day", "last_day", "forecast", "trips")
"""Keys of the manifest that a message compares where a folder holds another sweep."""


def claim(out: Path, request: SweepRequest) -> dict[str, Any]:
    """Return the manifest of a folder that is new, or in which this very sweep was begun.

    Raises
    ------
    NotWrittenError : the folder holds another sweep or something else; it is as it was.
    InputFaults : a file has changed since it was read.
    """
    manifest = manifest_of(request, datetime.now(UTC).isoformat(timespec="seconds"))
    refuse_other(out, "a sweep", lambda folder: _is_new(folder) or _manifest_in(folder) is not None)
    there = _manifest_in(out)
    if there is None:
        write_file(out / MANIFEST_NAME, manifest_text(manifest))
        return manifest
    _refuse_another(out, there, manifest)
    return there


def _is_new(folder: Path) -> bool:
    """Return whether a folder is empty, but for hidden files that a sweep may leave if it is killed as it begins."""
    return all(entry.name.startswith(".") for entry in folder.iterdir())


def _manifest_in(folder: Path) -> dict[str, Any] | None:
    try:
        return manifest_from_file(folder / MANIFEST_NAME)
    except InputFaults:
        return None


def hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file in a folder, by its path below it."""
    files = sorted(file for file in folder.rglob("*") if file.is_file())
    return {file.relative_to(folder).as_posix(): sha256_of(file) for file in files}


def _refuse_another(out: Path, there: Mapping[str, Any], manifest: Mapping[str, Any]) -> None:
    """Refuse a folder whose manifest is not of this very sweep and program."""
    if there["identity"] != manifest["identity"]:
        raise NotWrittenError(f"{out} holds another sweep: {_difference(there, manifest)}; give another --out")
    mine, other = manifest["program"], there["program"]
    if other.get("fingerprint") != mine["fingerprint"]:
        raise NotWrittenError(
            f"{out} holds this sweep made by another version of the program or of what it uses "
            f"(overnight {other.get('version')}, here {mine['version']}); give another --out"
        )


def _difference(there: Mapping[str, Any], mine: Mapping[str, Any]) -> str:
    """Return a clause on what differs: a part of the request, else a file."""
    for key in COMPARED_KEYS:
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
