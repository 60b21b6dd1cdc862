"""Pages in Debian's chromium: opened at a width and a colour scheme, and what axe-core finds in them.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

from tests.builders.extras import how_to_run, missing_of

HEIGHT = 844
"""Height of a phone's screen [px]."""
PHONE, DESK = 390, 1280
"""Widths of screens [px]."""
LOOKS = ((PHONE, "light"), (DESK, "dark"))
"""Both widths and both schemes: what a width does to a page, no scheme changes, and the other way round."""
EVERY_LOOK = tuple((width, scheme) for width in (PHONE, DESK) for scheme in ("light", "dark"))
EDGE = 1.5
"""Of the edge around a drawing's words, counted in their boxes [px]."""
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@dataclass(frozen=True, slots=True)
class Opened:
    """A page on the screen, what it asked for and what it said on the console."""

    page: Any
    requests: list[str]
    messages: list[str]


def why_no_browser() -> str | None:
    """Say what is missing to run tests in a browser, and how to get it; None if nothing is."""
    missing = [f"the package {name}" for name in missing_of("browser")]
    if shutil.which("chromium") is None:
        missing.append("chromium on the path")
    return how_to_run("browser", " and ".join(missing)) if missing else None


@contextmanager
def running_browser() -> Iterator[Any]:
    """Run chromium until the end of the block."""
    with import_module("playwright.sync_api").sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=shutil.which("chromium"), args=QUIET, timeout=0)
        yield browser
        browser.close()


@contextmanager
def opened(browser: Any, file: Path, width: int = PHONE, scheme: str = "light") -> Iterator[Opened]:
    """Open a file, and close it at the end of the block.

    Parameters
    ----------
    width : of the screen [px]. scheme : light or dark.
    """
    context = browser.new_context(viewport={"width": width, "height": HEIGHT}, color_scheme=scheme)
    context.set_default_timeout(0)
    page = context.new_page()
    shown = Opened(page, [], [])
    page.on("request", lambda request: shown.requests.append(request.url))
    page.on("console", lambda message: shown.messages.append(message.text))
    page.on("pageerror", lambda error: shown.messages.append(str(error)))
    page.goto(file.as_uri())
    yield shown
    context.close()


def findings(page: Any) -> list[str]:
    """What axe-core finds in a page, whatever its impact."""
    found = import_module("axe_playwright_python.sync_playwright").Axe().run(page).response["violations"]
    return [f"{each['id']} ({each['impact']}): {each['help']}" for each in found]


def unfold(page: Any) -> None:
    """Open all that is folded."""
    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")


def fits_across(page: Any) -> bool:
    """Whether a page needs no sideways scrolling."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))
