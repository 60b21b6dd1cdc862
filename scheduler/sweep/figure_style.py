"""How a sweep's figures look: sizes, marks and text fit for a paper, whatever matplotlib settings the caller has.

Nothing here goes through pyplot. Matplotlib takes many of its settings from one table for the whole process; `paper`
sets that table to the defaults and the few settings below, and puts it back. Figures made in several threads at once
wait for each other.
"""

from __future__ import annotations

import textwrap
import threading
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace

import matplotlib.style
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.legend import Legend
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from scheduler.render.palette import SERIES, law_colour
from scheduler.render.scale import NICE
from scheduler.render.table import NO_BREAK

SINGLE_INCHES, DOUBLE_INCHES = 3.5, 7.2
"""Widths of one column and of two."""
POINTS, SMALL_POINTS = 8.0, 7.0
"""Sizes of text."""
LINE_LETTERS, WIDE_LINE_LETTERS = 42, 34
"""Most letters in a line of a group's name, under the axes and beside them."""
GRID, GUIDE = "#dddddd", "#777777"
"""Colours of the light lines at the ticks, and of a line that points out a value."""
LABEL_GAP_POINTS = 3.0
LEADER = {"arrowstyle": "-", "linewidth": 0.5, "shrinkA": 1, "shrinkB": 4, "relpos": (0.0, 0.5)}
WEIGHT_NAME = "Wear weight"
SPREAD = 2.5
"""A sweep whose highest weight is over this many times its median has a symmetric-log axis of weights."""
SETTINGS = {
    "font.size": POINTS,
    "axes.labelsize": POINTS,
    "xtick.labelsize": POINTS,
    "ytick.labelsize": POINTS,
    "legend.fontsize": POINTS,
    "axes.linewidth": 0.6,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "axes.formatter.limits": (-5, 12),
    "axes.unicode_minus": True,
    "svg.fonttype": "none",
    "svg.hashsalt": "overnight-scheduler",
    "savefig.dpi": 300,
}
_ONE_AT_A_TIME = threading.RLock()


@dataclass(frozen=True, slots=True)
class GroupStyle:
    """How one line is drawn: told apart by marker and dashes as well as by colour, which differ in lightness too."""

    color: str
    marker: str
    dashes: str | tuple[float, tuple[float, ...]]


LINES: Sequence[tuple[str, str | tuple[float, tuple[float, ...]]]] = (
    ("o", "solid"),
    ("s", (0, (5, 1.6))),
    ("^", (0, (1, 1.2))),
    ("D", (0, (6, 1.5, 1.2, 1.5))),
    ("v", (0, (3, 1))),
    ("P", (0, (8, 2))),
    ("X", (0, (2, 1, 2, 3))),
    ("p", (0, (4, 1, 1, 1, 1, 1))),
)
"""Marker and dashes of each line of a figure."""
STYLES = tuple(GroupStyle(color, marker, dashes) for color, (marker, dashes) in zip(SERIES, LINES, strict=True))


def styles_of(laws: Sequence[str]) -> list[GroupStyle]:
    """Return how the lines of a figure's groups are drawn.

    Parameters
    ----------
    laws : wear law of each group. Where they differ, or there is one group, its colour is the law's; of several groups
        by one law each has a colour of its own.
    """
    by_law = len(laws) == 1 or len(set(laws)) > 1
    return [
        replace(style, color=law_colour(law)) if by_law else style for law, style in zip(laws, STYLES, strict=False)
    ]


@contextmanager
def paper() -> Iterator[None]:
    """Hold matplotlib at its defaults and the settings of a paper, without warnings of missing letters.

    A letter that the font lacks is a box in a PNG; an SVG holds the letter itself.
    """
    with _ONE_AT_A_TIME, warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        with matplotlib.style.context(SETTINGS, after_reset=True):
            yield


def wrapped(text: str, letters: int = LINE_LETTERS) -> str:
    """Return a name as a figure shows it: on two lines at most, never broken at a no-break space.

    >>> wrapped("Evening feed-in, law depth", letters=16)
    'Evening feed-in,\\nlaw depth'
    """
    return "\n".join(textwrap.wrap(printable(text), letters, max_lines=2, placeholder=" …"))


def printable(text: str) -> str:
    """Return text with blanks for line ends and other characters that an SVG must not contain."""
    return "".join(letter if letter.isprintable() or letter == NO_BREAK else " " for letter in text)


def name_axes(axes: Axes, across: str | None, up: str) -> None:
    """Name both axes with their units, and draw light lines at the ticks."""
    if across is not None:
        axes.set_xlabel(across, parse_math=False)
    axes.set_ylabel(up, parse_math=False)
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator("auto", steps=[*NICE, 10]))
    axes.grid(color=GRID, linewidth=0.4)
    axes.set_axisbelow(True)


def weight_axis(axes: Axes, weights: Sequence[float], named: Axes) -> None:
    """Scale the axis of weights: linear, or symmetric-log from the lowest weight above 0 if they spread far.

    Parameters
    ----------
    axes : that share the scale. weights : of every point [-].
    named : the axes that the scale is named under; where it is not linear, its name says so.
    """
    above = sorted(weight for weight in set(weights) if weight > 0)
    if len(above) < 3 or above[-1] <= SPREAD * above[len(above) // 2]:
        return
    named.set_xlabel(f"{WEIGHT_NAME} (axis not to scale)", parse_math=False)
    axes.set_xscale("symlog", linthresh=above[0], linscale=0.6)
    marks = [0.0] if min(weights) == 0 else []
    steps = NICE if above[-1] / above[0] <= 200 else (1,)
    powers = [step * 10.0**power for power in range(-6, 4) for step in steps]
    marks += [mark for mark in powers if above[0] * 0.999 <= mark <= above[-1] * 1.001]
    axes.set_xlim(-0.3 * above[0] if min(weights) == 0 else above[0] * 0.8, above[-1] * 1.25)
    axes.xaxis.set_major_locator(FixedLocator(marks))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))


def draw_legend(
    figure: Figure, handles: Sequence[Line2D], labels: Sequence[str], above: bool, columns: int, length: float
) -> Legend:
    """Draw a legend outside the axes, none of whose text is read as mathematics.

    Parameters
    ----------
    handles, labels : samples and what each stands for.
    above : whether it stands above the axes, or else below. columns : how many. length : of a sample [letters].

    Returns
    -------
    The legend.
    """
    legend = figure.legend(
        handles=list(handles),
        labels=[str(number) for number in range(len(labels))],
        loc="outside upper left" if above else "outside lower left",
        ncols=columns,
        frameon=False,
        handlelength=length,
        columnspacing=1.2,
        borderpad=0.1,
    )
    for text, shown in zip(legend.get_texts(), labels, strict=True):
        text.set_parse_math(False)
        text.set_text(shown)
    return legend


def label_ends(
    figure: Figure, axes: Axes, ends: Sequence[tuple[float, float]], labels: Sequence[str], colors: Sequence[str]
) -> None:
    """Label the ends of lines beside the right edge, with thin leaders, near their heights and clear of each other.

    Parameters
    ----------
    ends : last point of each line, in data coordinates. labels, colors : of each line.
    """
    figure.draw_without_rendering()
    height = axes.get_window_extent().height / figure.dpi * 72
    rooms = [(label.count("\n") + 1) * POINTS * 1.2 + LABEL_GAP_POINTS for label in labels]
    wanted = [float(axes.transAxes.inverted().transform(axes.transData.transform(end))[1]) * height for end in ends]
    for number, middle in zip(range(len(labels)), spread(wanted, rooms, height), strict=True):
        text = axes.annotate(
            labels[number],
            ends[number],
            (1.03, middle / height),
            textcoords="axes fraction",
            va="center",
            color=colors[number],
            annotation_clip=False,
            arrowprops={**LEADER, "color": colors[number]},
        )
        text.set_parse_math(False)


def spread(wanted: Sequence[float], rooms: Sequence[float], height: float) -> list[float]:
    """Return middles of labels, near where they are wanted, that do not overlap and keep their order.

    Parameters
    ----------
    wanted : middle of each label, shape (n,). rooms : height of each label, shape (n,).
    height : labels stay between 0 and this if they fit at all. All in one unit.

    Returns
    -------
    Middles in the order of the labels, shape (n,).

    Examples
    --------
    Two labels of height 10 that are wanted at the same place:

    >>> spread([50.0, 50.0], [10.0, 10.0], 100.0)
    [50.0, 60.0]
    """
    order = sorted(range(len(wanted)), key=lambda number: wanted[number])
    middles, edge = [0.0] * len(wanted), 0.0
    for number in order:
        middles[number] = max(wanted[number], edge + rooms[number] / 2)
        edge = middles[number] + rooms[number] / 2
    edge = max(height, sum(rooms))
    for number in reversed(order):
        middles[number] = min(middles[number], edge - rooms[number] / 2)
        edge = middles[number] - rooms[number] / 2
    return middles
