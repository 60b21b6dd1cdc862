"""Every page in a real browser by the same rules, at phone and desk width, light and dark.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from scheduler.comparison.compare import compare
from scheduler.comparison.sites import compare_sites
from scheduler.diagnostics.losses import fit_table
from scheduler.diagnostics.losses_report import losses_page
from scheduler.diagnostics.wear import WearOptions, wear_of_trace
from scheduler.diagnostics.wear_report import wear_page
from scheduler.rolling.period import CompareOptions
from scheduler.rolling.workers import workers_here
from scheduler.sweep.page import sweep_page
from tests.builders.browser import DESK, EVERY_LOOK, LOOKS, PHONE, findings, fits_across, opened, unfold
from tests.builders.places import SCENARIOS
from tests.builders.plans import saved_demo_plan
from tests.builders.sweep_runs import made_up_manifest, made_up_runs

DEMO = SCENARIOS / "bookbindery"
OFFERS = tuple(Path(f"offers/{name}.toml") for name in ("evening-feed-in", "day-and-night", "low-draw"))
NAMES = ("plan", "comparison", "sites", "sweep", "wear", "wear-of-a-plan", "losses")
SHADES = """() => [...document.querySelectorAll(".plot text, .chart text, .plot [style*=stroke], .chart path")].map(
    mark => getComputedStyle(mark)[mark.tagName == "text" ? "fill" : "stroke"])"""
"""Colours of the lines and words of all drawings."""
SCROLLED = """box => {
    const first = box.querySelector("tbody th"), other = box.querySelector("tbody td");
    const left = each => each.getBoundingClientRect().left;
    const before = [left(first), left(other)];
    box.scrollLeft = 40;
    const behind = getComputedStyle(box).backgroundImage;
    return {first: left(first) - before[0], other: left(other) - before[1], behind: behind};
}"""
"""By how much the first column and another move when a table is scrolled by 40 px, and what shows that it can be."""
FACTS = """() => [...document.querySelectorAll(".facts dt")].map(
    name => name.nextElementSibling.getBoundingClientRect().top - name.getBoundingClientRect().bottom)"""
"""How far each fact begins under the end of its name; negative where they stand side by side [px]."""
ROW_ENDS = """() => [...document.querySelectorAll("tr")].map(
    row => new Set([...row.children].map(cell => cell.getBoundingClientRect().bottom)).size)"""
"""At how many heights the cells of each row end."""
LINES = """cell => {
    const words = document.createRange();
    words.selectNodeContents(cell);
    return new Set([...words.getClientRects()].map(each => each.top)).size;
}"""
"""On how many lines a cell's words stand."""
SIZES = """() => [...document.querySelectorAll("main *:not(svg *)")].map(
    each => parseFloat(getComputedStyle(each).fontSize))"""
"""Sizes of all text outside drawings [px]."""
ROOT_SIZE = "parseFloat(getComputedStyle(document.documentElement).fontSize)"


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The demo night; a comparison of three offers over two days of two months, and of three such sites; the wear of
    its best year and of the night; made-up runs of eight groups; the demo's losses."""
    folder = tmp_path_factory.mktemp("pages") / "out"
    words = CompareOptions(DEMO, OFFERS, "2026-02-28", "2026-03-01", hardware=DEMO / "hardware.toml", today="Low draw")
    compared = compare(words, folder, jobs=1)
    for name in ("bookbindery", "bookbindery-2", "bookbindery-3"):
        shutil.copytree(folder / "runs", folder / "sites" / name / "runs")
    compare_sites((DEMO, DEMO, DEMO), words, folder / "sites", workers_here(1))
    plan = saved_demo_plan(folder)
    runs = [made_up_runs(settings=(0, 2)).assign(law=law) for law in ("flat", "depth", "stress", "nmc")]
    texts = {
        "wear": wear_page(wear_of_trace(WearOptions(folder / f"metered-{compared.best.name}.csv", DEMO, None, None))),
        "wear-of-a-plan": wear_page(wear_of_trace(WearOptions(plan, DEMO, None, None))),
        "sweep": sweep_page(pd.concat(runs, ignore_index=True), made_up_manifest()),
        "losses": losses_page(fit_table(DEMO / "losses.csv")),
    }
    for name, text in texts.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    written = {name: folder / f"{name}.html" for name in (*texts, "comparison")}
    return {**written, "plan": plan / "report.html", "sites": folder / "sites" / "sites.html"}


@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [(name, *look) for name in NAMES for look in (EVERY_LOOK if name in ("plan", "comparison") else LOOKS)],
)
def test_a_page_stands_alone_and_is_accessible(
    browser: Any, pages: dict[str, Path], name: str, width: int, scheme: str
) -> None:
    """One request (the file), no message, no sideways scrolling, folded or not, and no finding of axe-core."""
    with opened(browser, pages[name], width, scheme) as shown:
        assert fits_across(shown.page)
        unfold(shown.page)
        assert fits_across(shown.page)
        assert findings(shown.page) == []
        assert shown.requests == [pages[name].as_uri()]
        assert shown.messages == []


@pytest.mark.parametrize("name", NAMES)
def test_every_page_has_the_same_parts(browser: Any, pages: dict[str, Path], name: str) -> None:
    """Title, answer, cautions, inputs and the files they came from, in this order."""
    with opened(browser, pages[name]) as shown:
        kind = shown.page.locator(".title").inner_text()
        assert shown.page.title().startswith(f"{kind}: ")
        text = shown.page.locator("main").inner_text()
        parts = [kind, shown.page.locator("h1").inner_text(), "Cautions", "Inputs", "Files read", "Made by overnight"]
        begins = [found.start() for part in parts for found in [re.search(rf"(?m)^{re.escape(part)}", text)] if found]
        assert len(begins) == len(parts)
        assert begins == sorted(begins)


@pytest.mark.parametrize("name", NAMES)
def test_drawings_follow_the_page_into_the_dark(browser: Any, pages: dict[str, Path], name: str) -> None:
    """No line and no word is black or white in the dark, where neither is the page's ink or paper."""
    with opened(browser, pages[name], scheme="dark") as shown:
        words = shown.page.evaluate("() => getComputedStyle(document.querySelector('svg text')).fill")
        assert words == shown.page.evaluate("() => getComputedStyle(document.body).color") != "rgb(0, 0, 0)"
        shades = shown.page.evaluate(SHADES)
        assert len(shades) > 10
        assert not [each for each in shades if "rgb(0, 0, 0)" in each or "rgb(255, 255, 255)" in each]


@pytest.mark.parametrize("name", ["comparison", "sweep"])
def test_a_wide_table_keeps_its_first_column_and_shows_that_it_scrolls(
    browser: Any, pages: dict[str, Path], name: str
) -> None:
    """On a phone, of all tables that are wider than it."""
    with opened(browser, pages[name]) as shown:
        unfold(shown.page)
        boxes = shown.page.locator(".across").all()
        wide = [box for box in boxes if box.evaluate("box => box.scrollWidth >= box.clientWidth + 40")]
        assert wide
        for box in wide:
            moved = box.evaluate(SCROLLED)
            assert abs(moved["first"]) < 1
            assert moved["other"] == pytest.approx(-40, abs=1)
            assert moved["behind"].count("linear-gradient") == 2


@pytest.mark.parametrize(("width", "under"), [(PHONE, True), (DESK, False)])
@pytest.mark.parametrize("name", NAMES)
def test_facts_and_rows_are_in_line(browser: Any, pages: dict[str, Path], name: str, width: int, under: bool) -> None:
    """On a phone each value is under its name, at a desk beside it; all cells of a row end at one height."""
    with opened(browser, pages[name], width) as shown:
        apart = shown.page.evaluate(FACTS)
        assert apart
        assert all((each >= -1) == under for each in apart)
        assert set(shown.page.evaluate(ROW_ENDS)) == {1}


def test_the_range_by_wear_law_is_on_one_line_of_a_phone(browser: Any, pages: dict[str, Path]) -> None:
    """And the table of money needs no scrolling there."""
    with opened(browser, pages["plan"]) as shown:
        assert [each.evaluate(LINES) for each in shown.page.locator("tr.aside td").all()] == [1, 1, 1]
        money = shown.page.get_by_role("region", name="Money")
        assert money.evaluate("box => box.scrollWidth <= box.clientWidth")


@pytest.mark.parametrize("name", NAMES)
def test_print_sizes_follow_one_root(browser: Any, pages: dict[str, Path], name: str) -> None:
    """On paper the root is 8 points, and all text outside drawings doubles with it."""
    with opened(browser, pages[name], DESK) as shown:
        shown.page.emulate_media(media="print")
        before, root = shown.page.evaluate(SIZES), shown.page.evaluate(ROOT_SIZE)
        assert root == pytest.approx(8 * 96 / 72, abs=0.01)
        shown.page.evaluate(f"document.documentElement.style.fontSize = '{2 * root}px'")
        assert shown.page.evaluate(SIZES) == pytest.approx([2 * each for each in before], rel=0.01)


def test_a_comparison_prints_on_three_sheets(browser: Any, pages: dict[str, Path]) -> None:
    """As A4, with three offers, today's, the hardware, and months."""
    with opened(browser, pages["comparison"], DESK) as shown:
        printed = shown.page.pdf(prefer_css_page_size=True)
    assert 1 <= printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/") <= 3


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_a_comparison_s_rows_of_dots_are_as_wide_as_the_page(browser: Any, pages: dict[str, Path], width: int) -> None:
    """From a name at the left edge to an amount at the right one; at a desk a mark stands between them."""
    with opened(browser, pages["comparison"], width) as shown:
        room = shown.page.locator("h2").first.bounding_box()
        drawing = shown.page.locator(".one .fluid").first
        names = [each.bounding_box() for each in drawing.locator(".row-name").all()]
        amounts = [each.bounding_box() for each in drawing.locator(".row-amount").all()]
        marks = [each.bounding_box() for each in drawing.locator("svg > circle, svg > polygon").all()]
    assert len(names) == len(amounts) == 7
    for name, amount in zip(names, amounts, strict=True):
        assert name["x"] == pytest.approx(room["x"], abs=3)
        assert amount["x"] + amount["width"] == pytest.approx(room["x"] + room["width"], abs=3)
        assert name["x"] + name["width"] < amount["x"]
    if width == DESK:
        assert max(each["x"] + each["width"] for each in names) < min(each["x"] for each in marks)
        assert max(each["x"] for each in marks) < min(each["x"] for each in amounts)
