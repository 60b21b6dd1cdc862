"""Serve the page: what was asked checked before anything listens, then uvicorn until it is told to end."""

from __future__ import annotations

import ipaddress
import re
import socket
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import uvicorn

from scheduler.textio.errors import Fault, InputFaults, NotWrittenError, collected, shown, single_fault
from scheduler.textio.parse_time import parse_moment
from scheduler.web.app import page_app
from scheduler.web.guard import LOOPBACK_NAMES, MOST_HEADER_BYTES, Access
from scheduler.web.passphrase import read_passphrase
from scheduler.web.planner import WorkerProcesses
from scheduler.web.sites import WebSite, web_sites

MOST_AT_ONCE = 256
"""Connections and requests under way at once; beyond them an answer says to come again."""
BACKLOG = 128
LAST_PORT = 65_535
_NAME = re.compile(r"(?:[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?\.)*[a-z0-9](?:[a-z0-9-]{0,61}[a-z0-9])?")


@dataclass(frozen=True, slots=True)
class PageOptions:
    """The options of `overnight page`, as given."""

    sites: tuple[Path, ...]
    port: int = 8100
    host: str = "127.0.0.1"
    names: tuple[str, ...] = ()
    passphrase_file: Path | None = None
    now: str | None = None


@dataclass(frozen=True, slots=True)
class Page:
    """What is to be served: sites, who may enter, and the clock."""

    sites: tuple[WebSite, ...]
    access: Access
    now: Callable[[], datetime]


def parse_page(options: PageOptions) -> Page:
    """Return what is to be served.

    Raises
    ------
    InputFaults : every option at fault.
    """
    faults: list[Fault] = []
    sites = collected(lambda: web_sites(options.sites), faults)
    if not 0 <= options.port <= LAST_PORT:
        faults.append(Fault("--port", None, None, f"{options.port} is no port; expected 0 to {LAST_PORT}"))
    names = collected(lambda: tuple(map(_checked_name, options.names)), faults) or ()
    is_loopback = _is_loopback(options.host)
    wildcard = options.host in ("0.0.0.0", "::")
    if wildcard and not options.names:
        message = f"none given; expected the name by which browsers ask for this page, since {options.host} is none"
        faults.append(Fault("--name", None, None, message))
    others = [each for each in names if each not in LOOPBACK_NAMES]
    if options.passphrase_file is None and not (is_loopback and not others):
        asked = f"--host {options.host}" if not is_loopback else f"--name {others[0]}"
        message = f"none given; expected one, since others can reach the page with {asked}"
        faults.append(Fault("--passphrase-file", None, None, message))
    file = options.passphrase_file
    passphrase = None if file is None else collected(lambda: read_passphrase(file), faults)
    now = collected(lambda: _clock(options.now), faults)
    if faults or sites is None or now is None:
        raise InputFaults(faults)
    own = () if wildcard else (_in_address(options.host.lower()),)
    return Page(sites, Access(tuple(dict.fromkeys((*LOOPBACK_NAMES, *own, *names))), passphrase), now)


def serve(options: PageOptions, say: Callable[[str], object]) -> None:
    """Serve the page until the process is told to end.

    Parameters
    ----------
    say : tells whoever runs it where the page is.

    Raises
    ------
    InputFaults : an option is at fault. NotWrittenError : the address cannot be listened on.
    """
    page = parse_page(options)
    workers = WorkerProcesses()
    app = page_app(page.sites, workers.answer_of, page.access, page.now, workers.close)
    with _listening(options.host, options.port) as listening:
        host, port = listening.getsockname()[:2]
        say(f"The page: http://{_in_address(host)}:{port}/ (Ctrl-C ends it)")
        try:
            with suppress(KeyboardInterrupt):
                uvicorn.Server(config(app)).run(sockets=[listening])
        finally:
            workers.close()
    say("The page has ended.")


def config(app: object) -> uvicorn.Config:
    """Return how the application is served: bounded headers and connections, nothing told of the program."""
    return uvicorn.Config(
        app,  # type: ignore[arg-type]  # any ASGI application
        http="h11",
        ws="none",
        lifespan="on",
        loop="asyncio",
        proxy_headers=False,
        server_header=False,
        access_log=False,
        log_config=None,
        h11_max_incomplete_event_size=MOST_HEADER_BYTES,
        limit_concurrency=MOST_AT_ONCE,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=3,
    )


def _listening(host: str, port: int) -> socket.socket:
    """Return a socket that listens."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family, backlog=BACKLOG)
    except OSError as error:
        reason = (error.strerror or "it cannot be used").lower()
        raise NotWrittenError(f"--port: {host} port {port} cannot be listened on: {reason}") from None


def _checked_name(name: str) -> str:
    """Return a name in lower case, as requests are compared with it."""
    plain = name.strip().lower().rstrip(".")
    try:
        return _in_address(str(ipaddress.ip_address(plain.strip("[]"))))
    except ValueError:
        pass
    if len(plain) > 253 or not _NAME.fullmatch(plain):
        expected = "expected a host's name without scheme, port or path, such as car.example.org"
        raise single_fault("--name", f"found {shown(name)}; {expected}")
    return plain


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def _in_address(host: str) -> str:
    """Return a host as it stands in an address: an IPv6 address in brackets."""
    return f"[{host}]" if ":" in host and not host.startswith("[") else host


def _clock(begin: str | None) -> Callable[[], datetime]:
    """Return the clock: the real one, or one that begins at a moment and goes on."""
    if begin is None:
        return lambda: datetime.now(UTC)
    ahead = parse_moment(begin, None, "UTC", "--now") - datetime.now(UTC)
    return lambda: datetime.now(UTC) + ahead
