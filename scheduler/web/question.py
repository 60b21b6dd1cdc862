"""What a page asks a worker, and what that answers; both as JSON text."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from scheduler.nights.parse_request import RequestOptions
from scheduler.textio.errors import Fault


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be planned.

    Attributes
    ----------
    folder : the site's. options : as typed, every moment a text. offer : its file, None for the site's own.
    replan : whether it is the rest of the newest plan that is planned again.
    """

    folder: Path
    options: RequestOptions
    offer: Path | None = None
    replan: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of it: the start of the plan (UTC), or what is at fault, or a sentence on why there is none.

    Attributes
    ----------
    note : what went wrong after the plan was written.
    """

    start: datetime | None = None
    faults: tuple[Fault, ...] = ()
    failure: str = ""
    note: str = ""


def question_text(question: Question) -> str:
    """Return a question as JSON text."""
    document = asdict(question)
    document["folder"] = str(question.folder)
    document["offer"] = None if question.offer is None else str(question.offer)
    return json.dumps(document)


def parse_question(text: str) -> Question:
    """Return the question that a text asks."""
    document: dict[str, Any] = json.loads(text)
    options = document["options"]
    offer = document["offer"]
    return Question(
        Path(document["folder"]),
        RequestOptions(**{**options, "trips": tuple(options["trips"])}),
        None if offer is None else Path(offer),
        document["replan"],
    )


def answer_text(answer: Answer) -> str:
    """Return an answer as JSON text."""
    document = asdict(answer)
    document["start"] = None if answer.start is None else answer.start.isoformat()
    return json.dumps(document)


def parse_answer(text: str) -> Answer:
    """Return the answer in a text.

    Raises
    ------
    ValueError : it holds none.
    """
    try:
        document: dict[str, Any] = json.loads(text)
        start = document["start"]
        faults = tuple(Fault(**fault) for fault in document["faults"])
        begin = None if start is None else datetime.fromisoformat(start)
        return Answer(begin, faults, str(document["failure"]), str(document["note"]))
    except (ValueError, KeyError, TypeError) as error:
        raise ValueError("no answer") from error
