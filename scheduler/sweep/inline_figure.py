"""A figure as part of a page: inline SVG in the colours of the page, so that it can be read in the dark too."""

from __future__ import annotations

import re
from collections.abc import Mapping
from xml.etree import ElementTree

from markupsafe import Markup
from matplotlib.figure import Figure

from scheduler.render.palette import SERIES
from scheduler.sweep.figure_style import GRID, GUIDE
from scheduler.sweep.figures import figure_bytes

SVG, XLINK = "http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"
COLOURS: Mapping[str, str] = {
    **{colour.lower(): f"series{number}" for number, colour in enumerate(SERIES, 1)},
    "#000000": "ink",
    "#ffffff": "paper",
    GRID: "line",
    GUIDE: "soft",
}
"""The page's variable for each colour of a figure."""


def inline_figure(figure: Figure, name: str) -> Markup:
    """Return a figure as an `<svg>` element, its colours as the page's and its label as what is read aloud.

    Parameters
    ----------
    name : begins every id in it, so that several figures can stand on one page.
    """
    root = ElementTree.fromstring(figure_bytes(figure, "svg"))
    for parent in list(root.iter()):
        for child in list(parent):
            if child.tag in (f"{{{SVG}}}title", f"{{{SVG}}}metadata", f"{{{SVG}}}style"):
                parent.remove(child)
    for element in root.iter():
        element.tag = element.tag.removeprefix(f"{{{SVG}}}")
        for key, value in list(element.attrib.items()):
            del element.attrib[key]
            element.set(*_attribute(key.replace(f"{{{XLINK}}}", ""), value, name))
    for size in ("width", "height", "version"):
        root.attrib.pop(size, None)
    root.attrib.update({"class": "plot", "role": "img", "aria-label": str(figure.get_label())})
    return Markup(ElementTree.tostring(root, encoding="unicode"))


def _attribute(key: str, value: str, name: str) -> tuple[str, str]:
    """Return an attribute with ids that begin with the figure's name and colours that are the page's."""
    if key == "id":
        return key, f"{name}-{value}"
    if key == "href":
        return key, value.replace("#", f"#{name}-", 1)
    if key == "clip-path":
        return key, value.replace("url(#", f"url(#{name}-", 1)
    if key == "style":
        return key, re.sub(r"#[0-9a-f]{6}\b", lambda found: f"var(--{COLOURS[found[0]]})", value)
    return key, value
