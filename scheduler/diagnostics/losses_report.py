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
from scheduler.render.page_template import HASH_LETTERS, page_template
from scheduler.render.table import Column, Table, json_rows, text_table
from scheduler.render.terminal import print_list, print_table
from scheduler.textio.format import number_text
from scheduler.textio.read_text import sha256_of

WIDTH = 100
FORMAT = 1
CAUTIONS = (
    "The fit holds for the powers that were measured; beyond them it is a guess.",
    "Only a licensed electrician opens or alters the equipment; measure at the meter or with what the charger shows.",
)


def show_losses(fit: LossFit, console: Console) -> None:
    """Print the fitted values, the points, the lines for site.toml, and warnings."""
    width = min(WIDTH, console.width)
    console.print(Text(f"Losses fitted to {len(fit.table.points)} points of {fit.table.path.name}", style="bold"))
    print_table(replace(value_table(fit), caption=""), console, width)
    print_table(replace(point_table(fit), caption=""), console, width)
    print_list("", (difference_note(fit), example_note(fit)), console, width)
    console.print("\nFor site.toml, under \\[charger]:\n")
    for line in site_lines(fit).splitlines():
        console.print(Text(line), soft_wrap=True)
    for warning in fit.warnings:
        console.print()
        console.print(Text(f"Note: {warning}"), width=width)
    console.print()


def losses_page(fit: LossFit) -> str:
    """Return the page as HTML text that needs no other file."""
    charge, discharge, fixed = fit.keys
    return page_template("scheduler.diagnostics", "losses.html").render(
        title="Charger losses",
        headline=(
            f"The charger loses {fixed.estimate_text} whenever it is on; beyond that it charges at "
            f"{charge.estimate_text} and discharges at {discharge.estimate_text}"
        ),
        about=f"Fitted to {len(fit.table.points)} measured points of {fit.table.path.name}. {example_note(fit)}",
        values=value_table(fit),
        site_lines=site_lines(fit),
        chart=Markup(losses_chart(fit)),
        points=point_table(fit),
        warnings=fit.warnings,
        cautions=CAUTIONS,
        options=[
            ("Points", f"{len(fit.table.points)}, at {_powers_text(fit)}"),
            ("Fitted by", "least squares of efficiency, no loss less than none"),
        ],
        files=[(fit.table.path.name, sha256_of(fit.table.path)[:HASH_LETTERS])],
    )


def losses_json(fit: LossFit) -> str:
    """Return the fit as JSON text; an error that is not known, or of a value at its bound, is null."""
    fitted = fit.fitted
    document = {
        "format": FORMAT,
        "file": str(fit.table.path),
        **{key.key: key.value for key in fit.keys},
        "standard_errors": {key.key: key.error for key in fit.keys},
        "at_bound": [key.key for key in fit.keys if key.at_bound],
        "split_evenly": fitted.split_evenly,
        "root_mean_square_points": fitted.root_mean_square_points,
        "points": json_rows(point_table(fit)),
        "site_toml": site_lines(fit).splitlines(),
        "warnings": list(fit.warnings),
    }
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def value_table(fit: LossFit) -> Table:
    """Return a row per fitted value: the value and its uncertainty."""
    known = fit.fitted.scatter_points is not None
    caption = "±: one standard error, from how the points scatter about the fit." if known else ""
    rows = [(key.label, key.estimate_text, key.uncertainty_text) for key in fit.keys]
    return text_table(("What", "Fitted", "Uncertainty"), rows, caption)


def point_table(fit: LossFit) -> Table:
    """Return a row per measured point: its line, direction and power, measured and fitted efficiency."""
    fitted, points = fit.fitted, fit.table.points
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
            fit.table.lines, points, fitted.fitted_percent.tolist(), fitted.difference_points.tolist(), strict=True
        )
    )
    return Table(columns, rows, difference_note(fit))


def difference_note(fit: LossFit) -> str:
    """Return a sentence on what the differences and the ± are."""
    note = (
        "Difference: measured less fitted, in percentage points; root mean square "
        f"{number_text(fit.fitted.root_mean_square_points, 2)}."
    )
    return note if fit.fitted.scatter_points is None else f"{note} ±: one standard error."


def example_note(fit: LossFit) -> str:
    """Return a sentence on what the fit means for a kWh, at the lowest and the highest power measured."""
    powers = sorted({point.power_kw for point in fit.table.points})
    ends = np.array([powers[0], powers[-1]])
    low, high = (max(0.0, float(each)) for each in fit.fitted.efficiency_percent("round-trip", ends))
    return (
        f"Of each kWh charged and discharged at {ends[0]:g} kW, {number_text(low / 100, 2)} kWh comes back; at "
        f"{ends[1]:g} kW, {number_text(high / 100, 2)}."
    )


def _powers_text(fit: LossFit) -> str:
    """Return the lowest and the highest power measured."""
    powers = [point.power_kw for point in fit.table.points]
    return f"{min(powers):g} to {max(powers):g} kW"


def _signed(value: float) -> str:
    text = number_text(value, 1)
    return text if text.startswith("−") or float(text) == 0 else f"+{text}"
