"""What stands before every page: who may ask, by which name, with how much, and what every answer carries.

- A request names this page by a name it knows, so that a page of another name that was made to lead here (DNS
  rebinding) reads nothing.
- A form comes from a page of the same name (`Origin`), carries its session's token, and is small.
- Without a session the only pages are the one to sign in and the style sheet, if a passphrase is asked for.
- Nothing may be loaded, framed, kept or sent elsewhere (Content-Security-Policy and its kin). The referrer policy is
  `same-origin`: no other site learns anything, while under `no-referrer` browsers send forms with `Origin: null`, and
  there would be nothing to check.
- Whatever goes wrong inside is told to whoever runs the process, on one line; the reader gets a page that says so.
"""

from __future__ import annotations

import re
import sys
import traceback
from collections.abc import Callable, MutableMapping
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any
from urllib.parse import parse_qsl, urlsplit

from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from scheduler.web.passphrase import Attempts, Passphrase
from scheduler.web.sessions import SESSION_SECONDS, Sessions

MOST_BODY_BYTES = 64 * 1024
MOST_FIELDS = 400
MOST_URL_BYTES = 2048
MOST_HEADER_BYTES = 16 * 1024
LOOPBACK_NAMES = ("localhost", "127.0.0.1", "[::1]")
SIGN_IN, STYLE = "/sign-in", "/style.css"
METHODS = ("GET", "HEAD", "POST")
TOKEN_FIELD = "token"
WENT_WRONG = "Something went wrong in this program. Go back, and try again."
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; frame-ancestors 'none'; "
    "base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}
"""Of every answer that does not set its own."""
_HOST = re.compile(r"(?P<name>\[[0-9a-fA-F:.]{2,45}\]|[A-Za-z0-9.-]{1,253})(?::(?P<port>[0-9]{1,5}))?")
_PORTS = {"http": "80", "https": "443"}


@dataclass(slots=True)
class Access:
    """Who may enter.

    Attributes
    ----------
    names : by which this page is asked for, in lower case, without a port.
    passphrase : that is asked for; None where this machine alone can ask.
    """

    names: tuple[str, ...] = LOOPBACK_NAMES
    passphrase: Passphrase | None = None
    sessions: Sessions = field(default_factory=Sessions)
    attempts: Attempts = field(default_factory=Attempts)


@dataclass(frozen=True, slots=True)
class Asked:
    """What a page is told of a request that was let through.

    Attributes
    ----------
    session : secret of its session, "" for none. is_https : whether the reader's browser came by https.
    token : for the forms of the answer. form : what was sent, in its order; none of a request that reads.
    """

    session: str
    is_https: bool
    token: str
    form: tuple[tuple[str, str], ...] = ()


class Refused(Exception):  # noqa: N818 - what is done with the request
    """A request is refused, with a status and a sentence."""

    def __init__(self, status: int, sentence: str, **headers: str) -> None:
        super().__init__(sentence)
        self.status, self.sentence, self.headers = status, sentence, headers


class Guard:
    """An application with all of the above before it.

    Parameters
    ----------
    refusal : makes a page of a status and a sentence.
    """

    def __init__(self, app: ASGIApp, access: Access, refusal: Callable[[int, str], Response]) -> None:
        self._app, self._access, self._refusal = app, access, refusal

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request."""
        if scope["type"] == "websocket":
            await send({"type": "websocket.close"})
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        begun = False

        async def send_guarded(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                _add_headers(message)
            await send(message)

        try:
            try:
                answer = await self._let_through(scope, receive)
            except Refused as refused:
                answer = self._refusal(refused.status, refused.sentence)
                answer.headers.update({name.replace("_", "-"): value for name, value in refused.headers.items()})
            await (self._app if answer is None else answer)(scope, receive, send_guarded)
        except Exception as error:
            print(_told(error), file=sys.stderr, flush=True)
            if not begun:
                await self._refusal(500, WENT_WRONG)(scope, receive, send_guarded)

    async def _let_through(self, scope: Scope, receive: Receive) -> Response | None:
        """Note in the scope what was asked; return an answer in place of the page, None to go on to it."""
        headers = _single(scope)
        if scope["method"] not in METHODS:
            raise Refused(405, "This page is read and its forms are sent; nothing else.", allow=", ".join(METHODS))
        if len(scope.get("raw_path") or b"") + len(scope["query_string"]) > MOST_URL_BYTES:
            raise Refused(414, "This address is too long.")
        host = self._checked_host(headers)
        is_https = headers.get("x-forwarded-proto", "").lower() == "https" or scope.get("scheme") == "https"
        session = _cookie(headers.get("cookie", ""), cookie_name(is_https))
        form: tuple[tuple[str, str], ...] = ()
        if scope["method"] == "POST":
            _check_origin(headers, host)
            form = _parsed(await _body(headers, receive), headers)
        path = scope["path"]
        if self._access.passphrase is None:
            session = ""
        elif not self._access.sessions.is_open(session):
            session = ""
            if path not in (SIGN_IN, STYLE):
                return RedirectResponse(SIGN_IN, 303)
        if scope["method"] == "POST":
            given = [value for name, value in form if name == TOKEN_FIELD]
            if len(given) != 1 or not self._access.sessions.is_token(session, given[0]):
                raise Refused(403, "This form is out of date. Go back, reload the page, and send it again.")
        asked = Asked(session, is_https, self._access.sessions.token(session), form)
        scope["state"] = {**scope.get("state", {}), "asked": asked}
        return None

    def _checked_host(self, headers: dict[str, str]) -> str:
        """Return how the request names this page, in lower case; refuse a name that it is not known by."""
        host = headers.get("host", "").lower()
        found = _HOST.fullmatch(host)
        if found is None or found["name"].rstrip(".") not in self._access.names:
            raise Refused(421, "This page is not known by that name. Whoever runs it can give the name with --name.")
        return host


def cookie_name(is_https: bool) -> str:
    """Return the cookie's name; with the prefix by which a browser takes it by https alone, where it came by that."""
    return "__Host-overnight" if is_https else "overnight"


def set_session(answer: Response, session: str, is_https: bool) -> None:
    """Have the browser keep a session's secret; "" to forget it."""
    answer.set_cookie(
        cookie_name(is_https),
        session,
        max_age=SESSION_SECONDS if session else 0,
        path="/",
        httponly=True,
        samesite="strict",
        secure=is_https,
    )


def _single(scope: Scope) -> dict[str, str]:
    """Return the headers by name; refuse too much of them, and one that decides who may enter if it comes twice."""
    if sum(len(name) + len(value) for name, value in scope["headers"]) > MOST_HEADER_BYTES:
        raise Refused(431, "What comes with this request is too long.")
    found: dict[str, str] = {}
    for raw_name, raw_value in scope["headers"]:
        name = raw_name.decode("latin-1").lower()
        if name in found and name in ("host", "origin", "content-type", "content-length"):
            raise Refused(400, f"The header {name} comes twice.")
        value = raw_value.decode("latin-1").strip()
        found[name] = f"{found[name]}; {value}" if name == "cookie" and name in found else value
    return found


def _check_origin(headers: dict[str, str], host: str) -> None:
    """Refuse a form that a page of another name sent."""
    origin = headers.get("origin")
    site = headers.get("sec-fetch-site", "same-origin").lower()
    if origin is None or site not in ("same-origin", "none"):
        raise Refused(403, "Only a form of this page can be sent here.")
    try:
        parts = urlsplit(origin)
        port = parts.port
    except ValueError:
        raise Refused(403, "Only a form of this page can be sent here.") from None
    given = f"{parts.netloc.lower()}" if port is not None else f"{parts.netloc.lower()}:{_PORTS.get(parts.scheme)}"
    if parts.scheme not in _PORTS or given != _with_port(host, parts.scheme):
        raise Refused(403, "Only a form of this page can be sent here.")


def _with_port(host: str, scheme: str) -> str:
    found = _HOST.fullmatch(host)
    return host if found is not None and found["port"] else f"{host}:{_PORTS[scheme]}"


async def _body(headers: dict[str, str], receive: Receive) -> bytes:
    """Return what was sent; refuse more than a form takes before it is read."""
    length = headers.get("content-length", "")
    if length and not (length.isascii() and length.isdigit() and len(length) < 12):
        raise Refused(400, "The length of what was sent cannot be read.")
    too_much = Refused(413, f"This is more than a form of this page takes, {MOST_BODY_BYTES // 1024} KB.")
    if length and int(length) > MOST_BODY_BYTES:
        raise too_much
    body = b""
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise Refused(400, "The connection ended early.")
        part: bytes = message.get("body", b"")
        body += part
        if len(body) > MOST_BODY_BYTES:
            raise too_much
        if not message.get("more_body", False):
            return body


def _parsed(body: bytes, headers: dict[str, str]) -> tuple[tuple[str, str], ...]:
    """Return the fields of a form as a browser sends it."""
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise Refused(415, "Expected a form as a browser sends it.")
    try:
        fields = parse_qsl(
            body.decode("ascii"), keep_blank_values=True, max_num_fields=MOST_FIELDS, encoding="utf-8", errors="strict"
        )
    except ValueError:
        raise Refused(400, "This form cannot be read.") from None
    return tuple((name, value) for name, value in fields)


def _cookie(header: str, name: str) -> str:
    """Return the value of a cookie, "" for none."""
    for part in header.split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            return value.strip('"')
    return ""


def _add_headers(message: MutableMapping[str, Any]) -> None:
    """Add to an answer the headers that it does not set itself."""
    own = {name.lower() for name, _ in message["headers"]}
    added = [(name.encode(), value.encode()) for name, value in HEADERS.items() if name.encode() not in own]
    message["headers"] = [*message["headers"], *added]


def _told(error: Exception) -> str:
    """Return an error on one line: what, and in which line of which module."""
    last = traceback.extract_tb(error.__traceback__)[-1:]
    where = "".join(f" in {PurePath(each.filename).name} line {each.lineno}" for each in last)
    return " ".join(f"page: {type(error).__name__}{where}: {error}".splitlines())
