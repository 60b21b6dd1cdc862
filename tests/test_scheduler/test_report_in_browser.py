"""The report in a real browser: nothing is asked of a network, nothing is hidden, and axe-core finds nothing serious.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from scheduler.evening_words import EveningWords
from scheduler.tonight import plan_tonight
from scheduler.write_plan import write_plan

playwright = pytest.importorskip("playwright.sync_api", reason="the extra [browser] is not installed")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the extra [browser] is not installed")

DEMO = Path(__file__).parents[2] / "scenarios" / "bookbindery"
CHROMIUM = shutil.which("chromium")
QUIET = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo night's report."""
    words = EveningWords(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",))
    return write_plan(plan_tonight(DEMO, words), tmp_path_factory.mktemp("plans")) / "report.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's chromium."""
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")
    with playwright.sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield browser
        browser.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
def test_the_page_stands_alone_and_is_accessible(browser: Any, report: Path, width: int, scheme: str) -> None:
    """At phone and desk width, light and dark: one request (the file), no console message, no sideways scrolling, the
    sentence of the night inside the first screen, and no serious finding of axe-core."""
    context = browser.new_context(viewport={"width": width, "height": 844}, color_scheme=scheme)
    page = context.new_page()
    requests: list[str] = []
    messages: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: messages.append(message.text))
    page.on("pageerror", lambda error: messages.append(str(error)))
    page.goto(report.as_uri())
    assert requests == [report.as_uri()]
    assert messages == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    heading = page.locator("h1").bounding_box()
    assert heading["y"] >= 0
    assert heading["y"] + heading["height"] < 844
    found = axe.Axe().run(page).response["violations"]
    serious = [f"{each['id']}: {each['help']}" for each in found if each["impact"] in ("serious", "critical")]
    assert serious == []
    context.close()


def test_it_prints_on_one_page(browser: Any, report: Path) -> None:
    """As A4, the demo night takes one sheet."""
    page = browser.new_page()
    page.goto(report.as_uri())
    printed = page.pdf(prefer_css_page_size=True)
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/") == 1
    page.close()
