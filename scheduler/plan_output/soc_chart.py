"""The marks of the state-of-charge chart: the line, what departures need, and labels where they hide least."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from models.base.arrays import FloatArray
from scheduler.plans.plan import Plan
from scheduler.render.scale import EDGE, LEFT, WIDTH, Panel
from scheduler.render.svg import charge_line, label, line, room_for, triangle
from scheduler.textio.format import percent_text

LETTER_HEIGHT = 11.0
"""Height of a line of text [px]."""
NEAR = 3.0
"""Text closer to a line than this is hard to read [px]."""
BESIDE = 8.0
"""Distance from a mark to its label [px]."""


@dataclass(frozen=True, slots=True)
class PlacedLabel:
    """A label at a place: left edge and baseline [px]."""

    text: str
    left: float
    baseline: float

    @property
    def right(self) -> float:
        """Return the right edge [px]."""
        return self.left + room_for(self.text)

    def overlaps(self, other: PlacedLabel) -> bool:
        """Return whether two labels overlap."""
        return (
            self.left < other.right
            and other.left < self.right
            and abs(self.baseline - other.baseline) < LETTER_HEIGHT + 1
        )


def state_marks(plan: Plan, panel: Panel, x: FloatArray) -> Iterator[str]:
    """Yield the state of charge, as planned at home and straight on a trip, departure targets, and labels.

    Of many trips, those are labelled beside their mark that have room; the list of departures has them all.

    Parameters
    ----------
    panel : its scale of values in percent. x : where each boundary lies [px], shape (n + 1,).
    """
    car = plan.night.car
    height = np.array([panel.y(car.percent(float(stored))) for stored in plan.replayed.stored_kwh])
    drawn = _boundaries_drawn(plan)
    yield from charge_line(x, height, [(trip.depart, trip.comeback) for trip in plan.night.trips])
    placed: list[PlacedLabel] = []
    bounds = (panel.y(car.floor_percent), panel.y(car.ceiling_percent))

    def distance(placed_label: PlacedLabel) -> float:
        return _distance(placed_label, x[drawn], height[drawn], bounds)

    for places, marks in _targets(plan, panel, x):
        yield from marks
        clear = [each for each in places if not any(each.overlaps(other) for other in placed)]
        best = max(clear, key=distance, default=None)
        if best is not None and (len(plan.trips) == 1 or distance(best) >= NEAR):
            placed.append(best)
    for name, percent, below in (("floor", car.floor_percent, 12.0), ("ceiling", car.ceiling_percent, -4.0)):
        room = EDGE - LEFT - BESIDE - room_for(name)
        places = [
            PlacedLabel(name, LEFT + 4 + share * room, panel.y(percent) + below)
            for share in (1.0, 0.0, 0.25, 0.5, 0.75)
        ]
        clear = [each for each in places if not any(each.overlaps(other) for other in placed)]
        if clear:
            placed.append(max(clear, key=lambda each: _distance(each, x[drawn], height[drawn])))
    yield from (label(each.left, each.baseline, each.text) for each in placed)


def _boundaries_drawn(plan: Plan) -> list[int]:
    """Return the boundaries that the line goes through: all but those during a trip."""
    hidden = {at for trip in plan.night.trips for at in range(trip.depart + 1, trip.comeback)}
    return [at for at in range(plan.night.intervals + 1) if at not in hidden]


def _targets(plan: Plan, panel: Panel, x: FloatArray) -> Iterator[tuple[list[PlacedLabel], list[str]]]:
    """Yield, for each departure, where its label could stand, and marks of what it needs from its ready time on.

    For a missed target a line shows how far the plan falls short of it.
    """
    for outcome in plan.trips:
        trip, height = outcome.trip, panel.y(outcome.target_percent)
        left = float(x[trip.depart])
        marks = [line(float(x[trip.ready]), height, left, height, "target-line"), triangle(left, height, "target")]
        text = f"needs {percent_text(outcome.target_percent)}"
        if outcome.missed:
            marks.append(line(left, height + 9, left, panel.y(outcome.planned_percent), "short"))
            text += f", has {percent_text(outcome.planned_percent)}"
        places = [
            PlacedLabel(text, place, baseline)
            for baseline in (height + 10, height - 5, height + 22)
            for place in (left + BESIDE, left - BESIDE - room_for(text))
        ]
        yield [each for each in places if each.left >= LEFT and each.right <= WIDTH], marks


def _distance(placed: PlacedLabel, x: FloatArray, height: FloatArray, lines: tuple[float, ...] = ()) -> float:
    """Return how far a label is from the state of charge and from level lines [px], up to the height of its text."""
    under = np.linspace(placed.left, placed.right, 15)
    middle = placed.baseline - LETTER_HEIGHT / 2 + 1
    apart = np.interp(under, x, height) - middle
    nearest = float(np.abs(apart).min()) if apart.min() * apart.max() > 0 else 0.0
    return min(nearest, LETTER_HEIGHT, *(abs(level - middle) for level in lines))
