"""The templates of the pages, everything in them escaped."""

from __future__ import annotations

import re
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined, Template


@cache
def page_template(name: str) -> Template:
    """The template of this name in templates/."""
    environment = Environment(
        loader=PackageLoader("scheduler.render"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["together"] = _together
    return environment.get_template(name)


def _together(words: str) -> str:
    """Words in which no line ends between a number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:kWh?|A|%)(?!\w))", "\N{NO-BREAK SPACE}", words)
