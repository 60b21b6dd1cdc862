"""The page of fitted losses, as text and in a real browser.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from scheduler.diagnostics.losses import fit_table
from scheduler.diagnostics.losses_report import losses_page
from tests.builders.browser import EDGE, LOOKS, findings, fits_across, opened
from tests.builders.loss_tables import GOOD, written
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery" / "losses.csv"
TABLES: dict[str, tuple[str, ...]] = {
    "bare": GOOD,
    "bounds": ("charge,1,70.25", "charge,12.345,99", "discharge,8,90", "round-trip,350,20"),
    "round trips": ("round-trip,11,87", "round-trip,2,79"),
}


def page_of(folder: Path, name: str) -> str:
    return losses_page(fit_table(DEMO if name == "demo" else written(folder, *TABLES[name])))


def test_the_page_says_what_the_screen_says(tmp_path: Path) -> None:
    """Values, how sure they are, every point and the lines to paste are on it, and nothing points outside the file."""
    page = page_of(tmp_path, "demo")
    made = fit_table(DEMO)
    for key in made.keys:
        assert key.estimate_text.replace(" ", "\N{NO-BREAK SPACE}") in page
        assert key.uncertainty_text.split()[1] in page
        assert f"{key.key} = " in page
    rows = page[page.index('<table class="points short">') :]
    assert len(re.findall(r'<tr><th scope="row">\d+</th>', rows)) == len(made.table.points)
    assert not re.search(r"https?://|src=|@import|url\((?!#)", page)


def test_a_file_name_is_text(tmp_path: Path) -> None:
    """A file whose name is markup is shown as its name."""
    table = tmp_path / "<script>x.csv"
    table.write_text(DEMO.read_text(encoding="utf-8"), encoding="utf-8")
    page = losses_page(fit_table(table))
    assert "<script>" not in page
    assert "&lt;script&gt;x.csv" in page


def test_how_sure_is_explained_only_where_it_is_known(tmp_path: Path) -> None:
    """Without points to spare there is no ± to explain."""
    assert "standard error" in page_of(tmp_path, "demo")
    assert "±" not in page_of(tmp_path, "bare")


@pytest.mark.parametrize(("width", "scheme"), LOOKS)
@pytest.mark.parametrize("name", ["demo", *TABLES])
def test_the_page_stands_alone_and_is_accessible(
    browser: Any, tmp_path: Path, name: str, width: int, scheme: str
) -> None:
    """On a phone in the light and a desk in the dark: one request (the file), no sideways scrolling, no finding of
    axe-core, and words of the chart that neither run out of it nor are too small to read."""
    file = tmp_path / "losses.html"
    file.write_text(page_of(tmp_path, name), encoding="utf-8")
    with opened(browser, file, width, scheme) as shown:
        assert shown.requests == [file.as_uri()]
        assert fits_across(shown.page)
        assert findings(shown.page) == []
        chart = shown.page.locator("svg.chart")
        frame = chart.bounding_box()
        scale = frame["width"] / 360
        assert 11 * scale > 10.5
        for words in chart.locator("text").all():
            box = words.bounding_box()
            assert box["x"] >= frame["x"] - EDGE
            assert box["x"] + box["width"] <= frame["x"] + frame["width"] + EDGE
