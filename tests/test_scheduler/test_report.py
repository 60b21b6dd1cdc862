"""The report: one page that needs nothing from anywhere, says what plan.json says, and can be read without seeing."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from scheduler.build_night import build_night
from scheduler.charts import LEFT, RIGHT, WIDTH, power_chart, state_chart
from scheduler.evening_words import EveningWords, understand
from scheduler.inputs import Inputs, read_inputs
from scheduler.plan import Plan
from scheduler.plan_json import plan_document
from scheduler.report import report_text
from scheduler.tonight import plan_tonight, solve_and_verify

DEMO = Path(__file__).parents[2] / "scenarios" / "bookbindery"
VOID = {"meta", "br"}


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """The demo site's files."""
    return read_inputs(DEMO)


@pytest.fixture(scope="module")
def plan() -> Plan:
    """The demo night."""
    return plan_tonight(DEMO, EveningWords(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",)))


def planned(inputs: Inputs, words: EveningWords) -> Plan:
    """A plan from changed inputs."""
    evening = understand(words, inputs)
    night, warnings = build_night(inputs, evening)
    return solve_and_verify(inputs, evening, night, warnings)


class Page(HTMLParser):
    """What is on the page: text, tags in order, and that every tag is closed where it should be."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the tag."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep a tag that closes itself, as in a drawing."""
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        """The tag that was opened last is closed first."""
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        """Keep the words, but not the style sheet."""
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        """All words on one line."""
        return " ".join(" ".join(self.words).split())


def test_the_page_is_well_formed_and_asks_nothing_of_a_network(plan: Plan) -> None:
    """Every tag is closed, and no script, frame, link, import or address outside the page is in it."""
    text = report_text(plan)
    page = Page(text)
    assert page.open == []
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "img", "object", "form", "audio", "video"}
    assert not re.search(r"https?://|@import|src\s*=|url\((?!#)", text)


def test_it_says_what_the_plan_says(plan: Plan) -> None:
    """The headline, every block with its reason, the departure, both savings and the cautions are on the page."""
    words, document = Page(report_text(plan)).text, plan_document(plan)
    assert plan.headline in words
    for block in document["blocks"]:
        assert f"{block['kw']:.1f} kW ({block['amps']:.1f} A)" in words
        assert block["reason"] in words
    assert f"saves {document['saving']:.2f} against charging on return" in words
    assert f"worth {document['discharge_value']:.2f} of that" in words
    assert "52.8 %" in words
    for caution in document["cautions"]:
        assert caution in words


def test_a_screen_reader_finds_its_way(plan: Plan) -> None:
    """One h1, then h2s; each table has a caption and scoped headings; each drawing a title and its gist in words."""
    page = Page(report_text(plan))
    names = [tag for tag, _ in page.tags]
    headings = [tag for tag in names if re.fullmatch(r"h\d", tag)]
    assert headings[0] == "h1"
    assert set(headings[1:]) == {"h2"}
    assert names.count("caption") == names.count("table") == 3
    assert all(attributes.get("scope") in ("col", "row") for tag, attributes in page.tags if tag == "th")
    drawings = [attributes for tag, attributes in page.tags if tag == "svg"]
    ids = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
    assert len(drawings) == 2
    for drawing in drawings:
        assert drawing["role"] == "img"
        assert set(str(drawing["aria-labelledby"]).split()) <= ids


def test_a_missed_target_is_said_in_words(inputs: Inputs) -> None:
    """Not by a colour alone: the page says which trip is not ready, and what would help."""
    missed = planned(inputs, EveningWords(30, now="2026-03-02T18:20", trips=("19:30-22:00 196km",)))
    words = Page(report_text(missed)).text
    assert "Not ready: the trip at Mon 19:30 needs 86.9 % and would leave with 44 %" in words
    assert "What would help:" in words


def test_a_night_with_nothing_to_set_says_so(inputs: Inputs) -> None:
    """Nothing is to be set, and the page says why."""
    alone = planned(inputs, EveningWords(80, now="2026-03-01T12:00", stay_home=True, wear_weight=50))
    words = Page(report_text(replace(alone, blocks=(), reasons=()))).text
    assert "Nothing. Leave the charger idle." in words
    assert "No trip is planned in this time." in words


def test_hostile_names_are_only_text(inputs: Inputs, plan: Plan) -> None:
    """A site called like a script is shown as it is written, and runs nothing."""
    hostile = replace(inputs, site=replace(inputs.site, name='<script>alert("1")</script> & "so"'))
    text = report_text(replace(plan, inputs=hostile))
    assert "<script" not in text
    assert '<script>alert("1")</script> & "so"' in Page(text).text


def test_a_currency_without_a_minor_unit_has_no_decimals(inputs: Inputs, plan: Plan) -> None:
    """Money in JPY is whole (ISO 4217)."""
    yen = replace(inputs, offer=replace(inputs.offer, currency="JPY"))
    words = Page(report_text(replace(plan, inputs=yen))).text
    assert re.search(r"The electricity of this time costs \d+ JPY\.", words)


def test_times_lie_where_their_instants_are(plan: Plan) -> None:
    """The first interval lasts 40 minutes of 24 hours: its bar ends that far across the drawing.

    From 40 px on, 332 px wide: 40 + 332 · 40 / 1440 = 49.2.
    """
    assert WIDTH - LEFT - RIGHT == 332
    bars = re.search(r'<path class="load" d="M([\d.]+) [\d.]+H([\d.]+)', power_chart(plan))
    assert bars is not None
    assert (bars[1], bars[2]) == ("40.0", "49.2")


def test_the_state_of_charge_is_drawn_to_scale(plan: Plan) -> None:
    """0 % lies at 150 px and 100 % at 22 px: 71 % at 150 - 0.71 · 128 = 59.1."""
    points = re.search(r'points="([\d.]+),([\d.]+) ', state_chart(plan))
    assert points is not None
    assert (points[1], points[2]) == ("40.0", "59.1")


@pytest.mark.parametrize("now", ["2025-10-25T18:00", "2026-03-28T18:00"])
def test_the_night_of_a_clock_change_is_drawn_by_instants(inputs: Inputs, now: str) -> None:
    """Helsinki (tz database): 24 hours are as wide as any, and the labels are those of the wall clock."""
    chart = state_chart(planned(inputs, EveningWords(50, now=now, stay_home=True)))
    assert chart.count("<polyline") == 1
    assert ">06:00<" in chart


def test_a_long_plan_has_fewer_labels(inputs: Inputs) -> None:
    """Two and a half days: a label every twelve hours, still in one drawing."""
    long = replace(inputs, site=replace(inputs.site, plan=replace(inputs.site.plan, horizon_hours=60.0)))
    chart = power_chart(planned(long, EveningWords(60, now="2026-03-02T18:00", stay_home=True)))
    assert ">Wed<" in chart
    assert ">06:00<" not in chart
