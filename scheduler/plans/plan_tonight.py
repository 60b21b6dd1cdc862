"""The main path: from a site's folder and tonight's request to a plan that replay has verified."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import SCHEDULE, Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.nights.request import Request
from scheduler.nights.sampled_days import sampled_days
from scheduler.optimizer.block import Block
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.look_ahead import with_look_ahead
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.solve import solve
from scheduler.plans.last_plan import last_plan, with_cycle_of_last_plan
from scheduler.plans.outlook import outlook
from scheduler.plans.plan import Plan, assemble_plan
from scheduler.plans.replay import ENERGY_TOLERANCE, Replayed, verify, verify_constraints
from scheduler.plans.sampled_choice import Choice, choose_forecast
from scheduler.plans.wear_law_sensitivity import cycle_wear_by_law, other_laws

STAGES = ("Reading the site", "Planning the night", "Costing the alternatives", "Trying other wear laws")


def plan_tonight(
    folder: Path,
    options: RequestOptions,
    offer_file: Path | None = None,
    progress: Callable[[str], None] = lambda stage: None,
    plans: Path | None = None,
) -> Plan:
    """Plan one night, and verify the plan and its alternatives by replay.

    Parameters
    ----------
    folder : the site's folder.
    options : tonight's request as given.
    offer_file : read instead of the site's own offer.
    progress : told the name of each of STAGES as it begins.
    plans : the folder of saved plans, of which the last says how deep the battery's cycle already is; None to look in
        none.

    Returns
    -------
    The plan with its costs, alternatives, reasons and warnings.

    Raises
    ------
    InputFaults : a file or an option is at fault.
    NoPlanError : the solver gave no plan.
    PlanRefused : replay refuses the plan.
    """
    progress(STAGES[0])
    inputs = read_inputs(folder, offer_file)
    evening = parse_request(options, inputs)
    last = None if plans is None else last_plan(plans, inputs.site.name, evening.now)
    if last is not None:
        evening = with_cycle_of_last_plan(evening, last)
    return plan_request(inputs, evening, progress)


def plan_request(inputs: Inputs, evening: Request, progress: Callable[[str], None] = lambda stage: None) -> Plan:
    """Plan the night of a request, on past days like it where that is the forecast and the series hold enough.

    Parameters
    ----------
    inputs, evening : the site's inputs, and tonight's request.
    progress : told the name of each later stage as it begins.

    Raises
    ------
    InputFaults : a series does not cover what the night needs.
    NoPlanError : the solver gave no plan.
    PlanRefused : replay refuses the plan.
    """
    night, warnings = build_night(inputs, evening)
    night = with_look_ahead(inputs, evening, night, explain=True)
    if evening.forecast != "samples":
        return solve_and_verify(inputs, evening, night, warnings, progress)
    progress(STAGES[1])
    days = sampled_days(inputs, evening, night)
    chosen, choice = choose_forecast(night, days, most_short=inputs.site.plan.short_chance_percent / 100)
    blocks = chosen.blocks if choice is not None and choice.changed > 0 else None
    made = solve_and_verify(inputs, evening, chosen.night, warnings, progress, chosen.answer, choice, blocks)
    return replace(made, outlook=outlook(made.night, made.answer.setpoints, made.blocks, days))


def solve_and_verify(
    inputs: Inputs,
    evening: Request,
    night: Night,
    warnings: tuple[str, ...],
    progress: Callable[[str], None] = lambda stage: None,
    answer: Answer | None = None,
    choice: Choice | None = None,
    blocks: tuple[Block, ...] | None = None,
) -> Plan:
    """Solve a night and its alternatives, verify each by replay, and return the plan.

    If the best plan without discharging serves the trips as well and costs no more, it is the plan; unless the plan was
    changed for what past days had, which the forecast does not show.

    Parameters
    ----------
    inputs, evening, night : the site's inputs, tonight's request, and the night built from them.
    warnings : what building the night warned of; the plan repeats it.
    progress : told the name of each later stage as it begins.
    answer : the solver's, where the night is solved already. choice : how its forecast was chosen.
    blocks : of the answer, where they were changed for what past days had; None: those that follow from it.

    Raises
    ------
    NoPlanError : the solver gave no plan.
    PlanRefused : replay refuses the plan.
    """
    progress(STAGES[1])
    answer = solve(night) if answer is None else answer
    replayed = verify(night, answer)

    progress(STAGES[2])
    never, charge_only = _without_discharging(night, answer, replayed)
    if blocks is None and _is_no_worse(charge_only, replayed):
        answer, replayed = _bounded_as(answer, never), charge_only
    free_total = _free_total(night, replayed)
    charged_on_return = charge_on_return(night)
    on_return = verify_constraints(night, charged_on_return)
    alternatives = {"charge-on-return": on_return.costs, "charge-only": charge_only.costs}
    wear_by_law = {
        name: cycle_wear_by_law(inputs, night, setpoints, found)
        for name, setpoints, found in (
            ("plan", answer.setpoints, replayed),
            ("charge-on-return", charged_on_return, on_return),
            ("charge-only", never.setpoints, charge_only),
        )
    }
    progress(STAGES[3])
    others = other_laws(inputs, night, answer.setpoints)
    return assemble_plan(
        inputs,
        evening,
        night,
        answer,
        replayed,
        alternatives,
        warnings,
        wear_by_law,
        others,
        free_total,
        choice,
        blocks,
    )


def _without_discharging(night: Night, answer: Answer, replayed: Replayed) -> tuple[Answer, Replayed]:
    """Return the best plan that never discharges: the given one if it does not discharge."""
    if not answer.setpoints.gives_energy:
        return answer, replayed
    never = solve(night, may_discharge=False)
    return never, verify(night, never)


def _bounded_as(plan: Answer, never: Answer) -> Answer:
    """Return the plan that never discharges, which costs no more, with the bound that holds for all plans."""
    gap = min(plan.gap, max(0.0, never.money - plan.bound))
    return replace(never, status=plan.status, way=plan.way, bound=plan.bound, gap=gap)


def _free_total(night: Night, replayed: Replayed) -> float | None:
    """Return the total of the same night as a free schedule [money]; None if the plan is not set by hand.

    A schedule never costs more, so the solver's gap must not make it seem to: the total is at most the plan's without
    what its settings count for.
    """
    if not night.setting.by_hand:
        return None
    free = replace(night, setting=SCHEDULE)
    return min(verify(free, solve(free)).costs.total, replayed.costs.total - replayed.costs.settings)


def _is_no_worse(charge_only: Replayed, plan: Replayed) -> bool:
    """Return whether a plan without discharging serves the trips as well and costs no more."""
    shortages = [
        (charge_only.on_the_way_kwh, plan.on_the_way_kwh),
        (charge_only.missing_kwh, plan.missing_kwh),
        (charge_only.missing_when_ready_kwh, plan.missing_when_ready_kwh),
    ]
    as_good = all(bool((ours <= theirs + ENERGY_TOLERANCE).all()) for ours, theirs in shortages)
    return as_good and charge_only.costs.total <= plan.costs.total
