"""Fitted losses for the reader: on the terminal, and as JSON."""

from __future__ import annotations

import json

import numpy as np
from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from scheduler.diagnostics.losses import LossFit, site_lines
from scheduler.textio.format import number_text

WIDTH = 100
FORMAT = 1


def show_losses(made: LossFit, console: Console) -> None:
    """Print the fitted values, the points, the lines for site.toml, and warnings."""
    width = min(WIDTH, console.width)
    console.print(Text(f"Losses fitted to {len(made.table.points)} points of {made.table.path.name}", style="bold"))
    values = _table("", "Fitted", "How sure")
    for key in made.keys:
        values.add_row(key.words, key.estimate_text, key.sure_text)
    console.print(values, width=width)
    points = _table("Line", "Direction", "kW", "Measured, %", "Fitted, %", "Difference")
    for row in point_rows(made):
        points.add_row(*row)
    console.print(points, width=width)
    for note in (sure_note(made), example_note(made)):
        console.print(Padding(Text(note, style="dim"), (0, 0, 0, 2)), width=width)
    console.print("\nFor site.toml, under \\[charger]:\n")
    for line in site_lines(made).splitlines():
        console.print(Text(line), soft_wrap=True)
    for warning in made.warnings:
        console.print(Padding(Text(f"Note: {warning}"), (1, 0, 0, 0)), width=width)
    console.print()


def losses_json(made: LossFit) -> str:
    """The fit as JSON text; what is not known or at its bound is null."""
    fitted = made.fitted
    document = {
        "format": FORMAT,
        "file": str(made.table.path),
        **{key.key: key.value for key in made.keys},
        "standard_errors": {key.key: key.error for key in made.keys},
        "at_bound": [key.key for key in made.keys if key.at_bound],
        "split_evenly": fitted.split_evenly,
        "root_mean_square_points": fitted.root_mean_square_points,
        "points": [
            {
                "line": line,
                "direction": point.direction,
                "power_kw": point.power_kw,
                "efficiency_percent": point.efficiency_percent,
                "fitted_percent": float(at),
                "difference_points": float(difference),
            }
            for line, point, at, difference in zip(
                made.table.lines, made.table.points, fitted.fitted_percent, fitted.difference_points, strict=True
            )
        ],
        "site_toml": site_lines(made).splitlines(),
        "warnings": list(made.warnings),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def point_rows(made: LossFit) -> list[tuple[str, str, str, str, str, str]]:
    """Line, direction, power, measured and fitted efficiency, and their difference, as words."""
    fitted = made.fitted
    decimals = max(len(f"{point.power_kw:.2f}".rstrip("0").partition(".")[2]) for point in made.table.points)
    return [
        (
            str(line),
            point.direction,
            number_text(point.power_kw, decimals),
            number_text(point.efficiency_percent, 1),
            number_text(float(at), 1),
            _signed(float(difference)),
        )
        for line, point, at, difference in zip(
            made.table.lines, made.table.points, fitted.fitted_percent, fitted.difference_points, strict=True
        )
    ]


def sure_note(made: LossFit) -> str:
    """What the differences and the ± are."""
    note = (
        "Difference: measured less fitted, in percentage points; root mean square "
        f"{number_text(made.fitted.root_mean_square_points, 2)}."
    )
    return note if made.fitted.scatter_points is None else f"{note} ±: one standard error."


def example_note(made: LossFit) -> str:
    """What the fit means for a kWh, at the lowest and the highest power measured."""
    powers = sorted({point.power_kw for point in made.table.points})
    ends = np.array([powers[0], powers[-1]])
    low, high = (max(0.0, float(each)) for each in made.fitted.efficiency_percent("round-trip", ends))
    return (
        f"Of a kWh taken and given back at {ends[0]:g} kW, {number_text(low / 100, 2)} kWh comes back; at "
        f"{ends[1]:g} kW, {number_text(high / 100, 2)}."
    )


def _signed(value: float) -> str:
    words = number_text(value, 1)
    return words if words.startswith("−") or float(words) == 0 else f"+{words}"


def _table(*columns: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for at, name in enumerate(columns):
        table.add_column(name, justify="left" if at == 0 or name == "Direction" else "right", overflow="fold")
    return table
