"""Sessions of those who signed in, and the token by which a form is known to come from a page of this process.

A session's secret is only in the browser's cookie: here is its hash. A process that begins anew knows no session.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import threading
import time
from collections.abc import Callable

SESSION_SECONDS = 7 * 86_400
"""How long a session lasts, whether used or not; ASVS 3.3.2 asks for 30 days at most (from memory)."""
MOST_SESSIONS = 64
"""Beyond these the oldest ends."""
MOST_COOKIE_CHARACTERS = 200


class Sessions:
    """Open sessions by the hash of their secret, and the secret of this process."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock, self._lock = clock, threading.Lock()
        self._ends: dict[bytes, float] = {}
        self._secret = secrets.token_bytes(32)

    def open(self) -> str:
        """Open a session and return its secret, for the cookie."""
        session = secrets.token_urlsafe(32)
        with self._lock:
            self._forget_ended()
            while len(self._ends) >= MOST_SESSIONS:
                del self._ends[next(iter(self._ends))]
            self._ends[_hash(session)] = self._clock() + SESSION_SECONDS
        return session

    def is_open(self, session: str) -> bool:
        """Return whether a cookie's secret is that of an open session."""
        with self._lock:
            self._forget_ended()
            return len(session) <= MOST_COOKIE_CHARACTERS and _hash(session) in self._ends

    def close(self, session: str) -> None:
        """End a session."""
        with self._lock:
            self._ends.pop(_hash(session), None)

    def token(self, session: str) -> str:
        """Return what every form of a session carries; of "" for those who need no session, or have none yet."""
        return hmac.new(self._secret, _hash(session), hashlib.sha256).hexdigest()

    def is_token(self, session: str, given: str) -> bool:
        """Return whether a form carries its session's token."""
        return hmac.compare_digest(self.token(session).encode(), given.encode("utf-8", "replace"))

    def _forget_ended(self) -> None:
        now = self._clock()
        for session in [session for session, ends in self._ends.items() if ends <= now]:
            del self._ends[session]


def _hash(session: str) -> bytes:
    return hashlib.sha256(session.encode("utf-8", "replace")).digest()
