"""`report.html`: the plan as one page for a phone, a screen or a sheet of paper, which opens without a network."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

from scheduler.charts import power_chart, state_chart
from scheduler.money_table import money_table, saving_words
from scheduler.outcomes import TripOutcome
from scheduler.plan import CAUTIONS, Plan
from scheduler.wording import (
    clock_words,
    day_words,
    number_words,
    percent_words,
    price_words,
    setting_words,
    span_words,
)

FEW_BLOCKS = 4
"""As many steps as one sentence can hold."""


def report_text(plan: Plan) -> str:
    """The page, self-contained."""
    night, inputs = plan.night, plan.inputs
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    return _template().render(
        headline=_headline(plan),
        about=(
            f"{inputs.site.name}, {day_words(begin, night.timezone)} to {clock_words(end, night.timezone)}, "
            f"car at {percent_words(plan.evening.soc_percent)}"
        ),
        blocks=[
            {
                "when": span_words(first, last, night.timezone),
                "set": setting_words(block, night.setting.set_by),
                "why": why,
            }
            for block, why in zip(plan.blocks, plan.reasons, strict=True)
            for first, last in [[night.boundaries[at].to_pydatetime() for at in (block.first, block.last)]]
        ],
        trips=[_trip(plan, outcome) for outcome in plan.trips],
        money=money_table(plan),
        currency=inputs.offer.currency,
        saving=saving_words(plan),
        power=Markup(power_chart(plan)),
        state=Markup(state_chart(plan)),
        replanned=plan.replanned,
        warnings=plan.warnings,
        cautions=CAUTIONS,
        inputs=_inputs(plan),
    )


@cache
def _template() -> Template:
    environment = Environment(
        loader=PackageLoader("scheduler"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("report.html")


def _headline(plan: Plan) -> str:
    """The plan's sentence; of a long one the first steps, for the rest is in the table."""
    if len(plan.blocks) <= FEW_BLOCKS:
        return plan.headline
    night = plan.night
    now = night.boundaries[0].to_pydatetime()
    steps = []
    for block in plan.blocks[: FEW_BLOCKS - 1]:
        first, last = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
        steps.append(
            f"{setting_words(block, night.setting.set_by).partition(' (')[0]} "
            f"{span_words(first, last, night.timezone, now)}"
        )
    begins = plan.headline.partition(": ")[0]
    return f"{begins}: {', then '.join(steps)}, and {len(plan.blocks) - len(steps)} more settings below."


def _trip(plan: Plan, outcome: TripOutcome) -> dict[str, Any]:
    timezone = plan.night.timezone
    trip = outcome.trip.trip
    margin = outcome.planned_percent - outcome.target_percent
    if outcome.missed:
        ready = "not ready"
        if outcome.ready_at is not None:
            ready += f", would be at {clock_words(outcome.ready_at, timezone)}"
    else:
        assert outcome.ready_at is not None
        now = plan.night.boundaries[0].to_pydatetime()
        ready = "now" if outcome.ready_at <= now else clock_words(outcome.ready_at, timezone)
    return {
        "leaves": clock_words(trip.depart_at, timezone),
        "distance": f"{trip.distance_km:.0f} km",
        "needs": percent_words(outcome.target_percent),
        "planned": percent_words(outcome.planned_percent),
        "margin": f"{number_words(margin, 1)} points",
        "ready": ready,
        "missed": outcome.missed,
    }


def _inputs(plan: Plan) -> list[tuple[str, str]]:
    """What the plan was made from."""
    night, evening, inputs = plan.night, plan.evening, plan.inputs
    rows = [
        ("Offer", inputs.offer.name),
        ("Forecast", evening.forecast if evening.forecast == "recorded" else f"typical days, solar {evening.solar}"),
        ("Stored-energy price", f"{price_words(night.stored_energy_price)} {inputs.offer.currency} per kWh"),
        ("Wear weight", f"{night.wear_weight:g}"),
        ("Solver", f"{plan.answer.status}, within {number_words(plan.answer.gap, 4)} {inputs.offer.currency}"),
        ("Program", f"overnight {version('overnight-scheduler')}"),
    ]
    if evening.highest_soc_today_percent is not None:
        rows.insert(2, ("Highest state of charge today", percent_words(evening.highest_soc_today_percent)))
    rows += [(file.name, f"SHA-256 {hashlib.sha256(file.read_bytes()).hexdigest()[:12]}…") for file in inputs.files]
    return rows
