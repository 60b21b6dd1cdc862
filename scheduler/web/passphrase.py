"""Who may enter: a passphrase from a file, kept as its scrypt hash, and a limit on wrong ones."""

from __future__ import annotations

import hashlib
import hmac
import os
import secrets
import stat
import threading
import time
import unicodedata
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from scheduler.textio.errors import single_fault
from scheduler.textio.read_text import file_problem, read_text

LEAST_CHARACTERS, MOST_CHARACTERS = 12, 128
"""Of a passphrase, as OWASP's verification standard has it (ASVS 2.1.1 and 2.1.2, from memory)."""
MOST_WRONG, WITHIN_SECONDS = 5, 60.0
"""Wrong phrases that are answered in so many seconds, from all readers together."""
OPEN_TO_OTHERS = stat.S_IRWXG | stat.S_IRWXO
SCRYPT = {"n": 2**14, "r": 8, "p": 5, "maxmem": 2**26, "dklen": 32}
"""Costs of a hash, one of OWASP's choices (Password Storage Cheat Sheet, from memory): 16 MB and not long."""


@dataclass(frozen=True, slots=True)
class Passphrase:
    """A passphrase as its salted hash; the text is not kept."""

    salt: bytes
    hashed: bytes

    def is_matched_by(self, text: str) -> bool:
        """Return whether a text is the passphrase; takes as long for any text."""
        return hmac.compare_digest(self.hashed, _hashed(text, self.salt))


def passphrase_of(text: str) -> Passphrase:
    """Return a passphrase from its text.

    Examples
    --------
    >>> passphrase_of("four lanterns by the quay").is_matched_by("four lanterns by the quai")
    False
    """
    salt = secrets.token_bytes(16)
    return Passphrase(salt, _hashed(text, salt))


def read_passphrase(file: Path) -> Passphrase:
    """Read the passphrase in a file: its one line.

    Raises
    ------
    InputFaults : there is no such file, others on this machine can read it, or it holds no line of 12 to 128
        characters.
    """
    if problem := file_problem(file):
        raise single_fault(file, f"{problem}; expected a file whose one line is the passphrase")
    if os.name == "posix" and file.stat().st_mode & OPEN_TO_OTHERS:
        raise single_fault(file, f"others on this machine can read it; expected only you: chmod 600 {file}")
    lines = read_text(file, 1).strip().splitlines()
    if len(lines) != 1:
        raise single_fault(file, f"found {len(lines)} lines; expected one, the passphrase")
    count = len(_plain(lines[0]))
    if not LEAST_CHARACTERS <= count <= MOST_CHARACTERS:
        message = f"the passphrase has {count} characters; expected {LEAST_CHARACTERS} to {MOST_CHARACTERS}"
        raise single_fault(file, message)
    return passphrase_of(lines[0])


class Attempts:
    """Counts wrong phrases. A phrase that is being looked at counts as wrong until it is known to be right."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._wrong: deque[float] = deque(maxlen=MOST_WRONG)

    def begin(self) -> bool:
        """Return whether one more phrase may be looked at, and count it."""
        with self._lock:
            now = self._clock()
            while self._wrong and now - self._wrong[0] >= WITHIN_SECONDS:
                self._wrong.popleft()
            if len(self._wrong) >= MOST_WRONG:
                return False
            self._wrong.append(now)
            return True

    def was_right(self) -> None:
        """Take back the phrase that was counted last."""
        with self._lock:
            if self._wrong:
                self._wrong.pop()


def _plain(text: str) -> str:
    """Return a phrase in one spelling: composed letters, no blanks at its ends, one blank between words."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def _hashed(text: str, salt: bytes) -> bytes:
    return hashlib.scrypt(_plain(text).encode("utf-8", "surrogatepass"), salt=salt, **SCRYPT)
