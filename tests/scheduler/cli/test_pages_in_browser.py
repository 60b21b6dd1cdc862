"""The pages of a comparison, of counted wear and of a sweep in a real browser, by the same rules as the report.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from scheduler.comparison.compare import compare
from scheduler.diagnostics.wear import WearOptions, wear_of_trace
from scheduler.diagnostics.wear_page import page_text
from scheduler.rolling.period import CompareOptions
from scheduler.sweep.page import sweep_page
from tests.builders.places import SCENARIOS
from tests.builders.sweep_runs import made_up_manifest, made_up_runs
from tests.scheduler.plan_output import test_page_in_browser as report

DEMO = SCENARIOS / "bookbindery"
OFFERS = tuple(Path(f"offers/{name}.toml") for name in ("evening-feed-in", "day-and-night", "low-draw"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A comparison of three offers over six days and two months, the wear of its best year, and a made-up sweep."""
    folder = tmp_path_factory.mktemp("pages") / "out"
    words = CompareOptions(DEMO, OFFERS, "2026-02-27", "2026-03-04", hardware=DEMO / "hardware.toml")
    compared = compare(words, folder)
    metered = folder / f"metered-{compared.best.name}.csv"
    wear = folder / "wear.html"
    wear.write_text(page_text(wear_of_trace(WearOptions(metered, DEMO, None, None))), encoding="utf-8")
    sweep = folder / "sweep.html"
    sweep.write_text(
        sweep_page(made_up_runs(("Dusk tariff", "Noon tariff"), settings=(0, 2)), made_up_manifest()), encoding="utf-8"
    )
    return {"comparison": folder / "comparison.html", "wear": wear, "sweep": sweep}


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's chromium."""
    if report.CHROMIUM is None:
        pytest.skip("chromium is not installed")
    with report.playwright.sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=report.CHROMIUM, args=report.QUIET)
        yield browser
        browser.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 1280])
@pytest.mark.parametrize("name", ["comparison", "wear", "sweep"])
def test_a_page_stands_alone_and_is_accessible(
    browser: Any, pages: dict[str, Path], name: str, width: int, scheme: str
) -> None:
    """One request (the file; images are in it), no message, no sideways scrolling, no serious finding of axe-core."""
    context = browser.new_context(viewport={"width": width, "height": report.HEIGHT}, color_scheme=scheme)
    page = context.new_page()
    requests: list[str] = []
    messages: list[str] = []
    page.on("request", lambda request: requests.append(request.url))
    page.on("console", lambda message: messages.append(message.text))
    page.goto(pages[name].as_uri())
    assert [each for each in requests if not each.startswith("data:image/svg+xml")] == [pages[name].as_uri()]
    assert messages == []
    page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    found = report.axe.Axe().run(page).response["violations"]
    serious = [f"{each['id']}: {each['help']}" for each in found if each["impact"] in ("serious", "critical")]
    assert serious == []
    context.close()
