"""Forms that were sent but not carried out, kept for a while so that what was typed is shown again."""

from __future__ import annotations

import re
import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass

from scheduler.web.evening_form import FieldFaults, TypedEvening

MOST_DRAFTS = 200
"""Beyond these the oldest is forgotten."""
_KEY = re.compile(r"[A-Za-z0-9_-]{16}")


@dataclass(frozen=True, slots=True)
class Draft:
    """A form as typed, what is wrong with it by field, and where the reader was in it: the id of an element."""

    typed: TypedEvening
    faults: FieldFaults
    at: str = ""


class Drafts:
    """The newest drafts by site and key."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, str], Draft] = OrderedDict()

    def keep(self, site: str, draft: Draft) -> str:
        """Keep a draft and return its key."""
        key = new_key()
        with self._lock:
            self._kept[site, key] = draft
            while len(self._kept) > MOST_DRAFTS:
                self._kept.popitem(last=False)
        return key

    def get(self, site: str, key: str) -> Draft | None:
        """Return a draft; None where there is none, or not any more."""
        if not _KEY.fullmatch(key):
            return None
        with self._lock:
            return self._kept.get((site, key))


def new_key() -> str:
    """Return a key that cannot be guessed."""
    return secrets.token_urlsafe(12)
