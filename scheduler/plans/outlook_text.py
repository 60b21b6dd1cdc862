"""What past days like tonight say of a plan, in sentences: the chance of a short departure, and the money's range."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from scheduler.nights.sampled_days import FEWEST_SAMPLES
from scheduler.plans.departures import TripOutcome
from scheduler.plans.outlook import TripChance
from scheduler.plans.plan import Plan
from scheduler.plans.sampled_choice import ONLY_CHARGING, TYPICAL, WORTH_A_CHANGE_KWH
from scheduler.textio.format import amount_text, clock_text, money_text, percent_text

UNDER = 0.005
"""A chance under this is told as under it [-]."""


def chance_text(chance: float) -> str:
    """Return a chance [-] in percent, as it is told.

    Examples
    --------
    >>> chance_text(0.0), chance_text(0.0082), chance_text(0.058)
    ('under 0.5 %', 'about 1 %', 'about 6 %')
    """
    return f"under {100 * UNDER:g} %" if chance < UNDER else f"about {max(1, round(100 * chance))} %"


def chances_text(plan: Plan) -> tuple[str, ...]:
    """Return what past days say of the departures: one paragraph each; why nothing is told where that is so."""
    if not plan.trips or plan.evening.forecast != "samples":
        return ()
    if plan.outlook is None:
        return (
            "No chance of a short departure is told: the series hold fewer than "
            f"{FEWEST_SAMPLES} whole days like this one.",
        )
    return tuple(
        " ".join(_departure(plan, outcome, chance, plan.outlook.days))
        for outcome, chance in zip(plan.trips, plan.outlook.trips, strict=True)
    )


def _departure(plan: Plan, outcome: TripOutcome, chance: TripChance, days: int) -> Iterator[str]:
    """Yield the sentences of one departure."""
    leaves = clock_text(outcome.trip.trip.depart_at, plan.night.timezone)
    least, wanted = percent_text(chance.nearly_least_percent), percent_text(outcome.target_percent)
    yield (
        f"{leaves}: on {days} past evenings like this one, set as above, the car would have left with at least {least} "
        f"in 19 of 20; chance of less than the {wanted} it needs: {chance_text(chance.chance)}."
    )
    if chance.whatever_is_drawn and not chance.short:
        late = ", not even with the latest return" if plan.outlook is not None and plan.outlook.draws_returns else ""
        yield f"Even the highest draw on record, all along and without any sun, would not make it short{late}."
    if chance.drawn_when_short_kwh is not None:
        home = ""
        if chance.home_when_short is not None:
            home = f"the car was home {clock_text(chance.home_when_short, plan.night.timezone)} or later, and "
        yield (
            f"On the {chance.short} of them on which it was short {home}the building drew "
            f"{amount_text(chance.drawn_when_short_kwh)} before it, against {amount_text(chance.drawn_kwh)} on average."
        )
    if chance.chance_on_the_way is not None:
        yield (
            "Chance that the drive takes so much that it must be charged on the way to keep the reserve: "
            f"{chance_text(chance.chance_on_the_way)}."
        )
    if chance.chance_unwatched is not None and chance.chance_unwatched > chance.chance:
        yield f"Chance of less if nobody looks at the car when it is time to: {chance_text(chance.chance_unwatched)}."


def range_text(plan: Plan) -> str | None:
    """Return what the plan would have come to on past days; None where they are too few."""
    found, currency = plan.outlook, plan.inputs.offer.currency
    if found is None:
        return None
    low, high = (money_text(float(np.quantile(found.total, at)), currency) for at in (0.05, 0.95))
    least, most = (money_text(float(np.quantile(found.saving, at)), currency) for at in (0.05, 0.95))
    return (
        f"On {found.days} past evenings like this one{_drawn_text(plan)} the total would have been {low} to {high} "
        f"{currency} (9 of 10 of them), {money_text(float(found.total.mean()), currency)} on average, and the saving "
        f"{least} to {most}, {money_text(float(found.saving.mean()), currency)} on average."
    )


def _drawn_text(plan: Plan) -> str:
    """Return what else than draw and sun was as on past days, between commas; "" where nothing else was."""
    found, evening, timezone = plan.outlook, plan.evening, plan.night.timezone
    assert found is not None
    parts = []
    if found.draws_prices:
        parts.append("prices that are not published yet as they were then")
    if found.draws_returns and evening.home_at is not None and evening.home_at_earliest is not None:
        earliest = clock_text(evening.home_at_earliest, timezone)
        parts.append(
            f"the car home between {earliest} and {clock_text(evening.home_at, timezone, evening.home_at_earliest)}"
        )
    elif found.draws_returns:
        parts.append("the car back from its usual drives as late as it was on past ones")
    return f", with {' and '.join(parts)}," if parts else ""


def planned_on_text(plan: Plan) -> str | None:
    """Return on which forecast the plan was made, and what was changed for past days; None for the typical day's plan.

    Changes that are worth less than another forecast must be are not told.
    """
    choice = plan.choice
    if choice is None or choice.gained <= 0:
        return None
    currency = plan.inputs.offer.currency
    before, said = choice.gained - choice.changed, ""
    if choice.name == ONLY_CHARGING:
        said = (
            f"Of {choice.tried} plans tried on {choice.days} past evenings, only charging costs least: "
            f"{money_text(before, currency)} less on average than the typical day's plan, which discharges."
        )
    elif choice.name != TYPICAL:
        said = (
            f"It is planned on {choice.name}: of {choice.tried} forecasts tried on {choice.days} past evenings, its "
            f"plan costs least, {money_text(before, currency)} less on average than that of the typical day."
        )
    if choice.changed >= WORTH_A_CHANGE_KWH * plan.night.highest_price:
        them = "Some of its settings are" if said else "Some settings are"
        said += (
            f"{' ' if said else ''}{them} not what the forecast alone would have: on {choice.days} past evenings they "
            f"cost {money_text(choice.changed, currency)} less on average."
        )
    return said or None
