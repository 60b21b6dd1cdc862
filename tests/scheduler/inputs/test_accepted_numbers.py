"""The page on file formats says what numbers are accepted, as the program bounds them."""

from __future__ import annotations

from pathlib import Path

from tests.builders.accepted_numbers import HEADING, section

PAGE = Path(__file__).parents[3] / "scenarios" / "README.md"


def test_the_page_says_the_bounds_of_the_program() -> None:
    """`python -m tests.builders.accepted_numbers` prints the section as it should be."""
    page = PAGE.read_text(encoding="utf-8")
    assert page[page.index(HEADING) :].strip() == section()
