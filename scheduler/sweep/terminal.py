"""A sweep on the terminal, and as JSON for other programs."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import date

from rich.console import Console

from scheduler.comparison.terminal import WIDTH
from scheduler.comparison.text import CLOSING, day_span_text
from scheduler.plans.plan import CAUTIONS
from scheduler.render.terminal import paragraph_printer, print_list, print_table
from scheduler.sweep.frontier import frontiers_of
from scheduler.sweep.sweep import Repeated, Study
from scheduler.sweep.text import (
    bound_sentences,
    counted_sentences,
    group_table,
    headline,
    in_common,
    scaled_text,
    sentences,
)


def show_study(study: Study, console: Console) -> None:
    """Print what weight 1 saves and costs, the knee, and where discharging stops."""
    manifest = study.manifest
    currency = manifest["currency"]
    frontiers = frontiers_of(study.runs)
    width = min(WIDTH, console.width)

    say = paragraph_printer(console, width)

    days = day_span_text(*(date.fromisoformat(manifest[key]) for key in ("first_day", "last_day")))
    say(f"{manifest['site']}, {days}{in_common(frontiers)}, in {currency}")
    say(headline(frontiers, currency), "bold")
    scaled = scaled_text(frontiers)
    say(" ".join([*sentences(frontiers, currency), *([] if scaled is None else [scaled])]))
    for sentence in (*bound_sentences(study.runs), *counted_sentences(study.runs)):
        say(sentence)
    print_table(group_table(frontiers, currency), console, width)
    print_list("Assumptions", manifest["notes"], console, width)
    print_list("Cautions", (*CAUTIONS, CLOSING), console, width)
    console.print()


def study_json(study: Study, repeated: Repeated | None = None) -> str:
    """Return the manifest without the texts of its files, and every frontier, as JSON text.

    The keys of a frontier and of `repeated` are the fields of their records.
    """
    manifest = {key: value for key, value in study.manifest.items() if key != "inputs"}
    hashes = [{"file": each["file"], "sha256": each["sha256"]} for each in study.manifest["inputs"]]
    frontiers = [_without_nan(asdict(each)) for each in frontiers_of(study.runs)]
    found = manifest | {"inputs": hashes, "folder": str(study.folder), "frontiers": frontiers}
    if repeated is not None:
        found |= {"repeated": asdict(repeated)}
    return json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _without_nan(value: object) -> object:
    """Return the same value with None for what is not a number."""
    if isinstance(value, dict):
        return {key: _without_nan(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_without_nan(each) for each in value]
    return None if isinstance(value, float) and value != value else value
