"""`report.html`: the plan as one page for a phone, a screen or a sheet of paper, which opens without a network."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath
from typing import Any

from markupsafe import Markup

from scheduler.inputs.control_mode import CHARGING
from scheduler.optimizer.block import Block, end_text, setting_text
from scheduler.plan_output.charts import power_chart, state_chart
from scheduler.plan_output.plan_json import plan_document
from scheduler.plans.cost_table import emissions_text, money_table, saving_text
from scheduler.plans.departures import MISSED_KWH, TripOutcome, outcome_warnings
from scheduler.plans.kept_energy import kept_energy_price_text
from scheduler.plans.outlook_text import chances_text, planned_on_text, range_text
from scheduler.plans.plan import CAUTIONS, Plan, why_not_discharged
from scheduler.plans.recourse import look_text
from scheduler.plans.tonight import first_sentences, later_text, tonights_blocks
from scheduler.render.page_template import HASH_LETTERS, page_template
from scheduler.render.table import Table
from scheduler.textio.format import clock_text, day_clock_text, number_text, percent_text

SET_BY = {
    "schedule": "a schedule",
    "blocks": "by hand, in blocks of one power",
    "current": "by hand, in whole amps",
}


def report_text(plan: Plan) -> str:
    """Return the page as HTML text that needs no other file."""
    night, inputs = plan.night, plan.inputs
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    urgent = _urgent(plan)
    headline, *more_headline = headline_lines(plan)
    return page_template("scheduler.plan_output", "page.html").render(
        title="Overnight plan",
        headline=headline,
        more_headline=more_headline,
        about=(
            f"{inputs.site.name}, {day_clock_text(begin, night.timezone)} to {clock_text(end, night.timezone)}, "
            f"car at {_state_text(plan)}"
        ),
        urgent=urgent,
        replanned=plan.replanned,
        blocks=[
            _block(plan, block, reason, look_text(night, block, at))
            for block, reason, at in zip(plan.blocks, plan.reasons, plan.look_at, strict=True)
        ][: len(tonights_blocks(plan))],
        later=later_text(plan),
        currency=inputs.offer.currency,
        covers=any(block.action in ("cover", "balance") for block in plan.blocks),
        trips=[_trip(plan, outcome) for outcome in plan.trips],
        money=_money(plan),
        chances=chances_text(plan),
        saving=[
            each
            for each in (saving_text(plan), range_text(plan), planned_on_text(plan), emissions_text(plan))
            if each is not None
        ],
        power=Markup(power_chart(plan)),
        state=Markup(state_chart(plan)),
        warnings=[warning for warning in plan.warnings if warning not in urgent],
        cautions=CAUTIONS,
        options=_options(plan),
        files=_files(plan),
        words=_words(plan),
    )


def headline_lines(plan: Plan) -> list[str]:
    """Return the lines in large letters at the head of the page, the first the largest."""
    why = why_nothing_given(plan) if plan.blocks else plan.headline
    lines = []
    for sentence in first_sentences(plan):
        now, then, following = sentence.partition(" Next: ")
        lines += [now, *([f"{then.strip()} {following}"] if then else [])]
    return [*lines, *([] if why is None else [why])]


def why_nothing_given(plan: Plan) -> str | None:
    """Return why the car only charges, where the headline is too short to say it; else None."""
    if not plan.blocks or any(block.action not in CHARGING for block in plan.blocks):
        return None
    why = why_not_discharged(plan.night, plan.replayed, plan.choice, plan.inputs.offer.currency)
    return f"The car does not discharge, since {why}."


def _state_text(plan: Plan) -> str:
    """Return the car's state of charge as it was given."""
    text = percent_text(plan.evening.soc_percent)
    home_at = plan.evening.home_at
    if home_at is None:
        return text
    earliest, timezone = plan.evening.home_at_earliest, plan.night.timezone
    if earliest is None:
        return f"{text} when home at {clock_text(home_at, timezone)}"
    return f"{text} when home, between {clock_text(earliest, timezone)} and {clock_text(home_at, timezone, earliest)}"


def _urgent(plan: Plan) -> list[str]:
    """Return sentences on missed departures: how much is missing, when the car would be ready, what would help."""
    missed = tuple(outcome for outcome in plan.trips if outcome.missed)
    return outcome_warnings(plan.night, missed, plan.inputs.offer.currency)


def _block(plan: Plan, block: Block, reason: str, look: str) -> dict[str, str]:
    """Return a block for the page; when to look at the car is no reason, and is shown while reasons are folded."""
    night = plan.night
    begin, end = (night.boundaries[at].to_pydatetime() for at in (block.first, block.last))
    return {
        "begin": clock_text(begin, night.timezone),
        "end": clock_text(end, night.timezone, begin),
        "set": setting_text(block, night.setting.set_by) + end_text(block.stop_percent, block.until_percent),
        "action": block.action,
        "look": look.strip(),
        "why": reason.removesuffix(look),
    }


def _trip(plan: Plan, outcome: TripOutcome) -> dict[str, Any]:
    trip = outcome.trip.trip
    return {
        "leaves": clock_text(trip.depart_at, plan.night.timezone),
        "back": clock_text(trip.return_at, plan.night.timezone),
        "distance": f"{trip.distance_km:.0f} km",
        "needs": percent_text(outcome.target_percent),
        "planned": percent_text(outcome.planned_percent),
        "margin": margin_text(outcome.target_percent, outcome.planned_percent, outcome.missed),
        "ready": ready_text(plan, outcome),
        "missed": outcome.missed,
    }


def margin_text(target_percent: float, planned_percent: float, missed: bool) -> str:
    """Return percentage points over or short of the target; a word, not only a sign, says which.

    >>> margin_text(52.8, 80.0, missed=False), margin_text(52.8, 50.0, missed=True)
    ('27.2 over', '2.8 short')
    """
    points = number_text(abs(planned_percent - target_percent), 1)
    if missed:
        return f"{points} short"
    return "just enough" if float(points) == 0 else f"{points} over"


def ready_text(plan: Plan, outcome: TripOutcome) -> str:
    """Return when the car is ready for a trip, or that it is not."""
    timezone = plan.night.timezone
    ready = None if outcome.ready_at is None else clock_text(outcome.ready_at, timezone)
    if outcome.missed:
        return "NOT READY" + ("" if ready is None else f", would be {ready}")
    assert outcome.ready_at is not None
    if outcome.ready_at <= plan.night.boundaries[0].to_pydatetime():
        return "already"
    return f"{ready}, late" if outcome.missing_when_ready_kwh >= MISSED_KWH else f"{ready}"


def _options(plan: Plan) -> list[tuple[str, str]]:
    """Return the request and the settings by which the plan was made, each with its name."""
    night, evening, inputs = plan.night, plan.evening, plan.inputs
    currency = inputs.offer.currency
    highest = evening.highest_soc_today_percent
    return [
        ("Made", day_clock_text(plan.made_at, night.timezone)),
        (
            "State of charge",
            _state_text(plan)
            + ("" if highest is None else f", highest today {percent_text(highest)}{_known_from(plan)}"),
        ),
        ("Offer", inputs.offer.name),
        ("Forecast", _forecast_text(plan)),
        ("Set by", SET_BY[night.setting.set_by]),
        ("Energy left", kept_energy_price_text(inputs, night, float(plan.replayed.stored_kwh[-1]))),
        ("Wear weight", f"{night.wear_weight:g}"),
        ("Solver", f"{plan.answer.status}, within {number_text(plan.answer.gap, 4)} {currency}"),
    ]


def _forecast_text(plan: Plan) -> str:
    """Return what load and solar were forecast from."""
    evening = plan.evening
    if evening.forecast == "recorded":
        return evening.forecast
    begins = "" if plan.outlook is None else f"{plan.outlook.days} past days like tonight; planned on "
    return f"{begins}typical days, solar {evening.solar}" if plan.choice is None else f"{begins}{plan.choice.name}"


def _money(plan: Plan) -> Table:
    """Return the table of money with its caption, a range short enough to stand on one line of a phone."""
    table = money_table(plan)
    asides = {number for number, role in table.roles.items() if role == "aside"}
    rows = tuple(
        tuple(str(cell).replace(" to ", "–") for cell in row) if number in asides else row
        for number, row in enumerate(table.rows)
    )
    caption = (
        f"{plan.inputs.offer.currency}: this plan; the same time charged on return; and only charged, never discharged."
    )
    return replace(table, rows=rows, caption=caption)


def _words(plan: Plan) -> list[tuple[str, str]]:
    """Return the words of the page that an owner may not know, each with its meaning; only those that occur."""
    costs = (plan.replayed.costs, *plan.alternatives.values())
    found = [
        ("Floor and ceiling", "the states of charge between which the battery is kept in ordinary use"),
        (
            "Needs",
            "the state of charge that the trip takes, with a margin, and the reserve for coming home",
        ),
        ("Charge on return", "the same time if the car were charged as soon as it comes home"),
        ("Only charge", "the same time if the car were charged at the best times and never discharged"),
        ("Battery wear", "what charging and discharging cost the battery's life, as a share of a new battery's price"),
        (
            "Energy taken from the car",
            "the worth of the energy by which the battery ends emptier than it began; with a minus it ends fuller",
        ),
    ]
    if plan.wear_by_law:
        found.append(("Wear law", "a published rule for how fast batteries wear; the rules differ, hence a range"))
    if any(each.on_the_way for each in costs):
        found.append(("On the way", "charging away from home that a long trip needs"))
    if any(each.starts or each.outside_window for each in costs):
        found.append(("Starts and time outside the window", "a small price that keeps plans simple; on no bill"))
    return found


def _known_from(plan: Plan) -> str:
    """Return where today's highest state of charge is known from, in brackets; "" if it was given."""
    evening = plan.evening
    when = None if evening.last_plan_at is None else clock_text(evening.last_plan_at, plan.night.timezone)
    known_from = {
        "last-plan": f" (by the plan of {when})",
        "recorded-trips": " (by today's recorded trips)",
        "usual-trips": " (by today's usual trips)",
        "ceiling": " (the ceiling, assumed)",
    }
    return known_from.get(str(evening.highest_soc_today_from), "")


def _files(plan: Plan) -> list[tuple[str, str]]:
    """Return each file that was read, without its folder if that is not the site's, and how its SHA-256 begins."""
    found: dict[str, str] = plan_document(plan)["inputs"]
    return [
        (PurePath(path).name if PurePath(path).is_absolute() else path, sha256[:HASH_LETTERS])
        for path, sha256 in found.items()
    ]
