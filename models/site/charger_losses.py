"""A charger's losses fitted to measured points: one fixed loss and two efficiencies, by least squares.

The loss model is that of `models.site.charger`. At a power p on the AC side, with the fixed loss F and the efficiencies
of charging and discharging e_c and e_d, it gives these efficiencies:

    charge       battery side over AC side           e_c − F/p
    discharge    AC side over battery side           1 / (1/e_d + F/p)
    round-trip   AC out over AC in, both at p        (e_c − F/p) / (1/e_d + F/p)

The fit minimises the sum of squared differences between measured and modelled efficiency, with equal weights. It does
not use battery-side power: a meter is accurate to a share of its reading, so an efficiency is about as uncertain at
2 kW as at 7 kW, while the error in kW grows with the power. Least squares on kW would nearly ignore the points at low
power, and these are the ones that separate the fixed loss from the efficiencies.

The unknowns are the losses F, c = 1/e_c − 1 and d = 1/e_d − 1 (kWh lost for each kWh that arrives), each 0 or more, so
that the fixed loss is at least 0 and the efficiencies are at most 100 %. The method is Gauss–Newton. Each iteration
solves a linear least-squares problem with non-negative unknowns, exactly, by trying every set of unknowns that can be
held at 0 (at most 8 sets).

Round trips alone determine only e_c × e_d and F × e_d: multiplying 1/e_d, e_c and F by the same number changes no round
trip. The loss is then split evenly, e_c = e_d.
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
"""Powers within this ratio count as one power: they cannot separate the fixed loss from an efficiency."""
UNKNOWNS = 3
AT_BOUND = 1e-9
"""A loss no larger than this counts as 0, its bound."""
MAX_ITERATIONS, SMALLEST_CHANGE, MAX_HALVINGS = 200, 1e-13, 40
ROUNDING = 1e-12
"""Share of the sum of squares that is rounding error."""


@dataclass(frozen=True, slots=True)
class MeasuredPoint:
    """One measured efficiency.

    Attributes
    ----------
    direction : "charge", "discharge" or "round-trip".
    power_kw : power at the AC side, above 0 [kW].
    efficiency_percent : above 0, at most 100 [%].
    """

    direction: Direction
    power_kw: float
    efficiency_percent: float


@dataclass(frozen=True, slots=True)
class FittedLosses:
    """The losses that fit the measured points best, and their uncertainty.

    Attributes
    ----------
    fixed_loss_kw, charge_efficiency_percent, discharge_efficiency_percent : as in `models.site.charger.Charger`.
    errors_per_point : standard error of each of the three, in this order [kW, points, points], if the efficiencies
        scatter by one percentage point; None for one that is held at its bound.
    scatter_points : standard deviation of the efficiencies about the fit [percentage points], from the sum of squares
        and the degrees of freedom; None without any degrees of freedom.
    fitted_percent : efficiency by the fit at each point [%], shape (n,).
    difference_points : measured minus fitted efficiency [percentage points], shape (n,).
    split_evenly : whether only round trips were measured, so that both efficiencies were assumed to be equal.
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
        """Return the standard errors of fixed loss, charge and discharge efficiency [kW, points, points].

        One is None where it is unknown or the loss is at its bound. The points are assumed to be equally accurate, with
        independent errors; a loss that is held at its bound counts as known.
        """
        scatter = self.scatter_points
        fixed, charge, discharge = (
            None if scatter is None or each is None else scatter * each for each in self.errors_per_point
        )
        return fixed, charge, discharge

    @property
    def root_mean_square_points(self) -> float:
        """Return the root mean square of measured minus fitted efficiency [percentage points]."""
        return float(np.sqrt(np.mean(self.difference_points**2)))

    def efficiency_percent(self, direction: Direction, power_kw: FloatArray) -> FloatArray:
        """Return the efficiency by the fit [%] at powers at the AC side [kW], shape (n,)."""
        losses = np.array(
            [
                self.fixed_loss_kw,
                100 / self.charge_efficiency_percent - 1,
                100 / self.discharge_efficiency_percent - 1,
            ]
        )
        return 100 * _efficiency([direction] * len(power_kw), power_kw, losses)


def fit_losses(points: Sequence[MeasuredPoint]) -> FittedLosses:
    """Fit the fixed loss and the two efficiencies to measured points.

    Source: Gauss–Newton, and standard errors from the Jacobian, as in any text on nonlinear least squares (common
    practice; for instance Nocedal and Wright, Numerical Optimization, chapter 10, from memory).

    Parameters
    ----------
    points : measured efficiencies, in any order.

    Returns
    -------
    The losses, their uncertainty, and the fitted efficiency at each point.

    Raises
    ------
    ValueError : the points do not determine the losses; the message is that of `undetermined_reason`.

    Examples
    --------
    Points made with a fixed loss of 0.1 kW and efficiencies of 95 and 90 %:

    >>> points = [MeasuredPoint("charge", p, 100 * (0.95 - 0.1 / p)) for p in (2.0, 7.0)]
    >>> points += [MeasuredPoint("discharge", p, 100 / (1 / 0.90 + 0.1 / p)) for p in (2.0, 7.0)]
    >>> fit = fit_losses(points)
    >>> round(fit.fixed_loss_kw, 4), round(fit.charge_efficiency_percent, 2), round(fit.discharge_efficiency_percent, 2)
    (0.1, 95.0, 90.0)
    """
    short = undetermined_reason(points)
    if short is not None:
        raise ValueError(short)
    directions = [point.direction for point in points]
    power_kw = np.array([point.power_kw for point in points])
    measured = np.array([point.efficiency_percent for point in points]) / 100
    split_evenly = set(directions) == {"round-trip"}
    expand = np.array([[1.0, 0], [0, 1], [0, 1]]) if split_evenly else np.eye(UNKNOWNS)
    unknown = _best(directions, power_kw, measured, expand)
    losses = expand @ unknown

    fitted = _efficiency(directions, power_kw, losses)
    difference = measured - fitted
    degrees_of_freedom = len(points) - len(unknown)
    scatter = float(np.sqrt(difference @ difference / degrees_of_freedom)) if degrees_of_freedom > 0 else None
    free = unknown > AT_BOUND
    slopes = (_slopes(directions, power_kw, losses) @ expand)[:, free]
    of_free = np.linalg.norm(np.linalg.pinv(slopes, rcond=0), axis=1)
    of_unknown = np.full(len(unknown), np.nan)
    of_unknown[free] = of_free
    each = expand @ np.nan_to_num(of_unknown)
    per_point = np.array([0.01, 1 / (1 + losses[1]) ** 2, 1 / (1 + losses[2]) ** 2]) * each
    held = expand @ ~free > 0
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


def undetermined_reason(points: Sequence[MeasuredPoint]) -> str | None:
    """Return why the points do not determine the losses, or None if they do.

    They do if they cover both directions (a round trip covers both) and two or more powers, and if there are as many
    different points as unknowns: three, or two if there are only round trips.

    Parameters
    ----------
    points : measured efficiencies.

    Returns
    -------
    A sentence on what was found and what is expected, or None.

    Examples
    --------
    >>> undetermined_reason([MeasuredPoint("round-trip", 2.0, 80.0), MeasuredPoint("round-trip", 7.0, 87.0)]) is None
    True
    >>> undetermined_reason([MeasuredPoint("round-trip", 7.0, 87.0)])[:42]
    'all points are at about 7 kW, and one powe'
    """
    directions = {point.direction for point in points}
    power_of = _distinct_powers(points)
    different = len({(point.direction, power_of[point.power_kw]) for point in points})
    if not points:
        return (
            "found no points; expected 3 or more, for charge and discharge and one of them at two powers, "
            "or 2 round-trip points at two powers"
        )
    if len(directions) == 1 and "round-trip" not in directions:
        only = next(iter(directions))
        other = "discharge" if only == "charge" else "charge"
        more = ", and another for either at another power" if different == 1 else ""
        return (
            f"all points are for {only}, which says nothing about the other direction; expected also one or more "
            f"for {other} (or round-trip){more}"
        )
    if len(set(power_of.values())) == 1:
        return (
            f"all points are at about {points[0].power_kw:g} kW, and one power cannot separate the fixed loss from "
            "the efficiencies; expected two or more powers, one of them low"
        )
    if directions != {"round-trip"} and different < UNKNOWNS:
        found = ", ".join(
            f"{number} for {direction}"
            for direction in DIRECTIONS
            if (number := len({power_of[point.power_kw] for point in points if point.direction == direction}))
        )
        return (
            f"found {different} different points ({found}) for {UNKNOWNS} unknowns; expected {UNKNOWNS} or "
            "more: add 1 in any direction, at another power"
        )
    return None


def _distinct_powers(points: Sequence[MeasuredPoint]) -> dict[float, int]:
    """Number the powers [kW], with the same number for powers that count as one."""
    number_of: dict[float, int] = {}
    first, number = 0.0, -1
    for power in sorted({point.power_kw for point in points}):
        if power > first * SAME_POWER:
            first, number = power, number + 1
        number_of[power] = number
    return number_of


def _best(
    directions: Sequence[Direction], power_kw: FloatArray, measured: FloatArray, expand: FloatArray
) -> FloatArray:
    """Return the unknowns with the least sum of squares; the three losses are expand @ unknowns."""
    unknown = np.full(expand.shape[1], 0.05)
    remaining = measured - _efficiency(directions, power_kw, expand @ unknown)
    for _ in range(MAX_ITERATIONS):
        slopes = _slopes(directions, power_kw, expand @ unknown) @ expand
        step = _least_squares_of_losses(slopes, remaining + slopes @ unknown) - unknown
        squares = remaining @ remaining
        for _ in range(MAX_HALVINGS):
            remaining = measured - _efficiency(directions, power_kw, expand @ (unknown + step))
            if remaining @ remaining <= squares * (1 + ROUNDING):
                break
            step /= 2
        unknown = unknown + step
        if np.abs(step).max() <= SMALLEST_CHANGE * (1 + unknown.max()):
            break
    return unknown


def _least_squares_of_losses(matrix: FloatArray, wanted: FloatArray) -> FloatArray:
    """Return the non-negative x with the least sum of squares of matrix @ x − wanted; shapes (n, k) and (n,)."""
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
    """Return the efficiency [-] at each power [kW] for the losses F [kW], c and d."""
    stored, taken = _battery_side(power_kw, losses)
    by_direction = {"charge": stored, "discharge": 1 / taken, "round-trip": stored / taken}
    return np.array([by_direction[direction][at] for at, direction in enumerate(directions)])


def _slopes(directions: Sequence[Direction], power_kw: FloatArray, losses: FloatArray) -> FloatArray:
    """Return the derivative of the efficiency by each of the three losses, shape (n, 3)."""
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
    """Return energy into the battery per kWh charged, and out of it per kWh discharged, at each power [kWh per kWh]."""
    fixed, charge, discharge = losses
    return 1 / (1 + charge) - fixed / power_kw, 1 + discharge + fixed / power_kw
