"""Scales of a drawing: round marks, few of them, where the panel puts them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.render.scale import MOST_TICKS, Panel, nice_step, nice_ticks


@given(st.floats(1e-3, 1e3))
def test_ticks_are_few_and_round(span: float) -> None:
    """A step is 1, 2 or 5 times a power of ten, divides the span into at most eight, and none smaller of them does."""
    step = nice_step(span)
    assert span / step <= MOST_TICKS * (1 + 1e-9)
    mantissa = round(step / 10 ** math.floor(math.log10(step) + 1e-9))
    assert mantissa in (1, 2, 5)
    smaller = step / {1: 2, 2: 2, 5: 2.5}[mantissa]
    assert span / smaller > MOST_TICKS * (1 - 1e-9)


@given(st.floats(-1e4, 1e4), st.floats(1e-2, 1e4), st.integers(3, 8))
def test_marks_are_multiples_between_the_ends(lowest: float, span: float, most: int) -> None:
    """They are as far apart as the step says, none lies beyond an end, and no further one fits."""
    highest = lowest + span
    ticks, step = nice_ticks(lowest, highest, most), nice_step(highest - lowest, most)
    assert 1 <= len(ticks) <= most + 1
    assert all(math.isclose(tick / step, round(tick / step), abs_tol=1e-6) for tick in ticks)
    slack = 1e-6 * step
    assert lowest - slack <= ticks[0] < lowest + step + slack
    assert highest - step - slack < ticks[-1] <= highest + slack


def test_a_panel_is_linear_both_ways() -> None:
    """On 100 px from 0 to 50 a value of 10 is 20 px up; across 200 px from 1 to 5 a value of 2 is a quarter in."""
    panel = Panel(20, 120, 0, 50, first=1, last=5, left=10, right=210)
    assert panel.y(10) == pytest.approx(100)
    assert panel.x(2) == pytest.approx(60)
