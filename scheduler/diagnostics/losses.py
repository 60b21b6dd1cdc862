"""From a table of measured efficiencies to the charger's three keys of losses, and warnings about them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from models.site.charger_losses import FittedLosses, fit_losses
from scheduler.diagnostics.losses_file import LossTable, read_losses
from scheduler.textio.format import number_text

LARGE_POINTS = 3.0
"""A larger difference between measured and fitted efficiency is warned of [percentage points]."""


@dataclass(frozen=True, slots=True)
class FittedKey:
    """One key of `[charger]` and its fitted value.

    Attributes
    ----------
    key : name in site.toml. label : name for a reader. unit : of the value, "%" or "kW".
    decimals : that the value is shown with.
    value : fitted value. error : its standard error in the same unit; None if not known.
    error_per_point : standard error if the efficiencies scatter by one percentage point; None at the bound.
    """

    key: str
    label: str
    unit: str
    decimals: int
    value: float
    error: float | None
    error_per_point: float | None

    @property
    def at_bound(self) -> bool:
        """Return whether the value is at its bound: the points would be fitted best by a loss below 0."""
        return self.error_per_point is None

    @property
    def estimate_text(self) -> str:
        """Return the value with its unit."""
        return f"{number_text(self.value, self.decimals)} {self.unit}"

    @property
    def uncertainty_text(self) -> str:
        """Return the value's uncertainty with its unit."""
        if self.at_bound:
            return "at its bound"
        if self.error is None:
            return "not known"
        return f"± {number_text(self.error, self.decimals)} {'points' if self.unit == '%' else self.unit}"


@dataclass(frozen=True, slots=True)
class LossFit:
    """A table, the losses fitted to it, and warnings."""

    table: LossTable
    fitted: FittedLosses
    warnings: tuple[str, ...]

    @property
    def keys(self) -> tuple[FittedKey, FittedKey, FittedKey]:
        """Return the three keys, in the order in which site.toml has them."""
        fitted = self.fitted
        fixed, charge, discharge = fitted.standard_errors
        fixed_each, charge_each, discharge_each = fitted.errors_per_point
        return (
            FittedKey(
                "charge_efficiency_percent",
                "Charge efficiency",
                "%",
                1,
                fitted.charge_efficiency_percent,
                charge,
                charge_each,
            ),
            FittedKey(
                "discharge_efficiency_percent",
                "Discharge efficiency",
                "%",
                1,
                fitted.discharge_efficiency_percent,
                discharge,
                discharge_each,
            ),
            FittedKey("fixed_loss_kw", "Fixed loss", "kW", 3, fitted.fixed_loss_kw, fixed, fixed_each),
        )


def fit_table(path: Path) -> LossFit:
    """Return the losses fitted to the table in a file.

    Raises
    ------
    InputFaults : see `read_losses`.
    """
    table = read_losses(path)
    fitted = fit_losses(table.points)
    unwarned = LossFit(table, fitted, ())
    return LossFit(table, fitted, tuple(_warnings(unwarned)))


def site_lines(fit: LossFit) -> str:
    """Return lines to paste into site.toml under [charger], each value with one decimal more than is shown."""
    comment = f"# fitted to {len(fit.table.points)} measured points"
    return "\n".join([comment, *(f"{key.key} = {_plain(key)}" for key in fit.keys)])


def _plain(key: FittedKey) -> str:
    """Return a value as TOML; an efficiency never rounds up to 100 or down to 0."""
    decimals = key.decimals + 1
    text = f"{key.value:.{decimals}f}"
    if key.unit == "%" and not key.at_bound:
        text = f"{min(max(float(text), 10.0**-decimals), 100 - 10.0**-decimals):.{decimals}f}"
    return text.rstrip("0").rstrip(".")


def _warnings(fit: LossFit) -> Iterator[str]:
    fitted, points = fit.fitted, fit.table.points
    charge, discharge, fixed = fit.keys
    if fitted.split_evenly:
        yield (
            "Only round trips were measured, and they cannot tell charging from discharging: the loss is split evenly. "
            "A round trip through the battery has the battery's own losses in it too."
        )
    if fixed.at_bound:
        yield (
            "The fixed loss came out at 0, its least: by these points the efficiency does not fall towards low power, "
            "as it does with every charger. Measure at a lower power."
        )
    for key in (charge, discharge):
        if key.at_bound:
            yield (
                f"The {key.label.lower()} came out at 100 %, its most: no charger is as good as that. Check the points "
                "of high power."
            )
    if fitted.scatter_points is None:
        changes = " and ".join(
            f"the {key.label.lower()} by {number_text(key.error_per_point, key.decimals)} "
            f"{'points' if key.unit == '%' else key.unit}"
            for key in ((fixed, charge) if fitted.split_evenly else (fixed, charge, discharge))
            if key.error_per_point is not None
        )
        yield (
            "There are only as many points as unknowns, so they fit exactly and do not show how sure the values are. "
            f"Measuring errors of one percentage point would move {changes}."
        )
    elif fixed.error is not None and fixed.error > fixed.value / 2:
        yield (
            f"The fixed loss can hardly be distinguished from 0 ({fixed.estimate_text} {fixed.uncertainty_text}): "
            "measure at a lower power, where it weighs more."
        )
    worst = int(np.argmax(np.abs(fitted.difference_points)))
    off, point = float(fitted.difference_points[worst]), points[worst]
    if abs(off) > LARGE_POINTS:
        yield (
            f"Line {fit.table.lines[worst]}, {point.direction} at {point.power_kw:g} kW, is "
            f"{number_text(abs(off), 1)} percentage points {'above' if off > 0 else 'below'} the fit, more than any. "
            "Check it; if it is right, one fixed loss and two efficiencies describe this charger only roughly."
        )
