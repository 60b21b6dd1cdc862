"""Colours of lines and bars that stand for a wear law or for one of several groups, the same on every page and figure.

The style sheet of the pages has each of them as a variable, with its value in the dark beside it.
"""

from __future__ import annotations

from models.wear.laws import WEAR_LAWS

SERIES = ("#000000", "#D55E00", "#0072B2", "#009E73", "#A3528B", "#8C5A00", "#3A86B8", "#666666")
"""Colours after Okabe and Ito, "Color universal design" (2008; from memory), the light ones darkened for thin lines."""


def series_number(law: str) -> int:
    """Return which of the series, counted from 1, a wear law has everywhere.

    >>> series_number("depth")
    2
    """
    return 1 + list(WEAR_LAWS).index(law) % len(SERIES)


def law_colour(law: str) -> str:
    """Return the colour of a wear law on paper.

    >>> law_colour("depth")
    '#D55E00'
    """
    return SERIES[series_number(law) - 1]
