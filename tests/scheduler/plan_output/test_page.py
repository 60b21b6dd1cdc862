"""The report: one page that needs nothing from anywhere, says what plan.json says, and can be read without seeing."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.plan_output.page import report_text
from scheduler.plan_output.plan_json import plan_document
from scheduler.plans.plan import Plan, Replanned
from scheduler.plans.plan_tonight import solve_and_verify
from scheduler.plans.tonight import first_sentences, tonights_blocks
from tests.builders.nights import Drive, flat_night
from tests.builders.plans import demo_inputs, demo_plan, hand_made_plan

VOID = {"meta", "br"}


@pytest.fixture(scope="module")
def inputs() -> Inputs:
    """The demo site's files."""
    return demo_inputs()


@pytest.fixture(scope="module")
def plan() -> Plan:
    """The demo night."""
    return demo_plan()


def planned(inputs: Inputs, words: RequestOptions) -> Plan:
    """A plan from changed inputs."""
    evening = parse_request(words, inputs)
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


def heading(plan: Plan) -> str:
    """The page's large sentence."""
    found = re.search(r"<h1>(.*?)</h1>", report_text(plan))
    assert found is not None
    return " ".join(found[1].split())


def test_the_page_is_well_formed_and_asks_nothing_of_a_network(plan: Plan) -> None:
    """Every tag is closed, and no script, frame, link, import or address outside the page is in it."""
    text = report_text(plan)
    page = Page(text)
    assert page.open == []
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "img", "object", "form", "audio", "video"}
    assert not re.search(r"https?://|@import|src\s*=|url\((?!#)", text)


def test_it_says_what_the_plan_says(plan: Plan) -> None:
    """Each block of tonight with its reason, the departure, savings, cautions and inputs are those of plan.json."""
    words, document = Page(report_text(plan)).text, plan_document(plan)
    tonight = [block for block in document["blocks"] if block["start"] < document["tonight_until"]]
    assert len(tonight) == 3
    for block in tonight:
        ends = "" if block["stop_percent"] is None else f" until {block['stop_percent']:.3g} % is left"
        if block["until_percent"] is not None:
            ends = f" until {block['until_percent']:.3g} %"
        why, found, look = block["reason"].partition(" Look at the car from")
        shown = f"{found}{look}".strip()
        assert f"{block['kw']:.1f} kW ({block['amps']:.1f} A){ends} {shown + ' ' if shown else ''}Why {why}" in words
    (trip,) = document["trips"]
    assert (f"{trip['target_percent']:.1f}", f"{trip['planned_percent']:.1f}") == ("52.8", "80.0")
    assert "Tue 07:30 96 km, back Tue 18:00 52.8 % 80 % 27.2 over Mon 23:10" in words
    assert f"saves {document['saving']:.2f} in total compared with charging on return" in words
    told = re.search(r"([\d.]+) of that comes from discharging", words)
    # the page's sums are of the rounded rows that stand above them, so they may be a cent off
    assert told is not None
    assert float(told[1]) == pytest.approx(document["discharge_value"], abs=0.015)
    for costs in (document, *document["alternatives"].values()):
        assert f"{costs['costs']['total']:.2f}" in words
    for caution in document["cautions"]:
        assert caution in words
    for file, sha256 in document["inputs"].items():
        assert f"{file} {sha256[:12]}" in words
    assert f"{document['stored_energy_price_per_kwh']:.4f} EUR per kWh" in words
    assert f"overnight {document['program_version']}" in words


def test_the_money_adds_up_as_it_is_shown(plan: Plan) -> None:
    """In each column the shown rows sum to the shown total."""
    money = re.search(r"Electricity bought.*?Total( −?[\d.]+){3}", Page(report_text(plan)).text)
    assert money is not None
    summed = re.sub(r"by any wear law( [\d.]+(–[\d.]+)?){3}", "", money[0])
    amounts = [float(each.replace("−", "-")) for each in re.findall(r"(?<= )−?\d+\.\d\d\b", summed)]
    rows = np.array(amounts).reshape(-1, 3)
    assert np.allclose(rows[:-1].sum(axis=0), rows[-1], atol=0.001)


def test_it_begins_with_what_to_set_now_and_next(plan: Plan) -> None:
    """The largest sentence says what to set; when the car is ready and what is saved follows."""
    assert f"{heading(plan)} Next: 21:00, " in first_sentences(plan)[0]
    assert first_sentences(plan)[1] in Page(report_text(plan)).text


def test_a_night_of_many_charges_still_says_why_nothing_is_given() -> None:
    """Three blocks of charging: the sentence names the next, and the reason stands under it."""
    charge = np.array([0.0, 2.0, 0.0, 3.0, 0.0, 2.0, 0.0, 0.0])
    charges = hand_made_plan(flat_night(), charge_kw=charge)
    assert heading(charges) == "Now: leave the charger idle."
    assert "Next: 19:00, charge at 2.0 kW until 54 %." in Page(report_text(charges)).text
    assert "The car does not discharge, since " in Page(report_text(charges)).text


def test_the_picture_stands_under_the_headline_and_reasons_are_folded(plan: Plan) -> None:
    """What to do comes first, then the drawing of it; a reason opens on request, but when to look at the car is not
    folded; the words end the page."""
    text = report_text(plan)
    places = [text.index(each) for each in ("<h1>", "<svg", "<h2>What to set", "<h2>Money", "<h2>Inputs", "<h2>Words")]
    assert places == sorted(places)
    folded = re.findall(r"<details class=\"why\">.*?</details>", text, re.DOTALL)
    assert len(folded) == len(tonights_blocks(plan)) > 0
    assert "Look at the car from" in text
    assert not any("Look at the car from" in each for each in folded)
    assert "<details open" not in text


def test_only_words_that_occur_are_explained(plan: Plan) -> None:
    """A plan without charging on the way does not explain it, one with it does."""
    on_the_way = hand_made_plan(flat_night(soc_percent=20.3, trips=[Drive(2, 6, 101)]))
    assert [("On the way charging away" in Page(report_text(each)).text) for each in (plan, on_the_way)] == [
        False,
        True,
    ]


def test_a_screen_reader_finds_its_way(plan: Plan) -> None:
    """One h1, then h2s; each table has a caption and scoped headings; each drawing a title and its gist in words."""
    page = Page(report_text(plan))
    names = [tag for tag, _ in page.tags]
    headings = [tag for tag in names if re.fullmatch(r"h\d", tag)]
    assert headings[0] == "h1"
    assert set(headings[1:]) == {"h2"}
    assert names.count("caption") == names.count("table") == 3
    assert ("html", {"lang": "en"}) in page.tags
    assert all(attributes.get("scope") in ("col", "row") for tag, attributes in page.tags if tag == "th")
    drawings = [attributes for tag, attributes in page.tags if tag == "svg"]
    ids = {attributes["id"] for _, attributes in page.tags if "id" in attributes}
    assert len(drawings) == 2
    for drawing in drawings:
        assert drawing["role"] == "img"
        assert set(str(drawing["aria-labelledby"]).split()) <= ids


def test_a_missed_target_is_said_in_words(inputs: Inputs) -> None:
    """Not by a colour alone: the page says which trip is not ready, and what would help."""
    missed = planned(inputs, RequestOptions(30, now="2026-03-02T18:20", trips=("19:30-22:00 196km",)))
    words = Page(report_text(missed)).text
    assert "Not ready for a trip Trip Mon 19:30, 196 km: leaves with 44 %, 24.9 kWh short of its target" in words
    assert words.count("What would help:") == 1
    assert words.index("What would help:") < words.index("What to set")
    assert "86.9 % 44 % 42.9 short NOT READY, would be Mon 23:05" in words


def test_a_departure_that_is_ready_late_says_so() -> None:
    """30 km need 32 %: at 5 kW from 30 % that takes 12 minutes of the hour before departure, in which it is due."""
    charge = np.array([0.0, 5.0, 0, 0, 0, 0, 0, 0])
    late = hand_made_plan(flat_night(soc_percent=30, trips=[Drive(2, 6, 30)]), charge_kw=charge)
    assert re.search(r"32 % 40 % 8\.0 over Mon 19:\d\d, late", Page(report_text(late)).text)


def test_a_departure_with_nothing_to_spare_is_just_enough() -> None:
    """75 km need 50 %, and the car has 50 %."""
    exact = hand_made_plan(flat_night(trips=[Drive(2, 6, 75)]))
    assert "50 % 50 % just enough already" in Page(report_text(exact)).text


def test_warnings_that_are_not_urgent_come_later() -> None:
    """A warning on the forecast stands under "Please note", after the money."""
    noted = hand_made_plan(flat_night(), warnings=("The forecast is of another year.",))
    words = Page(report_text(noted)).text
    assert words.index("Total") < words.index("Please note The forecast is of another year. ") < words.index("Cautions")


def test_a_night_with_nothing_to_set_says_so(inputs: Inputs) -> None:
    """Nothing is to be set, and the page says why."""
    alone = planned(inputs, RequestOptions(80, now="2026-03-01T12:00", stay_home=True, wear_weight=50))
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
    assert re.search(r"Electricity over this plan costs \d+ JPY\.", words)


def test_a_replan_says_what_changed(plan: Plan) -> None:
    """The changes and what carrying on would come to are listed."""
    replanned = Replanned(
        "2026-03-02T1820", plan.made_at, 1, (), (), 0, 0, ("The car is at 64 %.",), "Costs 1 more.", 1.0
    )
    words = Page(report_text(replace(plan, replanned=replanned))).text
    assert "What changed since the plan 2026-03-02T1820 The car is at 64 %. Costs 1 more." in words


def test_a_file_outside_the_site_shows_no_folder(inputs: Inputs, plan: Plan, tmp_path: Path) -> None:
    """An offer from elsewhere is named by its file alone: a page that is passed on tells nothing of the machine."""
    elsewhere = tmp_path / "other-offer.toml"
    hashes = {**inputs.hashes, elsewhere: "0" * 64}
    text = report_text(replace(plan, inputs=replace(inputs, hashes=hashes)))
    assert "other-offer.toml <code>" in text
    assert str(tmp_path) not in text


@pytest.mark.parametrize("now", ["2025-10-25T18:00", "2026-03-28T18:00"])
def test_the_night_of_a_clock_change_is_reported(inputs: Inputs, now: str) -> None:
    """Helsinki (tz database): both charts mark where the clock changes."""
    words = Page(report_text(planned(inputs, RequestOptions(50, now=now, stay_home=True)))).text
    assert words.count("clock −1 h" if now.startswith("2025") else "clock +1 h") == 2


def schemes() -> dict[str, dict[str, str]]:
    """The style sheet's colours in light, dark and print."""
    style = (files("scheduler.render") / "templates" / "style.css").read_text(encoding="utf-8")
    found = [dict(re.findall(r"--(\w+): (#[0-9a-f]+)", block)) for block in re.findall(r":root \{([^}]*)\}", style)]
    return dict(zip(("light", "dark", "print"), found, strict=True))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours (WCAG 2.2, definitions of contrast ratio and relative luminance)."""
    lightness = []
    for colour in (one, other):
        digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
        channels = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
        linear = [each / 12.92 if each <= 0.04045 else ((each + 0.055) / 1.055) ** 2.4 for each in channels]
        lightness.append(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])
    return (max(lightness) + 0.05) / (min(lightness) + 0.05)


def test_contrast_is_measured_as_wcag_defines_it() -> None:
    """Black on white is 21 to 1, and #767676 on white 4.54 to 1 (a common example of just enough)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#fff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_words_and_marks_stand_out_in_each_scheme(scheme: str) -> None:
    """WCAG 2.2 AA: 4.5 to 1 for text (1.4.3), 3 to 1 for what a drawing needs (1.4.11), also over the shade of away."""
    colours = schemes()[scheme]
    for text in ("ink", "soft"):
        for ground in ("paper", "card", "away"):
            assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)
    for mark in ("take", "give", "sun", "load", "both", *(f"series{number}" for number in range(1, 9))):
        for ground in ("paper", "away"):
            assert contrast(colours[mark], colours[ground]) >= 3, (mark, ground)
