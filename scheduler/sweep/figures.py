"""Figures of a sweep, from its tidy files alone: the frontier, and what depends on the weight and on the law.

Either of these makes them all:

    figures = sweep_figures(pandas.read_csv("out/runs.csv"), "EUR")
    figures = figures_of(Path("out"))
"""

from __future__ import annotations

import io
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.transforms import Bbox

from models.base.arrays import FloatArray
from scheduler.sweep.figure_style import (
    DOUBLE_INCHES,
    GUIDE,
    SINGLE_INCHES,
    SMALL_POINTS,
    STYLES,
    WEIGHT_NAME,
    WIDE_LINE_LETTERS,
    GroupStyle,
    draw_legend,
    label_ends,
    name_axes,
    paper,
    printable,
    styles_of,
    weight_axis,
    wrapped,
)
from scheduler.sweep.frontier import Frontier, FrontierPoint, frontiers_of
from scheduler.sweep.read_results import MANIFEST_NAME, read_manifest, read_runs
from scheduler.sweep.text import frontier_gist, group_names, laws_gist, weight_gist, weight_text

MOST_GROUPS = len(STYLES)
"""Most groups in one figure."""
MOST_MARKERS = 40
"""Of a line of more points than this, only some have a marker."""
SIDES = ((7, -5), (8, 0), (-7, 5), (-8, 0))
"""Where a weight may stand, from its point [points]: a frontier rises ever less, so under it and over it is room."""
ALIKE = 0.1
"""Difference between two distances that does not matter [px]."""
SAMPLES = 200
"""Points along each stretch of a curve that a label must not cover."""
MARK_SIZE, RING_SIZE, RING_STEP, MOST_RINGS = 3.6, 8.0, 2.4, 4
FigureKind = Literal["svg", "png"]
Look = Mapping[str, Any]
"""Keywords of a line for matplotlib."""
KNEE: Look = {"marker": "o", "markersize": RING_SIZE, "markerfacecolor": "none", "linestyle": "none"}
ONE: Look = {"marker": "s", "markersize": RING_SIZE + 1, "markerfacecolor": "none", "linestyle": "none"}
ONLY_CHARGED: Look = {"marker": "x", "markersize": 5.5, "markeredgewidth": 1.3, "linestyle": "none"}
POINTER: Look = {"color": GUIDE, "linewidth": 0.8, "linestyle": (0, (2, 2))}
NOT_EFFICIENT: Look = {"marker": "o", "markersize": MARK_SIZE, "markerfacecolor": "white", "linestyle": "none"}


def sweep_figures(runs: pd.DataFrame, currency: str, wide: bool = False) -> dict[str, Figure]:
    """Return the figures "frontier", "weight" and "laws".

    Parameters
    ----------
    runs : one row per run, as runs.csv or runs.parquet has them. currency : of its money.
    wide : as wide as two columns of a paper (7.2 in) with names beside the lines, not one (3.5 in).

    Returns
    -------
    Figures by name; the label of each says in words what it shows.

    Raises
    ------
    InputFaults : the table is not that of a sweep's runs.
    """
    frontiers = frontiers_of(runs)
    makers: Mapping[str, Callable[[Sequence[Frontier], str, bool], Figure]] = {
        "frontier": _frontier_figure,
        "weight": _weight_figure,
        "laws": _laws_figure,
    }
    with paper():
        return {name: make(frontiers, currency, wide) for name, make in makers.items()}


def figures_of(folder: Path, wide: bool = False) -> dict[str, Figure]:
    """Return the figures of a sweep's folder, by name; they need runs.csv and manifest.json and nothing else.

    Raises
    ------
    InputFaults : either file is missing or is not that of a sweep.
    """
    return sweep_figures(read_runs(folder), str(read_manifest(folder / MANIFEST_NAME)["currency"]), wide)


def figure_bytes(figure: Figure, kind: FigureKind) -> bytes:
    """Return a figure as SVG with its text as text, or as PNG at 300 dots per inch; the same bytes each time."""
    content = io.BytesIO()
    svg = {"Date": None, "Creator": None, "Title": printable(str(figure.get_label()))}
    with paper():
        figure.savefig(content, format=kind, metadata=svg if kind == "svg" else {"Software": None})
    return content.getvalue()


def write_figures(runs: pd.DataFrame, currency: str, folder: Path) -> None:
    """Write every figure as SVG and PNG, in the width of one column and, as `NAME-wide`, of two.

    Raises
    ------
    InputFaults : the table is not that of a sweep's runs. OSError : a file cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for wide, ending in ((False, ""), (True, "-wide")):
        for name, figure in sweep_figures(runs, currency, wide).items():
            for kind in get_args(FigureKind):
                (folder / f"{name}{ending}.{kind}").write_bytes(figure_bytes(figure, kind))


def _frontier_figure(frontiers: Sequence[Frontier], currency: str, wide: bool) -> Figure:
    shown, names = _shown(frontiers)
    figure, axes = _figure(wide, 3.4 if wide else 2.9 + _legend_inches(shown), 1)
    figure.set_label(frontier_gist(shown, currency))
    name_axes(axes[0], "Life used × 20 %, a year (%)", f"Cash saved a year ({currency})")
    styles = styles_of([each.law for each in shown])
    for group, style in zip(shown, styles, strict=True):
        _draw_frontier(axes[0], group, style)
    points = [point for each in shown for point in each.points]
    marks = [
        (KNEE, "knee", any(each.knee for each in shown)),
        (ONE, "weight 1", any(each.one for each in shown)),
        (ONLY_CHARGED, "only charged", any(each.charge_only for each in shown)),
        (NOT_EFFICIENT, "not efficient", not all(point.efficient for point in points)),
    ]
    _legend_of_marks(figure, marks, wide)
    ends = [(each.efficient[-1].capacity_lost, each.efficient[-1].cash_saved) for each in shown]
    _name_groups(figure, axes[0], ends, names, styles, wide, len(frontiers))
    if len(shown) == 1:
        _write_weights(figure, axes[0], shown[0])
    return figure


def _draw_frontier(axes: Axes, group: Frontier, style: GroupStyle) -> None:
    curve = group.efficient
    lost, saved = [point.capacity_lost for point in curve], [point.cash_saved for point in curve]
    every = max(1, len(curve) // MOST_MARKERS)
    axes.plot(lost, saved, **_line(style), markevery=every)
    beaten = [point for point in group.points if not point.efficient]
    look = {**NOT_EFFICIENT, "marker": style.marker, "markeredgecolor": style.color, "color": style.color}
    axes.plot([point.capacity_lost for point in beaten], [point.cash_saved for point in beaten], **look)
    for point, mark in ((group.knee, KNEE), (group.one, ONE), (group.charge_only, ONLY_CHARGED)):
        if point is not None:
            axes.plot([point.capacity_lost], [point.cash_saved], **mark, color=style.color)


def _write_weights(figure: Figure, axes: Axes, group: Frontier) -> None:
    """Write the weights beside their points where nothing but the point is near: ends and marked points first."""
    axes.margins(0.1)
    figure.draw_without_rendering()
    curve, box = group.efficient, axes.get_window_extent()
    places, others = (
        axes.transData.transform([(point.capacity_lost, point.cash_saved) for point in points])
        for points in (curve, group.points)
    )
    between = np.linspace(0.0, len(places) - 1.0, SAMPLES * len(places))
    line = np.column_stack([np.interp(between, np.arange(len(places)), places[:, axis]) for axis in (0, 1)])
    taken: list[Bbox] = []
    marked = [point for point in (group.knee, group.one) if point in curve]
    for here in {each.run: each for each in (curve[0], curve[-1], *marked, *curve)}.values():
        text = weight_text(here.weight) if taken else f"weight {weight_text(here.weight)}"
        for across, up in SIDES:
            label = axes.annotate(
                text,
                (here.capacity_lost, here.cash_saved),
                (across, up),
                textcoords="offset points",
                ha="left" if across > 0 else "right",
                va="center" if up == 0 else "top" if up < 0 else "bottom",
                fontsize=SMALL_POINTS,
            )
            room = label.get_window_extent()
            inside = box.x0 <= room.x0 and room.x1 <= box.x1 and box.y0 <= room.y0 and room.y1 <= box.y1
            own = axes.transData.transform((here.capacity_lost, here.cash_saved))
            nearest = _distance(room, own) <= min(_distance(room, other) for other in others) + ALIKE
            if inside and nearest and not room.count_contains(line) and not room.count_overlaps(taken):
                taken.append(room)
                break
            label.remove()


def _distance(room: Bbox, place: FloatArray) -> float:
    """Return how far a place is from a box, 0 within it [px]."""
    x, y = place
    return math.hypot(max(room.x0 - x, 0.0, x - room.x1), max(room.y0 - y, 0.0, y - room.y1))


def _weight_figure(frontiers: Sequence[Frontier], currency: str, wide: bool) -> Figure:
    shown, names = _shown(frontiers)
    figure, panels = _figure(wide, 4.6 if wide else 4.3 + _legend_inches(shown), 3)
    figure.set_label(weight_gist(shown, currency))
    named: Sequence[tuple[str, Callable[[FrontierPoint], float]]] = (
        (
            f"Discharged in\n{shown[0].days} day{'' if shown[0].days == 1 else 's'} (kWh)",
            lambda point: point.discharged_kwh,
        ),
        ("Life used × 20 %,\na year (%)", lambda point: point.capacity_lost),
        (f"Total saved\na year ({currency})", lambda point: point.saving),
    )
    styles = styles_of([each.law for each in shown])
    for axes, (name, of_point) in zip(panels, named, strict=True):
        name_axes(axes, WEIGHT_NAME if axes is panels[-1] else None, name)
        for group, style in zip(shown, styles, strict=True):
            weights = [point.weight for point in group.points]
            values = [of_point(point) for point in group.points]
            axes.plot(weights, values, **_line(style), markevery=max(1, len(weights) // MOST_MARKERS))
    stops = [group.stop.first_none for group in shown]
    for number, (stop, style) in enumerate(zip(stops, styles, strict=True)):
        if stop is not None:
            size = RING_SIZE + RING_STEP * min(stops[:number].count(stop), MOST_RINGS - 1)
            ring = {**KNEE, "markersize": size, "color": style.color}
            panels[0].plot([stop], [0.0], **ring, clip_on=False)
    if any(group.one for group in shown):
        for axes in panels:
            axes.axvline(1.0, **POINTER, zorder=1)
    weight_axis(panels[0], [point.weight for group in shown for point in group.points], panels[-1])
    marks = [
        (KNEE, "nothing discharged from here on", any(stop is not None for stop in stops)),
        (POINTER, "weight 1", any(each.one for each in shown)),
    ]
    _legend_of_marks(figure, marks, wide)
    ends = [(group.points[-1].weight, group.points[-1].saving) for group in shown]
    _name_groups(figure, panels[-1], ends, names, styles, wide, len(frontiers))
    return figure


def _laws_figure(frontiers: Sequence[Frontier], currency: str, wide: bool) -> Figure:
    """Return the figure of life used × 20 % by the first group, by every law."""
    group = frontiers[0]
    figure, axes = _figure(wide, 2.6, 1)
    figure.set_label(laws_gist(group))
    name_axes(axes[0], WEIGHT_NAME, "Life used × 20 %, a year (%)")
    weights = [point.weight for point in group.points]
    laws = list(group.points[0].lost_by_law)
    styles = styles_of(laws)
    for law, style in zip(laws, styles, strict=True):
        lost = [point.lost_by_law[law] for point in group.points]
        axes[0].plot(weights, lost, **_line(style), markevery=max(1, len(weights) // MOST_MARKERS))
    axes[0].set_ylim(bottom=0.0)
    weight_axis(axes[0], weights, axes[0])
    ends = [(weights[-1], group.points[-1].lost_by_law[law]) for law in laws]
    labels = [f"{law}\n(priced the plans)" if law == group.law else law for law in laws]
    label_ends(figure, axes[0], ends, labels, [style.color for style in styles])
    if len(frontiers) > 1:
        draw_legend(figure, [Line2D([], [], linestyle="none")], [wrapped(group_names(frontiers)[0])], True, 1, 0.0)
    return figure


def _figure(wide: bool, height_inches: float, rows: int) -> tuple[Figure, list[Axes]]:
    figure = Figure(figsize=(DOUBLE_INCHES if wide else SINGLE_INCHES, height_inches), layout="constrained")
    panels = figure.subplots(rows, 1, sharex=True, squeeze=False)
    return figure, list(panels[:, 0])


def _shown(frontiers: Sequence[Frontier]) -> tuple[Sequence[Frontier], Sequence[str]]:
    """Return the groups that a figure has room for, and their names."""
    return frontiers[:MOST_GROUPS], group_names(frontiers)[:MOST_GROUPS]


def _line(style: GroupStyle) -> Look:
    return {
        "color": style.color,
        "marker": style.marker,
        "linestyle": style.dashes,
        "linewidth": 1.1,
        "markersize": MARK_SIZE,
    }


def _legend_inches(shown: Sequence[Frontier]) -> float:
    """Return the height of a legend of groups under the axes [inches]."""
    return 0.0 if len(shown) == 1 else 0.05 + 0.17 * (len(shown) + 1)


def _legend_of_marks(figure: Figure, marks: Sequence[tuple[Look, str, bool]], wide: bool) -> None:
    """Draw a legend above the axes of the marks that occur."""
    there = [(look, label) for look, label, seen in marks if seen]
    handles = [Line2D([], [], **{"color": "black", **look}) for look, _ in there]
    if there:
        draw_legend(figure, handles, [label for _, label in there], True, 2 if len(there) == 4 and not wide else 4, 1.6)


def _name_groups(
    figure: Figure,
    axes: Axes,
    ends: Sequence[tuple[float, float]],
    names: Sequence[str],
    styles: Sequence[GroupStyle],
    wide: bool,
    groups: int,
) -> None:
    """Name the groups beside their lines or under the axes, and say how many there are if not all are shown."""
    handles = [Line2D([], [], **_line(style)) for style in styles]
    labels = [wrapped(name) for name in names]
    if groups > len(names):
        handles.append(Line2D([], [], linestyle="none"))
        labels.append(f"The first {len(names)} of {groups} groups")
    if wide and len(names) > 1:
        beside = [wrapped(name, WIDE_LINE_LETTERS) for name in names]
        label_ends(figure, axes, ends, beside, [style.color for style in styles])
        handles, labels = handles[len(names) :], labels[len(names) :]
    if len(names) > 1 and labels:
        draw_legend(figure, handles, labels, False, 1, 3.0)
