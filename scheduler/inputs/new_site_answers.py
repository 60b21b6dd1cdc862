"""Keep the answers to the questions of a new site until the last, so that they need not be given twice."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

from scheduler.inputs.new_site_questions import QUESTIONS
from scheduler.textio.errors import InputFaults
from scheduler.textio.toml_tables import read_toml
from scheduler.textio.write import write_file


def answers_file(folder: Path) -> Path:
    """Return the file for the answers on a site's folder: beside it, in the nearest folder that exists."""
    whole = folder.absolute()
    beside = next(parent for parent in whole.parents if parent.is_dir())
    return beside / f".overnight-new-{'-'.join(whole.relative_to(beside).parts)}.toml"


def keep_answers(file: Path, texts: Mapping[str, str]) -> None:
    """Write answers as they were typed, by key.

    Raises
    ------
    NotWrittenError : they cannot be written.
    """
    lines = (f"{key} = {json.dumps(text, ensure_ascii=False)}" for key, text in texts.items())
    write_file(file, "# Answers to overnight new so far; removed after the last.\n" + "\n".join(lines) + "\n")


def kept_answers(file: Path) -> dict[str, str]:
    """Return the answers that were kept, by key; none if there are none or they cannot be read."""
    try:
        values = read_toml(file).values
    except InputFaults:
        return {}
    known = {question.key for question in QUESTIONS}
    return {key: text for key, text in values.items() if key in known and isinstance(text, str)}
