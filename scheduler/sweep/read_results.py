"""The tidy files of a sweep's folder, read back: the table of its runs, and its manifest."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pandas as pd

from scheduler.sweep.frontier import frontiers_of
from scheduler.textio.errors import shown, single_fault
from scheduler.textio.read_text import folder_problem, read_text
from scheduler.textio.spreadsheet_text import text_of_cell

RUNS_NAME, MANIFEST_NAME = "runs.csv", "manifest.json"
MOST_MEGABYTES = 1000
MANIFEST_FORMAT = 1


def read_runs(folder: Path) -> pd.DataFrame:
    """Return the table of runs of a sweep's folder, one row per run.

    Raises
    ------
    InputFaults : there is no such folder or file, or the file is not a table of a sweep's runs.
    """
    problem = folder_problem(folder)
    if problem is not None:
        raise single_fault(folder, f"{problem}; expected the output folder of a sweep")
    path = folder / RUNS_NAME
    read_text(path, MOST_MEGABYTES)
    try:
        runs = pd.read_csv(path, encoding="utf-8-sig", keep_default_na=False, na_values=[""])
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        raise single_fault(path, f"this is not a comma-separated table: {' '.join(str(error).split())}") from None
    for name in ("site", "offer"):
        if name in runs:
            runs[name] = [text_of_cell(cell) if isinstance(cell, str) else cell for cell in runs[name]]
    frontiers_of(runs, str(path))
    return runs


def read_manifest(path: Path) -> dict[str, Any]:
    """Return the manifest of a sweep, checked as far as its figures need it.

    Raises
    ------
    InputFaults : the file is missing, is not JSON, has another format or no currency.
    """
    try:
        found = json.loads(read_text(path, MOST_MEGABYTES))
    except json.JSONDecodeError as error:
        raise single_fault(path, f"this is not valid JSON: {error.msg}", error.lineno) from None
    except RecursionError:
        raise single_fault(path, "this is not the JSON of a manifest: it is nested too deep") from None
    if not isinstance(found, dict):
        raise single_fault(path, "this is not the manifest of a sweep; expected a JSON object")
    if found.get("format") != MANIFEST_FORMAT:
        raise single_fault(path, f"found {shown(found.get('format'))}; expected {MANIFEST_FORMAT}", key="format")
    currency = found.get("currency")
    if not (isinstance(currency, str) and currency.isalpha() and currency.isupper() and len(currency) == 3):
        raise single_fault(path, f"found {shown(currency)}; expected a code such as EUR", key="currency")
    return found
