"""The project's optional parts: which package belongs to which, and what to say where one is missing."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from importlib.util import find_spec

from tests.builders.places import ROOT

EXTRAS = ("ocpp", "study", "cluster", "xlsx", "browser", "test", "dev")


@cache
def packages_of(extra: str) -> tuple[str, ...]:
    """Name the packages that an extra brings, as they are imported; those of other extras within it left out."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    names = [re.split(r"[^\w-]", wanted)[0] for wanted in extras[extra]]
    return tuple(name.replace("-", "_").lower() for name in names if name != "overnight-scheduler")


@cache
def extra_of(package: str) -> str | None:
    """Name the extra that brings a package, by its import name; None for a package of the plain install."""
    return next((extra for extra in EXTRAS if package in packages_of(extra)), None)


def missing_of(extra: str) -> list[str]:
    """Name the packages of an extra that are not installed."""
    return [package for package in packages_of(extra) if find_spec(package) is None]


def how_to_run(extra: str, missing: str) -> str:
    """Say why a test is skipped and what to do so that it runs.

    Parameters
    ----------
    extra : of pyproject.toml. missing : what is not there.
    """
    chromium = " and put chromium on the path (Debian: apt install chromium)" if extra == "browser" else ""
    return f"needs {missing}; to run it: pip install '.[{extra}]'{chromium}"
