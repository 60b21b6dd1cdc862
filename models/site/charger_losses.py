"""A charger's losses from measured points: one fixed loss and two efficiencies, by least squares.

The law is that of `models.site.charger`. At a power p on the AC side, with the fixed loss F and the efficiencies of
charging and discharging e_c and e_d, it gives these efficiencies:

    charge       battery side over AC side           e_c − F/p
    discharge    AC side over battery side           1 / (1/e_d + F/p)
    round-trip   AC out over AC in, both at p        (e_c − F/p) / (1/e_d + F/p)

What is minimised is the sum of squares of measured less given efficiency, every point alike. Not of battery-side
power: meters are accurate to a share of what they read, so an efficiency is about as uncertain at 2 kW as at 7, while
the error in kW grows with the power. Least squares on kW would hardly look at the points of low power, and it is these
that tell the fixed loss from the efficiencies.

The unknowns are the losses F, c = 1/e_c − 1 and d = 1/e_d − 1 (kWh lost for each kWh that arrives), each 0 or more:
that is fixed loss 0 or more and efficiencies up to 100 %. Gauss–Newton; each step is a linear least-squares problem
with unknowns of 0 or more, solved exactly by trying every set of unknowns that may be held at 0 (there are at most 8).

Round trips alone tell only e_c × e_d and F × e_d: multiplying 1/e_d, e_c and F by one number changes no round trip. The
loss is then split evenly, e_c = e_d.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from typing import Literal

import numpy as np

from models.base.arrays import FloatArray

Direction = Literal["charge", "discharge", "round-trip"]
DIRECTIONS: tuple[Direction, ...] = ("charge", "discharge", "round-trip")

SAME_POWER = 1.01
"""Powers whose ratio is no more than this are one power: they cannot tell the fixed loss from an efficiency."""
UNKNOWNS = 3
AT_BOUND = 1e-9
"""A loss no larger than this is 0."""
MOST_STEPS, SMALLEST_STEP, MOST_HALVINGS = 200, 1e-13, 40
ROUNDING = 1e-12
"""Part of the sum of squares that is arithmetic and not fit."""


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """One measured efficiency [over 0, up to 100 %] at one power at the AC side [kW, over 0]."""

    direction: Direction
    power_kw: float
    efficiency_percent: float


@dataclass(frozen=True, slots=True)
class FittedLosses:
    """The losses that fit measured points best, and how sure they are.

    Attributes
    ----------
    fixed_loss_kw, charge_efficiency_percent, discharge_efficiency_percent : as in `models.site.charger.Charger`.
    errors_per_point : by how much each of the three, in this order [kW, points, points], errs as a standard error if
        the efficiencies scatter by one percentage point; None for one that is held at its bound.
    scatter_points : standard deviation of the efficiencies about the law [percentage points], from the sum of squares
        and the points to spare; None without any.
    fitted_percent, difference_points : efficiency by the law [%], and measured less fitted [points], shape (n,) each.
    split_evenly : only round trips were measured, so that both efficiencies were taken to be equal.
    """

    fixed_loss_kw: float
    charge_efficiency_percent: float
    discharge_efficiency_percent: float
    errors_per_point: tuple[float | None, float | None, float | None]
    scatter_points: float | None
    fitted_percent: FloatArray
    difference_points: FloatArray
    split_evenly: bool

    @property
    def standard_errors(self) -> tuple[float | None, float | None, float | None]:
        """Of fixed loss, charge and discharge efficiency [kW, points, points]; None where not known or at a bound.

        For points that are all as good as one another, and err independently; an unknown held at its bound counts as
        known.
        """
        scatter = self.scatter_points
        fixed, charge, discharge = (
            None if scatter is None or each is None else scatter * each for each in self.errors_per_point
        )
        return fixed, charge, discharge

    @property
    def root_mean_square_points(self) -> float:
        """Of measured less fitted efficiency [percentage points]."""
        return float(np.sqrt(np.mean(self.difference_points**2)))

    def efficiency_percent(self, direction: Direction, power_kw: FloatArray) -> FloatArray:
        """What the fitted law gives [%] at powers at the AC side [kW], shape (n,)."""
        losses = np.array(
            [
                self.fixed_loss_kw,
                100 / self.charge_efficiency_percent - 1,
                100 / self.discharge_efficiency_percent - 1,
            ]
        )
        return 100 * _efficiency([direction] * len(power_kw), power_kw, losses)


def fit_losses(points: Sequence[MeasuredPoint]) -> FittedLosses:
    """The fixed loss and the two efficiencies that fit the points best.

    Raises
    ------
    ValueError : the points cannot tell the unknowns apart; the message is `points_short`'s.

    Source: Gauss–Newton and standard errors from the Jacobian as in any text on nonlinear least squares (common
    practice; for instance Nocedal and Wright, Numerical Optimization, chapter 10, from memory).
    """
    short = points_short(points)
    if short is not None:
        raise ValueError(short)
    directions = [point.direction for point in points]
    power_kw = np.array([point.power_kw for point in points])
    measured = np.array([point.efficiency_percent for point in points]) / 100
    split_evenly = set(directions) == {"round-trip"}
    spread = np.array([[1.0, 0], [0, 1], [0, 1]]) if split_evenly else np.eye(UNKNOWNS)
    unknown = _best(directions, power_kw, measured, spread)
    losses = spread @ unknown

    fitted = _efficiency(directions, power_kw, losses)
    difference = measured - fitted
    to_spare = len(points) - len(unknown)
    scatter = float(np.sqrt(difference @ difference / to_spare)) if to_spare > 0 else None
    free = unknown > AT_BOUND
    slopes = (_slopes(directions, power_kw, losses) @ spread)[:, free]
    of_free = np.linalg.norm(np.linalg.pinv(slopes, rcond=0), axis=1)
    of_unknown = np.full(len(unknown), np.nan)
    of_unknown[free] = of_free
    each = spread @ np.nan_to_num(of_unknown)
    per_point = np.array([0.01, 1 / (1 + losses[1]) ** 2, 1 / (1 + losses[2]) ** 2]) * each
    held = spread @ ~free > 0
    fixed_error, charge_error, discharge_error = (
        None if at_bound else float(error) for error, at_bound in zip(per_point, held, strict=True)
    )
    return FittedLosses(
        fixed_loss_kw=float(losses[0]),
        charge_efficiency_percent=float(100 / (1 + losses[1])),
        discharge_efficiency_percent=float(100 / (1 + losses[2])),
        errors_per_point=(fixed_error, charge_error, discharge_error),
        scatter_points=None if scatter is None else 100 * scatter,
        fitted_percent=100 * fitted,
        difference_points=100 * difference,
        split_evenly=split_evenly,
    )


def points_short(points: Sequence[MeasuredPoint]) -> str | None:
    """What was found and what is allowed, if the points cannot tell the unknowns apart; None if they can.

    They can if they are of both directions (a round trip is of both), at two powers or more, and as many different ones
    as there are unknowns: three, or two where there are only round trips.
    """
    directions = {point.direction for point in points}
    power_of = _distinct_powers(points)
    different = len({(point.direction, power_of[point.power_kw]) for point in points})
    if not points:
        return (
            "found no points; expected 3 or more, of charge and of discharge and one of them at two powers, "
            "or 2 round-trip ones at two powers"
        )
    if len(directions) == 1 and "round-trip" not in directions:
        only = next(iter(directions))
        other = "discharge" if only == "charge" else "charge"
        more = " and another of either at another power" if different == 1 else ""
        return (
            f"all points are of {only}, which tells nothing of the other direction; expected one point or more "
            f"of {other} (or round-trip) beside them{more}"
        )
    if len(set(power_of.values())) == 1:
        return (
            f"all points are at about {points[0].power_kw:g} kW, and one power cannot tell the fixed loss from the "
            "efficiencies; expected two powers or more, one of them low"
        )
    if directions != {"round-trip"} and different < UNKNOWNS:
        found = ", ".join(
            f"{number} of {direction}"
            for direction in DIRECTIONS
            if (number := len({power_of[point.power_kw] for point in points if point.direction == direction}))
        )
        return (
            f"found {different} different points ({found}) for {UNKNOWNS} unknowns; expected {UNKNOWNS} or more: "
            "add 1 of any direction, at another power"
        )
    return None


def _distinct_powers(points: Sequence[MeasuredPoint]) -> dict[float, int]:
    """For each power [kW] a number, the same for powers that are as good as one."""
    number_of: dict[float, int] = {}
    first, number = 0.0, -1
    for power in sorted({point.power_kw for point in points}):
        if power > first * SAME_POWER:
            first, number = power, number + 1
        number_of[power] = number
    return number_of


def _best(
    directions: Sequence[Direction], power_kw: FloatArray, measured: FloatArray, spread: FloatArray
) -> FloatArray:
    """The unknowns with the least sum of squares; `spread` makes the three losses of them."""
    unknown = np.full(spread.shape[1], 0.05)
    remaining = measured - _efficiency(directions, power_kw, spread @ unknown)
    for _ in range(MOST_STEPS):
        slopes = _slopes(directions, power_kw, spread @ unknown) @ spread
        step = _least_squares_of_losses(slopes, remaining + slopes @ unknown) - unknown
        squares = remaining @ remaining
        for _ in range(MOST_HALVINGS):
            remaining = measured - _efficiency(directions, power_kw, spread @ (unknown + step))
            if remaining @ remaining <= squares * (1 + ROUNDING):
                break
            step /= 2
        unknown = unknown + step
        if np.abs(step).max() <= SMALLEST_STEP * (1 + unknown.max()):
            break
    return unknown


def _least_squares_of_losses(matrix: FloatArray, wanted: FloatArray) -> FloatArray:
    """The x of 0 or more with the least sum of squares of matrix @ x − wanted; shapes (n, k) and (n,)."""
    best, least = np.zeros(matrix.shape[1]), np.inf
    for free in product((True, False), repeat=matrix.shape[1]):
        losses = np.zeros(matrix.shape[1])
        chosen = np.array(free)
        losses[chosen] = np.linalg.lstsq(matrix[:, chosen], wanted)[0]
        squares = float(np.sum((matrix @ losses - wanted) ** 2))
        if losses.min() >= 0 and squares < least:
            best, least = losses, squares
    return best


def _efficiency(directions: Sequence[Direction], power_kw: FloatArray, losses: FloatArray) -> FloatArray:
    """Efficiency by the law [-] at each power [kW], of the losses F [kW], c and d."""
    stored, taken = _battery_side(power_kw, losses)
    by_direction = {"charge": stored, "discharge": 1 / taken, "round-trip": stored / taken}
    return np.array([by_direction[direction][at] for at, direction in enumerate(directions)])


def _slopes(directions: Sequence[Direction], power_kw: FloatArray, losses: FloatArray) -> FloatArray:
    """How efficiency changes with each of the three losses, shape (n, 3)."""
    stored, taken = _battery_side(power_kw, losses)
    none = np.zeros(len(power_kw))
    of_stored = np.column_stack([-1 / power_kw, none - 1 / (1 + losses[1]) ** 2, none])
    of_taken = np.column_stack([1 / power_kw, none, none + 1])
    by_direction = {
        "charge": of_stored,
        "discharge": -of_taken / taken[:, None] ** 2,
        "round-trip": of_stored / taken[:, None] - of_taken * (stored / taken**2)[:, None],
    }
    return np.array([by_direction[direction][at] for at, direction in enumerate(directions)])


def _battery_side(power_kw: FloatArray, losses: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Into the battery for each kWh charged, and out of it for each kWh given, at each power [kWh per kWh]."""
    fixed, charge, discharge = losses
    return 1 / (1 + charge) - fixed / power_kw, 1 + discharge + fixed / power_kw
