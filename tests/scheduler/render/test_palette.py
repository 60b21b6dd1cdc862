"""Colours of wear laws: as many as there are laws, and the same in figures, on pages and on paper."""

from __future__ import annotations

import re
from importlib.resources import files

from models.wear.laws import WEAR_LAWS
from scheduler.render.palette import SERIES, law_colour, series_number


def test_no_two_wear_laws_look_alike() -> None:
    """Each has a colour and a series of its own."""
    assert (
        len({law_colour(law) for law in WEAR_LAWS}) == len({series_number(law) for law in WEAR_LAWS}) == len(WEAR_LAWS)
    )


def test_the_style_sheet_has_every_series_in_light_dark_and_print() -> None:
    """A colour of figures has its variable in each scheme, and the marks of its series."""
    style = (files("scheduler.render") / "templates" / "style.css").read_text(encoding="utf-8")
    names = [f"series{number}" for number in range(1, len(SERIES) + 1)]
    for block in re.findall(r":root \{([^}]*)\}", style):
        assert [name for name in names if f"--{name}: #" not in block] == []
    assert all(f".{name} {{ --own: var(--{name}); }}" in style for name in names)
