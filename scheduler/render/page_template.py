"""The templates of the pages, everything in them escaped.

Each room keeps the templates of its pages; all of them extend `base.html`, which this room keeps with the parts and the
style that they share.
"""

from __future__ import annotations

from functools import cache
from importlib.metadata import version

from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined, Template

from scheduler.render.table import together

HASH_LETTERS = 12
"""Letters of a file's SHA-256 that are shown."""


@cache
def page_template(room: str, name: str, *others: str) -> Template:
    """Return the template of this name in a room's folder templates/.

    Parameters
    ----------
    room : the package that makes the page, such as "scheduler.plan_output". name : of the template's file.
    others : rooms whose templates it imports.
    """
    environment = Environment(
        loader=ChoiceLoader([PackageLoader(each) for each in (room, *others, "scheduler.render")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["together"] = together
    environment.globals["program"] = f"overnight {version('overnight-scheduler')}"
    return environment.get_template(name)
