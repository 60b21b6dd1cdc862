"""`manifest.json`: everything that a sweep was made from, so that anyone can make it again.

A sweep's identity is the hash of all its runs' questions, without the program; the program's own hash stands beside it.
The same question and the same program continue in a folder, anything else is refused there. A manifest that another
version of the program made can be repeated, and the report says so. The references, charge-only and charge-on-return,
are planned at weight 1, once per group.
"""

from __future__ import annotations

import json
import os
import platform
import shlex
from collections.abc import Iterator, Mapping
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, get_args

from scheduler.inputs.site_file import SITE_FILE
from scheduler.nights.request import TripsKind
from scheduler.optimizer.lexicographic import RANDOM_SEED
from scheduler.sweep.grid import LAWS_OPTION, SET_OPTION, WEIGHTS_OPTION, key_values_text, weights_text
from scheduler.sweep.read_results import MANIFEST_FORMAT, MANIFEST_NAME, read_manifest
from scheduler.sweep.request import SweepOptions, SweepRequest
from scheduler.textio.errors import single_fault
from scheduler.textio.fingerprint import program_fingerprint
from scheduler.textio.read_text import sha256_of
from scheduler.textio.toml_tables import read_toml

AS_WRITTEN = f"a {MANIFEST_NAME} as a sweep wrote it"
PROGRAM = "overnight-scheduler"
PACKAGES = ("pyomo", "highspy", "numpy", "pandas", "tzdata", "holidays", "rainflow", "joblib", "pyarrow", "matplotlib")
FILE_KEYS = ("offer", "load", "solar", "trips", "file")
SHAPES: Mapping[str, type | tuple[type, ...]] = {
    "identity": str,
    "asked": dict,
    "inputs": list,
    "program": dict,
    "versions": dict,
    "platform": dict,
    "results": dict,
    "made_at": str,
}
"""Keys that every manifest has, and their types."""
ASKED_SHAPES: Mapping[str, type] = {
    "site": str,
    "weights": str,
    "laws": str,
    "offers": list,
    "settings": list,
    "first_day": str,
    "last_day": str,
    "forecast": str,
}

TRIPS_BEFORE = "recorded"
"""Trips on which nights were planned before a manifest said which."""


def manifest_of(request: SweepRequest, made_at: str) -> dict[str, Any]:
    """Return the manifest of a sweep whose results are not yet known.

    Raises
    ------
    InputFaults : a file has changed since it was read.
    """
    files = _files(request)
    root = _root(request)
    options = _options(request, root)
    site = request.inputs.site
    return {
        "format": MANIFEST_FORMAT,
        "identity": request.identity(),
        "program": {"name": PROGRAM, "version": version(PROGRAM), "fingerprint": program_fingerprint()},
        "made_at": made_at,
        "site": site.name,
        "currency": request.inputs.offer.currency,
        "timezone": site.timezone,
        "first_day": request.first.isoformat(),
        "last_day": request.last.isoformat(),
        "days": request.days,
        "forecast": request.options.forecast,
        "trips": request.trips,
        "weights": list(request.weights),
        "laws": list(request.laws),
        "offers": [
            {"name": each.offer.name, "file": _inside(root, each.site.offer_file)} for each in request.offers.values()
        ],
        "settings": {".".join(key): list(values) for key, values in request.settings},
        "runs": len(request.points),
        "notes": list(dict.fromkeys((*request.notes, *_absolute_notes(request)))),
        "command": _command(options),
        "asked": options,
        "seeds": {"highs": RANDOM_SEED},
        "versions": {"python": platform.python_version(), **_versions()},
        "platform": {"system": platform.system(), "machine": platform.machine()},
        "inputs": [
            {"file": _inside(root, file), "sha256": sha256, "text": _text(file, sha256)}
            for file, sha256 in files.items()
        ],
        "results": {},
    }


def manifest_text(manifest: Mapping[str, Any]) -> str:
    """Return a manifest as JSON text."""
    return json.dumps(manifest, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def manifest_from_file(file: Path) -> dict[str, Any]:
    """Return the manifest in a file.

    Raises
    ------
    InputFaults : it cannot be read or is incomplete.
    """
    found = read_manifest(file)
    for key, shape in SHAPES.items():
        if not isinstance(found.get(key), shape):
            raise single_fault(file, f"is missing, or not what it should be; expected {AS_WRITTEN}", key=key)
    return found


def options_of_manifest(manifest: Mapping[str, Any], file: Path, folder: Path) -> SweepOptions:
    """Return the options of a manifest's sweep, after writing its files below a folder.

    Parameters
    ----------
    manifest : what the file holds. file : the manifest's, for messages. folder : where its files are written.

    Raises
    ------
    InputFaults : a text does not match its hash, or a name leads out of the folder.
    """
    try:
        for each in manifest["inputs"]:
            path = _below(folder, each["file"])
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(each["text"], encoding="utf-8", newline="")
            if sha256_of(path) != each["sha256"]:
                raise single_fault(file, f"the text of {each['file']} is not what its hash says", key="inputs")
        request = manifest["asked"]
        for key, shape in ASKED_SHAPES.items():
            if not isinstance(request[key], shape):
                raise TypeError(key)
        trips = request.get("trips", TRIPS_BEFORE)
        if trips not in get_args(TripsKind):
            raise ValueError("trips")
        return SweepOptions(
            _below(folder, request["site"]),
            request["weights"],
            request["laws"],
            tuple(_below(folder, offer) for offer in request["offers"]),
            tuple(request["settings"]),
            request["first_day"],
            request["last_day"],
            request["forecast"],
            many=True,
            trips=trips,
            bound=request.get("bound", False) is True,
        )
    except (KeyError, TypeError, ValueError, AttributeError, OSError, UnicodeError):
        raise single_fault(file, f"is not what it should be; expected {AS_WRITTEN}", key="asked") from None


def _below(folder: Path, name: str) -> Path:
    path = (folder / name).resolve()
    if not path.is_relative_to(folder.resolve()):
        raise ValueError(name)
    return path


def _files(request: SweepRequest) -> dict[Path, str]:
    """Return every file that was read, with its SHA-256."""
    return {file.resolve(): sha256 for inputs in request.offers.values() for file, sha256 in inputs.hashes.items()}


def _absolute_notes(request: SweepRequest) -> Iterator[str]:
    """Yield a note for each file that is named by an absolute path: nobody else has it there."""
    for inputs in request.offers.values():
        for file in (inputs.site.folder / SITE_FILE, inputs.site.offer_file):
            document = read_toml(file).values
            for table in ("data", "market"):
                named = document.get(table)
                for key, name in named.items() if isinstance(named, dict) else ():
                    if isinstance(name, str) and key in FILE_KEYS and Path(name).is_absolute():
                        yield (
                            f"{file.name} names {table}.{key} by an absolute path: from the manifest alone this sweep "
                            "can be made again only where such a file is."
                        )


def _root(request: SweepRequest) -> Path:
    """Return the folder below which all files lie: above the site's own, so that the site folder's name is kept."""
    folder = request.inputs.site.folder.resolve()
    return Path(os.path.commonpath([folder.parent, *_files(request)]))


def _inside(root: Path, path: Path) -> str:
    return path.resolve().relative_to(root).as_posix()


def _text(file: Path, sha256: str) -> str:
    if sha256_of(file) != sha256:
        raise single_fault(file, "has changed since it was read; run the command again")
    return file.read_bytes().decode("utf-8")


def _options(request: SweepRequest, root: Path) -> dict[str, Any]:
    """Return the options, with everything written out that was left to the site."""
    options = request.options
    return {
        "site": _inside(root, request.inputs.site.folder),
        "weights": weights_text(options.weights),
        "laws": ",".join(request.laws),
        "offers": [_inside(root, each.site.offer_file) for each in request.offers.values()],
        "settings": [key_values_text(each) for each in options.settings],
        "first_day": request.first.isoformat(),
        "last_day": request.last.isoformat(),
        "forecast": options.forecast,
        "trips": request.trips,
        **({"bound": True} if options.bound else {}),
    }


def _command(options: Mapping[str, Any]) -> str:
    """Return the command, with paths as in the manifest's own list of files."""
    parts = ["overnight", "sweep", options["site"], WEIGHTS_OPTION, options["weights"], LAWS_OPTION, options["laws"]]
    for offer in options["offers"]:
        parts += ["--offers", offer]
    for setting in options["settings"]:
        parts += [SET_OPTION, setting]
    parts += ["--from", options["first_day"], "--to", options["last_day"], "--forecast", options["forecast"]]
    parts += ["--trips", options["trips"]]
    parts += ["--bound"] if options.get("bound") else []
    return shlex.join(parts)


def _versions() -> dict[str, str]:
    found = {}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
