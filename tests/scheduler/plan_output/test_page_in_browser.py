"""The report in a real browser: nothing is asked of a network, nothing is hidden, and axe-core finds nothing.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from scheduler.plan_output.page import report_text
from scheduler.plans.plan import Plan
from tests.builders.browser import DESK, EDGE, HEIGHT, LOOKS, findings, fits_across, opened
from tests.builders.nights import Drive, flat_night
from tests.builders.plans import demo_plan, hand_made_plan

SIZES = """drawing => [...drawing.querySelectorAll("text")].map(
    text => parseFloat(getComputedStyle(text).fontSize) * drawing.getScreenCTM().a)"""
"""Font size of each word of a drawing, on the screen [px]."""
NIGHTS = ("demo", "missed", "nothing", "week")


def missed_plan() -> Plan:
    """A trip that the car cannot be ready for, at a site with a name that knows no end and no mercy."""
    charge = np.array([7.0, 7.0, 0, 0, 0, 0, 7.0, 7.0])
    night = flat_night(soc_percent=20.3, trips=[Drive(2, 6, 101)])
    missed = hand_made_plan(night, charge_kw=charge, warnings=("A warning of some length, as warnings are.",))
    site = replace(missed.inputs.site, name="<script>alert(1)</script>" + "Unbroken" * 20)
    return replace(missed, inputs=replace(missed.inputs, site=site))


def week_plan() -> Plan:
    """Seven days with five trips and a block in every night."""
    charge, discharge = np.zeros(168), np.zeros(168)
    for day in range(7):
        charge[24 * day + 8 : 24 * day + 10] = 5.0
        discharge[24 * day : 24 * day + 2] = 3.0
    trips = [Drive(24 * day + 14, 24 * day + 23, 30) for day in range(5)]
    return hand_made_plan(flat_night(168, trips=trips, import_price=0.3456, export_price=-0.0123), charge, discharge)


@pytest.fixture(scope="module")
def reports(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The report of each of NIGHTS, alone in a folder."""
    folder = tmp_path_factory.mktemp("reports")
    plans = {
        "demo": demo_plan(),
        "missed": missed_plan(),
        "nothing": hand_made_plan(flat_night()),
        "week": week_plan(),
    }
    written = {}
    for name in NIGHTS:
        written[name] = folder / f"{name}.html"
        written[name].write_text(report_text(plans[name]), encoding="utf-8")
    return written


@pytest.mark.parametrize(("width", "scheme"), LOOKS)
@pytest.mark.parametrize("night", NIGHTS)
def test_the_page_stands_alone_and_is_accessible(
    browser: Any, reports: dict[str, Path], night: str, width: int, scheme: str
) -> None:
    """On a phone in the light and a desk in the dark: one request (the file), no message, no sideways scrolling,
    the sentence of the night inside the first screen, and no finding of axe-core."""
    with opened(browser, reports[night], width, scheme) as shown:
        assert shown.requests == [reports[night].as_uri()]
        assert shown.messages == []
        assert fits_across(shown.page)
        heading = shown.page.locator("h1").bounding_box()
        assert heading["y"] >= 0
        assert heading["y"] + heading["height"] < HEIGHT / 2
        assert findings(shown.page) == []


def test_a_missed_departure_is_on_the_first_screen(browser: Any, reports: dict[str, Path]) -> None:
    """On a phone, what is said of it begins above the fold."""
    with opened(browser, reports["missed"]) as shown:
        assert shown.page.get_by_role("heading", name="Not ready for a trip").bounding_box()["y"] < HEIGHT


@pytest.mark.parametrize("night", NIGHTS)
def test_the_charts_words_can_be_read_on_a_phone(browser: Any, reports: dict[str, Path], night: str) -> None:
    """No word in a drawing is smaller than 10.5 px, runs out of it, or lies on another."""
    with opened(browser, reports[night]) as shown:
        for drawing in shown.page.locator("svg.chart").all():
            frame = drawing.bounding_box()
            words = drawing.locator("text").all()
            boxes = [(each.text_content(), each.bounding_box()) for each in words]
            sizes = drawing.evaluate(SIZES)
            assert min(sizes) > 10.5
            for text, box in boxes:
                assert box["x"] >= frame["x"] - EDGE, text
                assert box["x"] + box["width"] <= frame["x"] + frame["width"] + EDGE, text
            for at, (text, box) in enumerate(boxes):
                for other_text, other in boxes[at + 1 :]:
                    assert not _overlap(box, other), (text, other_text)


@pytest.mark.parametrize("night", ["demo", "missed", "nothing"])
def test_it_prints_on_one_page(browser: Any, reports: dict[str, Path], night: str) -> None:
    """As A4, an ordinary night takes one sheet."""
    with opened(browser, reports[night], DESK) as shown:
        printed = shown.page.pdf(prefer_css_page_size=True)
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page/") == 1


def _overlap(one: dict[str, float], other: dict[str, float]) -> bool:
    """Whether two boxes share more than the room that a font keeps above and below its letters."""
    across = min(one["x"] + one["width"], other["x"] + other["width"]) - max(one["x"], other["x"])
    down = min(one["y"] + one["height"], other["y"] + other["height"]) - max(one["y"], other["y"])
    return across > 2 * EDGE and down > 5 + 2 * EDGE
