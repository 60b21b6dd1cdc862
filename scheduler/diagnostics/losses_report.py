"""Fitted losses for the reader: on the terminal, as a page that opens without a network, and as JSON."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
from markupsafe import Markup
from rich.console import Console
from rich.text import Text

from scheduler.diagnostics.losses import LossFit, site_lines
from scheduler.diagnostics.losses_chart import losses_chart
from scheduler.render.page_template import page_template
from scheduler.render.table import Column, Table, json_rows, text_table
from scheduler.render.terminal import print_list, print_table
from scheduler.textio.format import number_text

WIDTH = 100
FORMAT = 1


def show_losses(made: LossFit, console: Console) -> None:
    """Print the fitted values, the points, the lines for site.toml, and warnings."""
    width = min(WIDTH, console.width)
    console.print(Text(f"Losses fitted to {len(made.table.points)} points of {made.table.path.name}", style="bold"))
    print_table(replace(value_table(made), caption=""), console, width)
    print_table(replace(point_table(made), caption=""), console, width)
    print_list("", (difference_note(made), example_note(made)), console, width)
    console.print("\nFor site.toml, under \\[charger]:\n")
    for line in site_lines(made).splitlines():
        console.print(Text(line), soft_wrap=True)
    for warning in made.warnings:
        console.print()
        console.print(Text(f"Note: {warning}"), width=width)
    console.print()


def losses_page(made: LossFit) -> str:
    """The page, self-contained."""
    charge, discharge, fixed = made.keys
    return page_template("scheduler.diagnostics", "losses.html").render(
        headline=(
            f"The charger loses {fixed.estimate_text} whenever it is on; beyond that it charges at "
            f"{charge.estimate_text} and discharges at {discharge.estimate_text}"
        ),
        about=f"Fitted to {len(made.table.points)} measured points of {made.table.path.name}. {example_note(made)}",
        file=made.table.path.name,
        values=value_table(made),
        site_lines=site_lines(made),
        chart=Markup(losses_chart(made)),
        points=point_table(made),
        warnings=made.warnings,
    )


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
        "points": json_rows(point_table(made)),
        "site_toml": site_lines(made).splitlines(),
        "warnings": list(made.warnings),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def value_table(made: LossFit) -> Table:
    """Make a row per fitted value: the value and its uncertainty."""
    known = made.fitted.scatter_points is not None
    caption = "±: one standard error, from how the points scatter about the fit." if known else ""
    rows = [(key.words, key.estimate_text, key.uncertainty_text) for key in made.keys]
    return text_table(("What", "Fitted", "Uncertainty"), rows, caption)


def point_table(made: LossFit) -> Table:
    """Make a row per measured point: its line, direction and power, measured and fitted efficiency."""
    fitted, points = made.fitted, made.table.points
    decimals = max(len(f"{point.power_kw:.2f}".rstrip("0").partition(".")[2]) for point in points)
    columns = (
        Column("line", "Line"),
        Column("direction", "Direction"),
        Column("power_kw", "kW", kind="number", digits=decimals),
        Column("efficiency_percent", "Measured", "%", "number", 1),
        Column("fitted_percent", "Fitted", "%", "number", 1),
        Column("difference_points"),
        Column(heading="Difference", kind="number"),
    )
    rows = tuple(
        (line, point.direction, point.power_kw, point.efficiency_percent, at, difference, _signed(difference))
        for line, point, at, difference in zip(
            made.table.lines, points, fitted.fitted_percent.tolist(), fitted.difference_points.tolist(), strict=True
        )
    )
    return Table(columns, rows, difference_note(made))


def difference_note(made: LossFit) -> str:
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
