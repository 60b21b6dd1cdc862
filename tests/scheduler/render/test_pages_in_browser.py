"""The pages of a comparison, of counted wear and of a sweep in a real browser, by the same rules as the report.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from scheduler.comparison.compare import compare
from scheduler.diagnostics.wear import WearOptions, wear_of_trace
from scheduler.diagnostics.wear_report import wear_page
from scheduler.rolling.period import CompareOptions
from scheduler.sweep.page import sweep_page
from tests.builders.browser import DESK, PHONE, fits_across, opened, serious_findings
from tests.builders.places import SCENARIOS
from tests.builders.sweep_runs import made_up_manifest, made_up_runs

DEMO = SCENARIOS / "bookbindery"
OFFERS = tuple(Path(f"offers/{name}.toml") for name in ("evening-feed-in", "day-and-night", "low-draw"))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A comparison of three offers over two days of two months, the wear of its best year, and a made-up sweep."""
    folder = tmp_path_factory.mktemp("pages") / "out"
    words = CompareOptions(DEMO, OFFERS, "2026-02-28", "2026-03-01", hardware=DEMO / "hardware.toml")
    compared = compare(words, folder, jobs=1)
    metered = folder / f"metered-{compared.best.name}.csv"
    wear = folder / "wear.html"
    wear.write_text(wear_page(wear_of_trace(WearOptions(metered, DEMO, None, None))), encoding="utf-8")
    sweep = folder / "sweep.html"
    sweep.write_text(
        sweep_page(made_up_runs(("Dusk tariff", "Noon tariff"), settings=(0, 2)), made_up_manifest()), encoding="utf-8"
    )
    return {"comparison": folder / "comparison.html", "wear": wear, "sweep": sweep}


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, DESK])
@pytest.mark.parametrize("name", ["comparison", "wear", "sweep"])
def test_a_page_stands_alone_and_is_accessible(
    browser: Any, pages: dict[str, Path], name: str, width: int, scheme: str
) -> None:
    """One request (the file; images are in it), no message, no sideways scrolling, no serious finding of axe-core."""
    with opened(browser, pages[name], width, scheme) as shown:
        asked = [each for each in shown.requests if not each.startswith("data:image/svg+xml")]
        assert asked == [pages[name].as_uri()]
        assert shown.messages == []
        shown.page.evaluate("document.querySelectorAll('details').forEach(each => { each.open = true; })")
        assert fits_across(shown.page)
        assert serious_findings(shown.page) == []
