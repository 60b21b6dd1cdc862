"""The page of a sweep: all that it must say, nothing that runs or loads, and names as names."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from scheduler.sweep.page import MOST_ROWS, sweep_page
from scheduler.sweep.text import HOW_TO_READ
from tests.builders.sweep_runs import made_up_manifest, made_up_runs


class Page(HTMLParser):
    """What a page holds: its words, tags, images and what it would load."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words, self.tags = "", []  # type: ignore[var-annotated]
        self.drawings: list[dict[str, str | None]] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self._hidden = False
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._hidden = tag == "style"
        found = dict(attrs)
        if tag == "svg":
            self.drawings.append(found)
        self.ids += [found["id"] or ""] if "id" in found else []
        self.links += [found[name] or "" for name in ("src", "href") if name in found]

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words += data


def test_the_page_says_what_was_asked_found_and_read() -> None:
    """Headline, group, stop, notes, hashes' beginnings, how to repeat it, versions."""
    page = Page(sweep_page(made_up_runs(), made_up_manifest()))
    for words in (
        "At wear weight 1 the car saves 203.85 EUR of cash a year",
        "Saddlery, 2 February 2026 to 15 February 2026, offer Dusk tariff, law depth, all amounts in EUR",
        "between 5 and 10",
        "0.5: 300.00 for 0.18 %",
        "Two hours of load were filled.",
        "ab12cd34ef56",
        "overnight sweep saddlery --weights 0,0.5,1,2,5,10",
        "overnight sweep manifest.json",
        "overnight 9.8.7, source 0f0f0f0f0f0f…",
        "1.14.0",
        "14 days scaled to a year",
        "A plan is advice, not control",
        *HOW_TO_READ,
    ):
        assert words.replace("\N{NO-BREAK SPACE}", " ") in page.words.replace("\N{NO-BREAK SPACE}", " ")
    assert "secret" not in page.words
    assert "nan" not in re.findall(r"\w+", page.words.lower())


def test_each_picture_stands_in_the_page_and_is_told_in_words() -> None:
    """Three drawings within the page, each id once and each told; nothing is loaded and nothing runs."""
    text = sweep_page(made_up_runs(), made_up_manifest())
    page = Page(text)
    assert len(page.drawings) == 3
    for drawing in page.drawings:
        assert drawing["role"] == "img"
        assert len(drawing["aria-label"] or "") > 60
    assert len(page.ids) == len(set(page.ids)) > 0
    assert all(link.startswith("#") and link[1:] in page.ids for link in page.links)
    assert set(re.findall(r"url\(#([^)]*)\)", text.partition("</style>")[2])) <= set(page.ids)
    assert not {"script", "style"} & set(page.tags[page.tags.index("body") :])


@pytest.mark.parametrize("offers", [("Dusk tariff",), tuple(f"Offer {number}" for number in range(8))])
def test_a_drawing_has_the_colours_of_the_page(offers: tuple[str, ...]) -> None:
    """No colour of its own is left in it: each is a variable of the style sheet, with another value in the dark."""
    text = sweep_page(made_up_runs(offers), made_up_manifest())
    style, _, body = text.partition("</style>")
    assert not re.search(r"#[0-9a-fA-F]{6}\b", "".join(re.findall(r"<svg.*?</svg>", body, re.DOTALL)))
    used = set(re.findall(r"var\((--\w+)\)", body))
    assert {"--ink", "--paper", "--line"} <= used
    light, dark = re.findall(r":root \{(.*?)\}", style, re.DOTALL)[:2]
    assert all(f"{name}:" in light and f"{name}:" in dark for name in used)


def test_names_are_escaped() -> None:
    """Of offers, sites, notes and the command."""
    odd = '<script>alert("x")</script> & $y$'
    text = sweep_page(made_up_runs((odd, "Noon tariff")), made_up_manifest(site=odd, notes=[odd], command=odd))
    page = Page(text)
    assert "script" not in page.tags
    assert page.words.count(odd) >= 5


def test_many_runs_are_left_to_the_file() -> None:
    """Over 200 rows are not listed; fewer are, each with its weight."""
    few = Page(sweep_page(made_up_runs(), made_up_manifest()))
    assert "8 runs, a row each" in few.words
    assert few.tags.count("details") == 1
    many = made_up_runs(weights=[0.01 * step for step in range(MOST_ROWS)])
    page = Page(sweep_page(many, made_up_manifest()))
    assert f"{len(many)} runs, which are too many to list here, are in runs.csv." in page.words
    assert "details" not in page.tags


@pytest.mark.parametrize("weights", [(1.0,), (0.5, 2.0)])
def test_a_page_of_few_weights_is_whole(weights: tuple[float, ...]) -> None:
    """One weight; weight 1 missing."""
    page = Page(sweep_page(made_up_runs(weights=weights), made_up_manifest(weights=list(weights), currency="JPY")))
    assert ("Weight 1 is not in this sweep" in page.words) == (1.0 not in weights)
    assert len(page.drawings) == 3


def test_more_groups_than_a_figure_holds_are_all_in_the_table() -> None:
    """Ten offers, eight drawn."""
    names = [f"Offer {number}" for number in range(10)]
    page = Page(sweep_page(made_up_runs(names), made_up_manifest()))
    assert "Of 10 groups the first 8 are drawn; the table has all." in page.words
    assert all(name in page.words for name in names)


def test_the_same_runs_make_the_same_page() -> None:
    """To the last letter, and for the rows in another order as well."""
    runs = made_up_runs(("Dusk tariff", "Noon tariff"), settings=(0, 2))
    shuffled = runs.sample(frac=1, random_state=5)
    assert sweep_page(runs, made_up_manifest()) == sweep_page(shuffled, made_up_manifest())
