"""What came of it: sums that are those of the nights, a drawing that says them, and each night opened."""

from __future__ import annotations

import html
import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from scheduler.record.demo import demo_record
from scheduler.record.settled import WAYS, SettledNight, keep_settled, settled_nights
from scheduler.record.store import opened_record
from scheduler.record.totals import totals, totals_by_month
from scheduler.web.earned_chart import earned_chart
from scheduler.web.plan_view import plan_key
from scheduler.web.question import Question
from tests.builders.plans import demo_copy
from tests.builders.settled import night_flows_of, settled_night
from tests.builders.web import client_of, demo_answer

EARNED = "/s/site/earned"
NIGHTS = [
    settled_night(0, cost=3.0, cost_on_return=5.25, cost_charge_only=4.0),
    settled_night(1, cost=4.0, cost_on_return=3.5, was_set=False, short=1, why="A <b>cold</b> morning."),
    settled_night(40, cost=1.0, cost_on_return=2.0, cost_charge_only=0.5, soc_told_percent=66.0),
]


@pytest.fixture
def client(tmp_path: Path) -> TestClient:
    """A client of a site with a plan and three settled nights in two months."""
    site = demo_copy(tmp_path / "site")
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    with opened_record(site) as record:
        for night in NIGHTS:
            keep_settled(record, night, {way: night_flows_of(night) for way in WAYS}, "{}")
    return client_of(site)


def plain(text: str) -> str:
    """The words of a page, with plain blanks."""
    return " ".join(re.sub(r"<[^>]*>", " ", text).replace("\N{NO-BREAK SPACE}", " ").split())


def test_the_total_is_the_sum_of_the_nights(client: TestClient) -> None:
    """2.25 + 1.00 of the two that were set, worked by hand; and by month, the newest first."""
    text = plain(client.get(EARNED).text)
    assert "2 nights earned 3.25 EUR" in text
    assert "April 2026 1 1.00 −0.50 0.40" in text
    assert "March 2026 1 2.25 1.00 0.40" in text
    assert "1 more night, whose plan is not marked as set, counts in no sum." in text
    assert "Best: Monday 2 March 2026, 18:20, 2.25 EUR." in text
    assert "Worst: Saturday 11 April 2026, 19:20, 1.00 EUR." in text
    assert "invented" not in text


def test_the_nights_of_a_month_are_listed_and_opened(client: TestClient) -> None:
    """The newest month unless another is asked for; each night leads to its own page."""
    newest, march = client.get(EARNED).text, client.get(f"{EARNED}?month=2026-03").text
    assert "Nights of April 2026" in newest
    assert f'href="{EARNED}?month=2026-03#nights"' in newest
    assert "Nights of March 2026" in march
    links = re.findall(rf'href="({EARNED}/\d{{8}}T\d{{4}}Z)"', march)
    assert links == [f"{EARNED}/{plan_key(night.begin)}" for night in (NIGHTS[1], NIGHTS[0])]
    assert "not marked as set, left with too little" in plain(march)
    opened = client.get(links[1])
    assert "This night earned 2.25 EUR compared with charging on return" in opened.text
    assert f'href="/s/site/plan/{plan_key(NIGHTS[0].begin)}"' in opened.text
    lost = client.get(links[0]).text
    assert "This night lost 0.50 EUR" in lost
    assert "A &lt;b&gt;cold&lt;/b&gt; morning." in lost
    assert "1 of 1 with too little; the chance of too little was about 5 %" in plain(lost)
    assert "you told 66 %" in plain(client.get(f"{EARNED}/{plan_key(NIGHTS[2].begin)}").text)


@pytest.mark.parametrize("month", ["2026-13", "1999-01", "x", "", "２026-03"])
def test_a_month_without_nights_is_the_newest(client: TestClient, month: str) -> None:
    assert "Nights of April 2026" in client.get(EARNED, params={"month": month}).text


def test_an_evening_that_is_not_settled_is_listed(tmp_path: Path) -> None:
    """With how nights are settled."""
    site = demo_copy(tmp_path / "site")
    shutil.rmtree(site / "demo_record")
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    client = client_of(site)
    text = plain(client.get(EARNED).text)
    assert "1 evening planned, none settled yet" in text
    assert "Mon 2 March, 18:20 not marked as set not settled" in text
    assert "overnight record SITE --meter FILE" in text
    assert "This night is not settled yet" in client.get(f"{EARNED}/20260302T1620Z").text


def test_a_newcomer_sees_the_demo_s_invented_evenings(tmp_path: Path) -> None:
    """Sixty, said to be invented, with the sums that `overnight record` tells of them; own plans stand beside them."""
    site = demo_copy(tmp_path / "site")
    client = client_of(site)
    text = plain(client.get(EARNED).text)
    assert "These are invented evenings that come with the demo, not yours." in text
    with demo_record(site) as record:
        nights = settled_nights(record)
    counted = totals(nights).only_set
    assert len(nights) == 60
    assert f"{counted.count} nights earned {counted.earned_on_return:.2f} EUR" in text
    assert f"{60 - counted.count} more nights, whose plans are not marked as set, count in no sum." in text
    assert "The hardware" in text
    assert "fees included" in text
    newest = client.get(f"{EARNED}/{plan_key(nights[-1].begin)}")
    assert "one of the invented evenings" in newest.text
    assert nights[-1].why in html.unescape(newest.text)
    demo_answer(Question(site, None))  # type: ignore[arg-type]
    assert "Mon 2 March, 18:20" in client.get(EARNED).text
    with opened_record(site) as record:
        keep_settled(record, NIGHTS[0], {way: night_flows_of(NIGHTS[0]) for way in WAYS}, "{}")
    assert "invented" not in client.get(EARNED).text


def nights_of(months: int, earned: float) -> list[SettledNight]:
    """A night in each of some months."""
    first = datetime.fromisoformat("2025-01-10T17:00+00:00")
    return [
        settled_night(
            begin=first + timedelta(days=30.5 * at), cost=1.0, cost_on_return=1.0 + earned, cost_charge_only=1.5
        )
        for at in range(months)
    ]


@pytest.mark.parametrize("months", [1, 5, 12, 30])
@pytest.mark.parametrize("earned", [0.0, -3.0, 0.004, 1e6])
def test_the_drawing_says_what_it_shows(months: int, earned: float) -> None:
    """At most twelve months; every bar lies in the drawing; the sum stands in its title."""
    drawn = earned_chart(totals_by_month(nights_of(months, earned), "Europe/Helsinki"))
    count = min(months, 12)
    bars = re.findall(
        r'<rect class="(?:share series3|discharge)" x="([-\d.]+)" y="([-\d.]+)" width="([-\d.]+)" height="([-\d.]+)"',
        drawn,
    )
    assert len(bars) == 2 * count + 2  # and two samples in the legend
    for x, y, width, height in (map(float, bar) for bar in bars):
        assert 0 <= x <= x + width <= 360
        assert 0 <= y <= y + height <= 270
    assert f"{count * earned:.2f}".replace("-", "−").replace("−0.00", "0.00") in drawn
    assert drawn.count(" EUR;") + 1 == count
