"""Choose the forecast that tonight is planned on by what its plan comes to on past days like tonight.

A plan on the mean of past days is best on average only if what follows from a day is a straight line, and it is not: a
kWh of sun that does not come is bought, one more than forecast is sold. So a few forecasts are tried: the typical day,
the mean of the sampled days, some of those days themselves, less sun, more draw; and on the typical day, only charging.
A draft of each plan is carried out on every sampled day. The one that costs least on average is taken, where it is
cheaper than the typical day's by more than the days' chance differences, and where departures are short on no more days
than are allowed.

A plan set by hand takes longer to find, so fewer are tried: a median day, less sun or more load, and only charging. Its
drafts are found by few passes of branch and price; where prices depend on amounts that does not work, and only charging
alone is tried. What a person's settings count for is part of what each plan comes to.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.nights.sampled_days import FEWEST_SAMPLES, SampledDays
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.optimizer.setpoints import Answer, Setpoints
from scheduler.optimizer.solve import draft, draft_by_hand, solve
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.dispatch import follow_settings, settings_of, settings_of_blocks
from scheduler.plans.outlook import outcomes, worst_case
from scheduler.plans.recourse import with_recourse, without_looks_at_night
from scheduler.plans.replay import PlanRefused, Replayed, replay, verify, verify_constraints
from scheduler.plans.tune_blocks import WORTH_A_SETTING_KWH, as_planned, settings_count, tuned

TYPICAL = "the typical day"
ONLY_CHARGING = "the typical day, only charging"
SCORED = 20
"""Days on which each plan is carried out."""
FEW_INTERVALS = 48
"""A night of more intervals takes longer to plan, and fewer forecasts are tried."""
SUN, LOAD = 0.5, 1.3
"""Less sun and more load than typical [-]."""
WORTH_CHANGING_KWH = 0.02
"""Changes to a plan's blocks must together save at least what this energy costs at the night's highest price [kWh]."""
WORTH_A_CHANGE_KWH = 0.1
"""Another forecast must save at least what this energy costs at the night's highest price [kWh]."""
AS_PLANNED_KWH = 0.5
"""By no more than this may the stored energy of a plan, as a block ends or the car leaves, be off what its blocks lead
to by the forecast [kWh]: a charger that runs for a part of an interval under its least power cannot be planned."""
MOST_FINISHED = 2
"""So many of the best drafts at most are planned to the end, until one is as good as its draft was."""
STANDARD_ERRORS = 1.0
"""By how many standard errors of the difference another forecast must be cheaper than the typical day."""


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """A forecast to plan on, with what it is called, and whether the car may discharge."""

    name: str
    night: Night
    may_discharge: bool


@dataclass(frozen=True, slots=True, eq=False)
class Candidate:
    """A forecast, its plan, and what that came to on each of S days.

    Attributes
    ----------
    name : what the forecast is, to follow "planned on".
    night, answer, expected, blocks : the night with that forecast, and its plan.
    total : of each day [money], shape (S,).
    short : share of days on which any departure is short [-].
    """

    name: str
    night: Night
    answer: Answer
    expected: Replayed
    blocks: tuple[Block, ...]
    total: FloatArray
    short: float


@dataclass(frozen=True, slots=True)
class Choice:
    """Which forecast was chosen, and why.

    Attributes
    ----------
    name : what the forecast is, to follow "planned on".
    tried, days : how many forecasts on how many days.
    gained : how much less it costs than planning on the typical day, on average over the days [money].
    changed : how much of that comes from changes to the plan's blocks [money]; 0 where there are none.
    discharge_left_out : whether these leave out all that the plan would discharge.
    """

    name: str
    tried: int
    days: int
    gained: float
    changed: float = 0.0
    discharge_left_out: bool = False


def choose_forecast(
    night: Night, days: SampledDays, may_discharge: bool = True, most_short: float = 0.005
) -> tuple[Candidate, Choice | None]:
    """Return the plan of the forecast that does best on past days.

    Parameters
    ----------
    night : with the typical forecast and the worth of what is left.
    days : past days; with fewer than FEWEST_SAMPLES the typical day is taken.
    may_discharge : as for `solve`.
    most_short : share of days on which a departure may be short, if the typical day's plan has not more [-].

    Returns
    -------
    The chosen plan, and how it was chosen; None where nothing was tried.

    Raises
    ------
    NoPlanError, PlanRefused : as for a plan.
    """
    scored = days.first(SCORED)
    typical = _candidate(Trial(TYPICAL, night, may_discharge), scored)
    if len(days) < FEWEST_SAMPLES:
        return typical, None
    least, allowed = WORTH_A_CHANGE_KWH * night.highest_price, max(most_short, typical.short)

    # what those set by hand count for is part of the total
    own, price = settings_count(night, typical.blocks), 0.0 if night.setting.by_hand else night.highest_price

    def is_better(total: FloatArray, short: float, settings: int) -> bool:
        saved = typical.total - total
        error = float(saved.std(ddof=1)) / len(scored) ** 0.5
        more = WORTH_A_SETTING_KWH * price * max(0, settings - own)
        return float(saved.mean()) > max(least, STANDARD_ERRORS * error) + more and short <= allowed

    tried: list[tuple[float, int, Trial]] = []
    trials = list(_trials(night, scored, may_discharge, typical.answer.setpoints.gives_energy))
    for number, trial in enumerate(trials):
        with suppress(NoPlanError, PlanRefused):  # the typical day's plan stands in any case
            came = _drafted(trial, scored)
            if is_better(*came):
                tried.append((float(came[0].mean()), number, trial))
    for _, _, trial in sorted(tried)[:MOST_FINISHED]:
        with suppress(NoPlanError, PlanRefused):
            best = _candidate(trial, scored)
            if is_better(best.total, best.short, settings_count(night, best.blocks)):
                bounded = replace(best, answer=_bounded(best.answer, typical.answer.bound, trial, night))
                return _with_changes(bounded, typical, scored, allowed, 1 + len(trials))
    return _with_changes(typical, typical, scored, allowed, 1 + len(trials))


def _with_changes(
    chosen: Candidate, typical: Candidate, days: SampledDays, most_short: float, tried: int
) -> tuple[Candidate, Choice]:
    """Return a plan with the changes to its blocks that make it cost less on the days, and how it was chosen.

    Parameters
    ----------
    chosen, typical : the plan, and the typical day's.
    most_short : share of days on which a departure may be short [-].
    tried : how many forecasts were tried.
    """
    gained = float((typical.total - chosen.total).mean())
    by_hand = chosen.night.setting.by_hand  # each setting of these has its cost, and its hours
    blocks = chosen.blocks if by_hand else tuned(chosen.night, chosen.blocks, days, most_short)
    if blocks != chosen.blocks:
        with suppress(PlanRefused):
            changed = _changed(chosen, blocks, days)
            more = float((chosen.total - changed.total).mean())
            worst, before = (_worst_kwh(each, days) for each in (changed, chosen))
            is_safe = changed.short <= most_short and bool((worst <= before + MISSED_KWH / 10).all())
            if is_safe and more > WORTH_CHANGING_KWH * chosen.night.highest_price:
                gave, gives = (each.answer.setpoints.gives_energy for each in (chosen, changed))
                return changed, Choice(chosen.name, tried, len(days), gained + more, more, gave and not gives)
    return chosen, Choice(chosen.name, tried, len(days), gained)


def _worst_kwh(candidate: Candidate, days: SampledDays) -> FloatArray:
    """Return what each departure is short of if the building draws the most all along [kWh], shape (trips,)."""
    night = candidate.night
    return worst_case(night, settings_of(night, night, candidate.answer.setpoints, candidate.blocks), days)


def _changed(chosen: Candidate, blocks: tuple[Block, ...], days: SampledDays) -> Candidate:
    """Return a plan with other blocks, and what they come to on its forecast and on each day.

    Raises
    ------
    PlanRefused : the forecast does not allow them.
    """
    night = chosen.night
    setpoints, blocks = as_planned(night, blocks)
    expected = verify_constraints(night, setpoints)
    by_blocks = replay(night, follow_settings(night, settings_of_blocks(night, blocks)))
    ends = [block.last for block in blocks] + [trip.depart for trip in night.trips]
    if float(np.abs(by_blocks.stored_kwh - expected.stored_kwh)[ends].max(initial=0.0)) > AS_PLANNED_KWH:
        raise PlanRefused(("the plan would not show what its blocks do by the forecast",))
    blocks = without_looks_at_night(night, setpoints, expected, blocks)
    answer = replace(
        chosen.answer,
        setpoints=setpoints,
        stored_kwh=expected.stored_kwh,
        on_the_way_kwh=expected.on_the_way_kwh,
        missing_kwh=expected.missing_kwh,
        missing_when_ready_kwh=expected.missing_when_ready_kwh,
        money=expected.costs.total,
        gap=max(0.0, expected.costs.total - chosen.answer.bound),
    )
    total, short = _carried_out(night, setpoints, blocks, days)
    return Candidate(chosen.name, night, answer, expected, blocks, total, short)


def _bounded(answer: Answer, bound: float, trial: Trial, night: Night) -> Answer:
    """Return an answer with the bound that holds for all plans of the typical night [money], if it is one of them."""
    if trial.night is not night:
        return answer
    return replace(answer, bound=bound, gap=max(0.0, answer.money - bound))


def _candidate(trial: Trial, days: SampledDays) -> Candidate:
    """Return a forecast with its plan, carried out on each day."""
    night = trial.night
    answer = solve(night, trial.may_discharge)
    expected = verify(night, answer)
    found = find_blocks(night, answer.setpoints) if answer.blocks is None else answer.blocks
    blocks = with_recourse(night, answer.setpoints, expected, found, trial.may_discharge)
    total, short = _carried_out(night, answer.setpoints, blocks, days)
    total = total + expected.costs.settings
    return Candidate(trial.name, night, answer, expected, blocks, total, short)


def _drafted(trial: Trial, days: SampledDays) -> tuple[FloatArray, float, int]:
    """Return what a draft of a forecast's plan came to on each day [money], the share of days that are short, and how
    many settings it has.
    """
    night = trial.night
    setpoints, found = _draft(trial)
    expected = verify_constraints(night, setpoints, found)
    blocks = with_recourse(night, setpoints, expected, found, trial.may_discharge)
    total, short = _carried_out(night, setpoints, blocks, days)
    return total + expected.costs.settings, short, settings_count(night, blocks)


def _draft(trial: Trial) -> tuple[Setpoints, tuple[Block, ...]]:
    """Return a draft of a forecast's plan, and its blocks."""
    night = trial.night
    if not night.setting.by_hand:
        setpoints = draft(night, trial.may_discharge)
        return setpoints, find_blocks(night, setpoints)
    # only charging is quickly planned, whatever the prices
    answer = draft_by_hand(night) if trial.may_discharge else solve(night, may_discharge=False)
    return answer.setpoints, answer.blocks or ()


def _carried_out(
    night: Night, setpoints: Setpoints, blocks: tuple[Block, ...], days: SampledDays
) -> tuple[FloatArray, float]:
    """Return what a plan came to on each day [money], shape (S,), and the share of days with a short departure [-]."""
    came = outcomes(night, settings_of(night, night, setpoints, blocks), days)
    return came.total, float(came.is_short.any(axis=1).mean()) if len(days) else 0.0


def _trials(night: Night, days: SampledDays, may_discharge: bool, gives_energy: bool) -> Iterator[Trial]:
    """Yield what is tried besides the typical day: other forecasts, and only charging where its plan discharges."""
    for name, other in _forecasts(night, days):
        yield Trial(name, other, may_discharge)
    if may_discharge and gives_energy:
        yield Trial(ONLY_CHARGING, night, may_discharge=False)


def _forecasts(night: Night, days: SampledDays) -> Iterator[tuple[str, Night]]:
    """Yield the forecasts to try besides the typical day, with what to call them."""
    has_sun, by_hand = bool(np.any(night.solar_kw > 0)), night.setting.by_hand
    if by_hand and night.prices_depend_on_amounts:
        return
    order = np.argsort(days.net_kw @ night.hours, kind="stable")
    ordinary = int(order[len(order) // 2])
    yield _name_of(days, ordinary), days.forecast(night, ordinary)
    if not (by_hand and has_sun):
        yield "nearly a third more load than typical", replace(night, load_kw=LOAD * night.load_kw)
    if has_sun:
        yield "half of the typical sun", replace(night, solar_kw=SUN * night.solar_kw)
    if by_hand or night.intervals > FEW_INTERVALS:
        return
    mean = replace(night, load_kw=days.load_kw.mean(axis=0), solar_kw=days.solar_kw.mean(axis=0))
    yield f"the mean of {len(days)} days", mean
    for share in (0.1, 0.9):
        extreme = int(order[int(share * (len(order) - 1))])
        yield _name_of(days, extreme), days.forecast(night, extreme)


def _name_of(days: SampledDays, sample: int) -> str:
    """Return what a past day is called."""
    day = days.days[sample]
    return f"the evening of {day.day} {day:%B %Y}"
