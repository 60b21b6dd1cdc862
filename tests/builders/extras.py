"""The project's optional parts: which package belongs to which, and what to say where one is missing."""

from __future__ import annotations

import re
import tomllib
from functools import cache

from tests.builders.places import ROOT

FIRST = ("ocpp", "study", "cluster", "browser", "test")
"""Extras by the order in which a package is looked for; `dev` is the rest."""


@cache
def extra_of(module: str) -> str | None:
    """Name the extra that brings a package, by its import name; None for a package of the plain install."""
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["optional-dependencies"]
    for extra in (*FIRST, *(set(extras) - set(FIRST))):
        for wanted in extras[extra]:
            name = re.match(r"[\w-]+", wanted)
            if name and name[0].replace("-", "_").lower() == module.lower():
                return str(extra)
    return None


def how_to_run(extra: str, missing: str) -> str:
    """Say why a test is skipped and what to do so that it runs.

    Parameters
    ----------
    extra : of pyproject.toml. missing : what is not there.
    """
    chromium = " and put chromium on the path (Debian: apt install chromium)" if extra == "browser" else ""
    return f"needs {missing}; to run it: pip install '.[{extra}]'{chromium}"
