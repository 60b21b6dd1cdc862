"""A chart of rows: every value stands where the scale says, and any names and values can be drawn."""

from __future__ import annotations

import re

import pytest

from scheduler.render.dot_rows import SIDE, Dot, DotRow, dot_rows
from scheduler.render.svg import circle


def places(chart: str) -> list[float]:
    """Where the circles are across the drawing, shares of its width."""
    return [
        float(share) / 100 for share in re.findall(r'<svg x="([\d.]+)%" y="[\d.]+" overflow="visible"><circle', chart)
    ]


def row(name: str, value: float, span: tuple[float, float] | None = None) -> DotRow:
    return DotRow(name, f"{value:g}", (Dot(value, circle, "plain", span),))


def test_values_stand_on_one_scale() -> None:
    """From the lowest end of a range to the highest, in proportion between them."""
    chart = dot_rows("a", [DotRow("Group"), row("one", 20, (0, 30)), row("two", 100)], "t", "g", str, ())
    assert places(chart) == pytest.approx([SIDE + (1 - 2 * SIDE) * 0.2, 1 - SIDE], abs=1e-4)
    assert f'x1="{100 * SIDE:.2f}%"' in chart


def test_a_line_through_all_rows_is_on_the_scale() -> None:
    """A line at 0 lies at the edge where every value is above it."""
    chart = dot_rows("a", [row("one", 50), row("two", 100)], "t", "g", str, (0.0,))
    assert places(chart) == pytest.approx([SIDE + (1 - 2 * SIDE) * 0.5, 1 - SIDE], abs=1e-4)


@pytest.mark.parametrize("value", [0.0, -3.5, 1e12, 1e-9])
def test_equal_values_are_drawn_in_the_middle(value: float) -> None:
    """With no span to divide by, and no number that is none."""
    chart = dot_rows("a", [row("one", value), row("two", value)], "t", "g", str)
    assert places(chart) == pytest.approx([0.5, 0.5], abs=0.01)
    assert "nan" not in chart.lower()


def test_names_are_escaped() -> None:
    """An offer may be called anything."""
    chart = dot_rows("a", [row("<script>&", 1)], "<t>", "<g>", str)
    assert "<script>" not in chart
    assert "&lt;script&gt;&amp;" in chart
    assert "<t>" not in chart
