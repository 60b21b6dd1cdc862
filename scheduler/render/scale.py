"""Where values lie in a drawing, and which of them its scales mark with ticks."""

from __future__ import annotations

import math
from dataclasses import dataclass

WIDTH, LEFT, RIGHT = 360.0, 46.0, 12.0
"""Width of a drawing and its margins [px]; on a phone of 390 px they are true to scale."""
EDGE = WIDTH - RIGHT
MOST_TICKS = 8
"""Most ticks that have room side by side across the drawing."""
NICE = (1, 2, 5)
"""Steps between ticks, times a power of ten."""
NEARLY = 1e-9
"""Share of a step by which a tick may lie beyond an end [-]."""


@dataclass(frozen=True, slots=True)
class Panel:
    """A rectangle of the drawing with linear scales.

    Attributes
    ----------
    top, bottom : edges [px]. lowest, highest : values there.
    first, last : values at the left and the right edge. left, right : these edges [px].
    """

    top: float
    bottom: float
    lowest: float
    highest: float
    first: float = 0.0
    last: float = 1.0
    left: float = LEFT
    right: float = EDGE

    def y(self, value: float) -> float:
        """Return the height of a value in the drawing [px].

        >>> Panel(top=20, bottom=120, lowest=0, highest=50).y(10)
        100.0
        """
        return self.bottom - (value - self.lowest) / (self.highest - self.lowest) * (self.bottom - self.top)

    def x(self, value: float) -> float:
        """Return where a value lies across the drawing [px]."""
        return self.left + (value - self.first) / (self.last - self.first) * (self.right - self.left)


@dataclass(frozen=True, slots=True)
class Tick:
    """A tick: how far along the axis it is [0 to 1], and its label."""

    share: float
    label: str


def nice_step(span: float, most: int = MOST_TICKS) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that divides a span into so many parts at most.

    >>> nice_step(70, 4)
    20.0
    """
    unit = 10.0 ** math.floor(math.log10(span / most))
    return next(each * unit for each in (*NICE, 10, 20) if span <= each * unit * most * (1 + NEARLY))


def nice_ticks(lowest: float, highest: float, most: int = MOST_TICKS) -> list[float]:
    """Return the multiples of a nice step from the lowest to the highest value.

    >>> nice_ticks(-7, 12, 4)
    [-5.0, 0.0, 5.0, 10.0]
    """
    step = nice_step(highest - lowest, most)
    first, last = math.ceil(lowest / step - NEARLY), math.floor(highest / step + NEARLY)
    return [step * number for number in range(first, last + 1)]
