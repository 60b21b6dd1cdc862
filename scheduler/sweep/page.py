"""`sweep.html`: a sweep as one page that opens without a network, from its tidy files alone."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import pandas as pd

from scheduler.comparison.text import CLOSING, day_span_text, evenings_knew_text
from scheduler.plans.plan import CAUTIONS
from scheduler.render.page_template import HASH_LETTERS, page_template
from scheduler.render.table import NOTHING, Column, Table
from scheduler.sweep.figures import MOST_GROUPS, sweep_figures
from scheduler.sweep.frontier import CAPACITY_LOST, Frontier, frontiers_of, setting_columns, value_text
from scheduler.sweep.inline_figure import inline_figure
from scheduler.sweep.manifest import TRIPS_BEFORE
from scheduler.sweep.text import (
    HOW_TO_READ,
    bound_sentences,
    counted_sentences,
    group_names,
    group_table,
    headline,
    in_common,
    laws_text,
    lost_text,
    scaled_text,
    sentences,
    weight_text,
)

MOST_ROWS = 200
"""Most runs that the page lists; more are in runs.csv alone."""
POLICY_LABELS = {"plan": "as planned", "charge-only": "only charged", "charge-on-return": "charged on return"}


def sweep_page(runs: pd.DataFrame, manifest: Mapping[str, Any]) -> str:
    """Return the page as HTML text that needs no other file.

    Parameters
    ----------
    runs : one row per run, as runs.csv has them. manifest : what manifest.json holds.

    Raises
    ------
    InputFaults : the table is not that of a sweep's runs.
    """
    currency = str(manifest["currency"])
    frontiers = frontiers_of(runs)
    first, last = date.fromisoformat(manifest["first_day"]), date.fromisoformat(manifest["last_day"])
    scaled = scaled_text(frontiers)
    program = manifest["program"]
    return page_template("scheduler.sweep", "page.html").render(
        title="Wear weights compared",
        headline=headline(frontiers, currency),
        about=f"{manifest['site']}, {day_span_text(first, last)}{in_common(frontiers)}, all amounts in {currency}",
        sentences=(
            *sentences(frontiers, currency),
            *(() if scaled is None else (scaled,)),
            *bound_sentences(runs),
            *counted_sentences(runs),
        ),
        figures={name: inline_figure(figure, name) for name, figure in sweep_figures(runs, currency).items()},
        frontier_caption=_caption(frontiers, _frontier_text(frontiers)),
        weight_caption=_caption(
            frontiers, "The total saved counts battery wear as money, by the law that priced the plans."
        ),
        laws_caption=f"The same runs, {_named(frontiers)}, by each law.",
        laws=laws_text(frontiers[0]),
        currency=currency,
        groups=group_table(frontiers, currency),
        how_to_read=HOW_TO_READ,
        run_count="1 run" if len(runs) == 1 else f"{len(runs)} runs",
        all_runs=_run_table(runs, currency) if len(runs) <= MOST_ROWS else None,
        assumptions=tuple(manifest["notes"]),
        cautions=(*CAUTIONS, CLOSING),
        options=[
            ("Days", f"{manifest['days']}, {day_span_text(first, last)}, {manifest['timezone']}"),
            ("Wear weights", _weights_text(manifest["weights"])),
            ("Wear laws", ", ".join(manifest["laws"])),
            ("Offers", ", ".join(str(offer["name"]) for offer in manifest["offers"])),
            *((key, ", ".join(value_text(value) for value in values)) for key, values in manifest["settings"].items()),
            ("Each evening knew", evenings_knew_text(manifest["forecast"], manifest.get("trips", TRIPS_BEFORE))),
            ("Made at", str(manifest["made_at"])),
            ("Run by", f"overnight {program['version']}, source {program['fingerprint'][:HASH_LETTERS]}…"),
        ],
        files=[(str(read["file"]), str(read["sha256"])[:HASH_LETTERS]) for read in manifest["inputs"]],
        command=str(manifest["command"]),
        versions=[(str(name), str(value)) for name, value in {**manifest["versions"], **manifest["platform"]}.items()],
    )


def _frontier_text(frontiers: Sequence[Frontier]) -> str:
    text = "Up and to the left is better: more saved for less of the battery."
    if len({each.law for each in frontiers}) == 1:
        return text
    return f"{text} Each group's life used is by the law that priced it: do not compare it across laws."


def _caption(frontiers: Sequence[Frontier], text: str) -> str:
    if len(frontiers) > MOST_GROUPS:
        return f"{text} Of {len(frontiers)} groups the first {MOST_GROUPS} are drawn; the table has all."
    return text if len(frontiers) > 1 else f"{text} {_named(frontiers)}."


def _named(frontiers: Sequence[Frontier]) -> str:
    """Return the name of the first group, with its law if it is the only one."""
    first = frontiers[0]
    return f"{group_names(frontiers)[0]}" if len(frontiers) > 1 else f"{first.offer}, law {first.law}"


def _run_table(runs: pd.DataFrame, currency: str) -> Table:
    keys = setting_columns(runs)
    columns = (
        *(Column(heading=name) for name in ("Run", "Car", "Offer", "Law")),
        Column(heading="Weight", kind="number"),
        *(Column(heading=key, kind="number") for key in keys),
        Column(heading=f"Cash saved a year, {currency}", unit=currency, kind="money"),
        Column(heading=f"Total saved a year, {currency}", unit=currency, kind="money"),
        Column(heading="Life used × 20 %, a year", kind="percent"),
        Column(heading="Full cycles", kind="number", digits=1),
        Column(heading="Discharged", unit="kWh", kind="number", digits=1),
        Column(heading="Exported", unit="kWh", kind="number", digits=1),
        Column(heading="Departures below target", kind="number"),
    )
    rows = [
        (
            f"{row['run']}",
            POLICY_LABELS[row["policy"]],
            str(row["offer"]),
            str(row["law"]),
            weight_text(row["weight"]) if row["policy"] == "plan" else NOTHING,
            *(value_text(row[key]) for key in keys),
            row["cash_saved_a_year"],
            row["saving_a_year"],
            lost_text(row[CAPACITY_LOST]),
            row["equivalent_full_cycles"],
            row["discharged_kwh"],
            row["exported_kwh"],
            int(row["missed_departures"]),
        )
        for row in runs.sort_values("run", kind="stable").to_dict("records")
    ]
    return Table(columns, tuple(rows), "Full cycles and energies are of all the days.")


def _weights_text(weights: Iterable[float]) -> str:
    """Return all weights, or how many there are from the lowest to the highest."""
    listed = sorted(weights)
    if len(listed) <= 12:
        return ", ".join(weight_text(weight) for weight in listed)
    return f"{len(listed)} from {weight_text(listed[0])} to {weight_text(listed[-1])}"
