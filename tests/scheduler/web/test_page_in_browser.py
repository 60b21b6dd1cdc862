"""The page in a real browser, with JavaScript and without: a whole evening, what is pressed, what axe-core finds.

Sources: WCAG 2.2 through axe-core's rules (the package axe-playwright-python carries them); 44 px for what is pressed
(WCAG 2.5.5). Nothing waits on a clock: a page that looks again by itself is waited for without limit.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from scheduler.record.settled import WAYS, keep_settled
from scheduler.record.store import opened_record
from scheduler.web.app import page_app
from scheduler.web.guard import Access
from scheduler.web.passphrase import passphrase_of
from scheduler.web.question import Question
from scheduler.web.sites import web_sites
from tests.builders.browser import DESK, HEIGHT, PHONE, findings, fits_across, unfold
from tests.builders.plans import demo_copy
from tests.builders.settled import night_flows_of, settled_night
from tests.builders.web import NOW, Waiting, demo_answer, served

PHRASE = "four lanterns by the quay"
PRESSED = """() => [...document.querySelectorAll("a, button, input:not([type=hidden]), select, summary")]
    .filter(each => each.checkVisibility() && !each.classList.contains("skip"))
    .map(each => [each.outerHTML.slice(0, 80), (each.closest("label") ?? each).getBoundingClientRect().height])
    .filter(([name, height]) => height < 44)"""
"""What can be pressed and is lower than 44 px; a tick counts with the words beside it."""
SCREENS = (
    "",
    "s/site/tonight",
    "s/site/plan",
    "s/site/earned",
    "s/site/earned/20260302T1620Z",
    "s/site/site",
    "s/site/change",
)


class Clock:
    """The page's clock, set by a test."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        """Give the time."""
        return self.now


@pytest.fixture
def clock() -> Clock:
    """A clock that begins with the demo evening."""
    return Clock()


@contextmanager
def opened(
    browser: Any, width: int = PHONE, scheme: str = "light", scripts: bool = True
) -> Iterator[tuple[Any, list[str]]]:
    """An empty page of a browser of this width, and what comes onto its console or is asked of others."""
    context = browser.new_context(
        viewport={"width": width, "height": HEIGHT},
        color_scheme=scheme,
        java_script_enabled=scripts,
        accept_downloads=True,
    )
    context.set_default_timeout(0)
    page = context.new_page()
    told: list[str] = []
    page.on("console", lambda message: told.append(message.text))
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on("request", lambda request: "127.0.0.1" in request.url or told.append(request.url))
    yield page, told
    context.close()


@pytest.mark.parametrize("scripts", [True, False], ids=["with JavaScript", "without"])
def test_an_evening_on_a_phone(browser: Any, tmp_path: Path, clock: Clock, scripts: bool) -> None:
    """Enter the car and the trips, slip, put it right, wait, read, set, tell the morning, look at the night."""
    site = demo_copy(tmp_path / "site")
    waiting = Waiting()
    app = page_app(web_sites([site]), waiting, now=clock)
    with served(app) as address, opened(browser, scripts=scripts) as (page, told):
        page.goto(address)
        page.get_by_label("State of charge now").fill("71 %")
        page.get_by_label("Leaves").fill("half eight")
        page.get_by_role("button", name="Plan tonight").click()
        page.get_by_text("expected a time such as 07:30").wait_for()
        assert page.get_by_label("Leaves").input_value() == "half eight"
        assert page.get_by_label("State of charge now").input_value() == "71 %"

        page.get_by_role("button", name="Add a trip").click()
        page.get_by_text("Trip 2", exact=True).wait_for()
        page.get_by_role("button", name="Take trip 2 away").click()
        page.get_by_text("Trip 2", exact=True).wait_for(state="detached")
        assert page.get_by_label("Leaves").input_value() == "half eight"
        page.get_by_label("Leaves").fill("7:30")
        page.get_by_label("Back").fill("6pm")
        page.get_by_label("Distance").fill("96")
        page.get_by_label("Distance").press("Enter")  # plans: no row is taken away by it

        page.get_by_role("heading", name="Planning the night").wait_for()
        waiting.begun.wait()
        page.reload()  # sends nothing again
        waiting.go_on.set()
        page.wait_for_url("**/plan")  # which it comes to by itself
        page.get_by_text("Now: discharge at 2.9").wait_for()
        assert len(waiting.asked) == 1
        assert waiting.asked[0].options.trips == ("7:30-6pm 96 km",)

        page.get_by_role("button", name="I have set it").click()
        page.get_by_text("Set 18:20.").wait_for()
        with page.expect_download() as download:
            page.get_by_role("link", name="Calendar file").click()
        assert Path(download.value.path()).read_text(encoding="utf-8").startswith("BEGIN:VCALENDAR")

        clock.now = NOW + timedelta(hours=13)
        page.get_by_role("link", name="What came of it").click()
        page.get_by_label("The car showed").fill("79")
        page.get_by_role("button", name="Note it").first.click()
        page.get_by_role("link", name="Mon 2 March, 18:20").click()
        page.get_by_text("before the drive").wait_for()
        clock.now = NOW + timedelta(hours=23, minutes=50)
        page.get_by_role("link", name="Tonight").click()
        page.get_by_label("Yes, the car shows").check()
        page.get_by_role("button", name="Plan tonight").click()
        page.wait_for_url("**/plan")
        assert len(waiting.asked) == 2
        assert told == []


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The page of two sites: one with a plan, nights settled and not; the other with files at fault."""
    folder = tmp_path_factory.mktemp("browser")
    site, other = demo_copy(folder / "site"), demo_copy(folder / "broken")
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    with opened_record(site) as record:
        for number in range(-90, -1):
            night = settled_night(number, cost=3.0 + number % 7 / 3)
            keep_settled(record, night, {way: night_flows_of(night) for way in WAYS}, "{}")
    (other / "load.csv").write_text("start,kw\nnever,1\n", encoding="utf-8")
    waiting = Waiting()
    app = page_app(web_sites([site, other]), waiting, now=lambda: NOW + timedelta(hours=2))
    with served(app) as address:
        yield address
    waiting.go_on.set()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, DESK])
def test_every_screen_is_accessible(browser: Any, address: str, width: int, scheme: str) -> None:
    """No finding of axe-core, no sideways scrolling, nothing on the console, nothing asked of another.

    All screens on a phone in the light and on a desk in the dark, the three of the evening the other way round too.
    """
    with opened(browser, width, scheme) as (page, told):
        both = (width, scheme) in ((PHONE, "light"), (DESK, "dark"))
        for screen in (*SCREENS, "s/broken/tonight", "s/broken/site", "s/none/tonight") if both else SCREENS[1:4]:
            page.goto(f"{address}/{screen}")
            unfold(page)
            assert fits_across(page), screen
            assert findings(page) == [], screen
            if scheme == "dark":
                assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(25, 27, 31)"
        refusal = "Failed to load resource: the server responded with a status of 404 (Not Found)"
        assert [each for each in told if each != refusal] == []


def test_a_form_with_faults_and_a_wait_are_accessible(browser: Any, address: str) -> None:
    """What is wrong is told to readers who cannot see it, and the page that waits has no finding either."""
    with opened(browser) as (page, told):
        page.goto(f"{address}/s/site/tonight")
        page.get_by_label("State of charge now").fill("0.71")
        page.get_by_label("Away until").fill("late")
        page.get_by_role("button", name="Plan tonight").click()
        page.get_by_role("heading", name="lines to look at again").wait_for()
        assert findings(page) == []
        assert fits_across(page)
        marked = page.locator("[aria-invalid=true]")
        assert marked.count() == 2
        described = marked.first.get_attribute("aria-describedby") or ""
        assert "did you mean 71" in page.locator(f"#{described.split()[-1]}").inner_text()
        page.get_by_label("State of charge now").fill("71")
        page.get_by_label("Away until").fill("")
        page.get_by_role("button", name="Plan tonight").click()
        page.get_by_role("heading", name="Planning the night").wait_for()
        assert findings(page) == []
        assert told == []


def test_what_is_pressed_is_large_enough(browser: Any, address: str) -> None:
    """At least 44 px high on a phone, on every screen."""
    with opened(browser) as (page, _):
        for screen in SCREENS:
            page.goto(f"{address}/{screen}")
            unfold(page)
            assert page.evaluate(PRESSED) == [], screen


def test_the_keyboard_reaches_everything_in_order(browser: Any, address: str) -> None:
    """From the link that skips the bar to the button that plans, each shows that it has the focus."""
    with opened(browser) as (page, _):
        page.goto(f"{address}/s/site/tonight")
        reached: list[str] = []
        while "Plan tonight" not in reached:
            page.keyboard.press("Tab")
            reached.append(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))
            outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert outline == "solid", reached[-1]
            assert len(reached) < 40
        wanted = [
            "To the content",
            "All sites",
            "Tonight",
            "soc",
            "away",
            "leaves-0",
            "back-0",
            "distance-0",
            "pace-0",
            "outside",
        ]
        assert [each for each in reached if each in wanted] == wanted


def test_the_report_opens_with_its_own_style_and_nothing_else(browser: Any, address: str) -> None:
    """Its hash allows the style within it; nothing else is allowed, and nothing is missed."""
    with opened(browser) as (page, told):
        page.goto(f"{address}/s/site/plan")
        page.get_by_role("link", name="Whole report").click()
        page.get_by_role("heading", name="What to set").wait_for()
        assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(251, 248, 241)"
        assert told == []


def test_signing_in_and_out(browser: Any, tmp_path: Path) -> None:
    """A wrong passphrase, the right one, an evening's form that is taken, and out again; without JavaScript."""
    site = demo_copy(tmp_path / "site")
    app = page_app(web_sites([site]), demo_answer, Access(passphrase=passphrase_of(PHRASE)), now=lambda: NOW)
    with served(app) as address, opened(browser, scripts=False) as (page, _):
        page.goto(f"{address}/s/site/tonight")
        page.get_by_label("Passphrase").fill("wrong")
        page.get_by_role("button", name="Sign in").click()
        page.get_by_text("This is not the passphrase.").wait_for()
        page.get_by_label("Passphrase").fill(PHRASE)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_label("State of charge now").fill("71")
        page.get_by_role("button", name="Plan tonight").click()
        page.wait_for_url("**/plan")
        page.get_by_role("button", name="Sign out").click()
        page.get_by_label("Passphrase").wait_for()
        page.goto(f"{address}/s/site/plan")
        assert page.url.endswith("/sign-in")
