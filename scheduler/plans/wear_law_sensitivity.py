"""How much a plan depends on the wear law: what its cycles cost by each, and whether another would change it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from models.wear.laws import WEAR_LAWS
from models.wear.segments import wear_cost
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.night import SCHEDULE, Night
from scheduler.nights.wear_prices import segments_of
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.optimizer.setpoints import Setpoints
from scheduler.optimizer.solve import cheapest, relaxed_money
from scheduler.plans.replay import ENERGY_TOLERANCE, Replayed, battery_flows_kwh, replay
from scheduler.textio.format import amount_text, money_text

TOLD_WORTH_KWH = 1.0
"""A reader is told of a law only if by it the plan costs more than the best one by the worth of this energy [kWh]."""
MATTERS_KWH = 0.5
"""A law that changes the energy discharged by less than this does not change the plan [kWh]."""
MATTERS_WORTH_KWH = 0.1
"""Nor does one by which the plan costs hardly more than the best one: the worth of less than this energy [kWh]."""


@dataclass(frozen=True, slots=True)
class OtherLaw:
    """What the best plan by another wear law would do.

    Attributes
    ----------
    law : name of the law.
    given_kwh, plan_given_kwh : AC energy discharged in its best plan, and in the plan itself [kWh].
    regret : how much more the plan costs than that best plan, by this law [money].
    """

    law: str
    given_kwh: float
    plan_given_kwh: float
    regret: float


def cycle_wear_by_law(inputs: Inputs, night: Night, setpoints: Setpoints, replayed: Replayed) -> dict[str, float]:
    """Return the unweighted cycle wear of a night by each law [money], in the order of WEAR_LAWS.

    The segments of all laws have the same edges, so the night begins with the same energy in each.
    """
    into, out = battery_flows_kwh(night, setpoints, replayed.on_the_way_kwh)
    now = night.boundaries[0].to_pydatetime()
    return {
        law: float(wear_cost(segments_of(inputs.site, law, now), night.initial_fill_kwh, into, out).sum())
        for law in WEAR_LAWS
    }


def other_laws(inputs: Inputs, night: Night, setpoints: Setpoints) -> tuple[OtherLaw, ...]:
    """Return the laws by which the best schedule differs from the plan, each with what it would do.

    Empty where the wear weight is 0.
    """
    if night.wear_weight == 0:
        return ()
    now = night.boundaries[0].to_pydatetime()
    given = float(night.hours @ setpoints.discharge_kw)
    least = MATTERS_WORTH_KWH * night.highest_price
    found = []
    for law in WEAR_LAWS:
        if law == inputs.site.wear.law:
            continue
        by_law = replace(night, wear=segments_of(inputs.site, law, now), segment_value=None, setting=SCHEDULE)
        plan = replay(by_law, setpoints)
        bound = relaxed_money(by_law) if _serves_all(plan) else None
        if bound is not None and plan.costs.total - bound < least - ENERGY_TOLERANCE * night.highest_price:
            continue
        try:
            best = cheapest(by_law)
        except NoPlanError:
            continue
        other = float(night.hours @ best.discharge_kw)
        regret = plan.costs.total - replay(by_law, best).costs.total
        if abs(other - given) >= MATTERS_KWH and regret >= least:
            found.append(OtherLaw(law, other, given, regret))
    return tuple(found)


def _serves_all(plan: Replayed) -> bool:
    """Return whether every trip leaves with what it wants, and nothing is charged on the way."""
    lacks = (plan.on_the_way_kwh, plan.missing_kwh, plan.missing_when_ready_kwh)
    return all(bool((kwh <= ENERGY_TOLERANCE).all()) for kwh in lacks)


def other_laws_text(others: tuple[OtherLaw, ...], worth: float, currency: str) -> tuple[str, ...]:
    """Return a sentence if another law would change the plan by more than a worth [money], else nothing."""
    others = tuple(other for other in others if other.regret > worth)
    if not others:
        return ()
    parts = [f'{amount_text(other.given_kwh)} ("{other.law}")' for other in others]
    listed = parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} or {parts[-1]}"
    return (
        f"By another wear law this plan costs over {money_text(worth, currency)} {currency} more than need be: the car "
        f"would discharge {listed} instead of {amount_text(others[0].plan_given_kwh)}.",
    )
