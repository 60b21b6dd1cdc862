"""Choose the forecast that tonight is planned on by what its plan comes to on past days like tonight.

A plan on the mean of past days is best on average only if what follows from a day is a straight line, and it is not: a
kWh of sun that does not come is bought, one more than forecast is sold. So a few forecasts are tried: the typical day,
the mean of the sampled days, some of those days themselves, less sun, more draw; and on the typical day, only charging.
The plan of each is carried out on every sampled day. The one that costs least on average is taken, where it is cheaper
than the typical day's by more than the days' chance differences, and where departures are short on no more days than are
allowed.
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
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.solve import solve
from scheduler.plans.dispatch import settings_of
from scheduler.plans.outlook import outcomes
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import PlanRefused, Replayed, verify

TYPICAL = "the typical day"
ONLY_CHARGING = "the typical day, only charging"
SCORED = 20
"""Days on which each plan is carried out."""
FEW_INTERVALS = 48
"""A night of more intervals takes longer to plan, and fewer forecasts are tried."""
SUN, LOAD = 0.5, 1.3
"""Less sun and more load than typical [-]."""
WORTH_A_CHANGE_KWH = 0.1
"""Another forecast must save at least what this energy costs at the night's highest price [kWh]."""
STANDARD_ERRORS = 1.0
"""By how many standard errors of the difference another forecast must be cheaper than the typical day."""


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
    """

    name: str
    tried: int
    days: int
    gained: float


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
    typical = _candidate(TYPICAL, night, scored, may_discharge)
    if len(days) < FEWEST_SAMPLES or night.setting.by_hand:
        return typical, None
    tried = [typical]
    for name, other_night in _forecasts(night, scored):
        with suppress(NoPlanError, PlanRefused):  # the typical day's plan stands in any case
            tried.append(_candidate(name, other_night, scored, may_discharge))
    if may_discharge and typical.answer.setpoints.gives_energy:
        with suppress(NoPlanError, PlanRefused):
            never = _candidate(ONLY_CHARGING, night, scored, may_discharge=False)
            tried.append(replace(never, answer=_bounded(never.answer, typical.answer.bound)))
    best = typical
    allowed = max(most_short, typical.short)
    least = WORTH_A_CHANGE_KWH * night.highest_price
    for other in tried[1:]:
        saved = typical.total - other.total
        error = float(saved.std(ddof=1)) / len(scored) ** 0.5
        is_sure = float(saved.mean()) > max(least, STANDARD_ERRORS * error)
        if is_sure and other.short <= allowed and other.total.mean() < best.total.mean():
            best = other
    gained = float((typical.total - best.total).mean())
    return best, Choice(best.name, len(tried), len(scored), gained)


def _bounded(answer: Answer, bound: float) -> Answer:
    """Return a plan that never discharges with the bound that holds for all plans [money]."""
    return replace(answer, bound=bound, gap=max(0.0, answer.money - bound))


def _candidate(name: str, night: Night, days: SampledDays, may_discharge: bool) -> Candidate:
    """Return a forecast with its plan, carried out on each day."""
    answer = solve(night, may_discharge)
    expected = verify(night, answer)
    found = find_blocks(night, answer.setpoints) if answer.blocks is None else answer.blocks
    blocks = with_recourse(night, answer.setpoints, expected, found, may_discharge)
    came = outcomes(night, settings_of(night, night, answer.setpoints, blocks), days)
    short = float(came.is_short.any(axis=1).mean()) if len(days) else 0.0
    return Candidate(name, night, answer, expected, blocks, came.total, short)


def _forecasts(night: Night, days: SampledDays) -> Iterator[tuple[str, Night]]:
    """Yield the forecasts to try besides the typical day, with what to call them."""
    has_sun = bool(np.any(night.solar_kw > 0))
    order = np.argsort(days.net_kw @ night.hours, kind="stable")
    ordinary = int(order[len(order) // 2])
    yield _name_of(days, ordinary), days.night(night, ordinary)
    yield "nearly a third more load than typical", replace(night, load_kw=LOAD * night.load_kw)
    if has_sun:
        yield "half of the typical sun", replace(night, solar_kw=SUN * night.solar_kw)
    if night.intervals > FEW_INTERVALS:
        return
    mean = replace(night, load_kw=days.load_kw.mean(axis=0), solar_kw=days.solar_kw.mean(axis=0))
    yield f"the mean of {len(days)} days", mean
    for share in (0.1, 0.9):
        extreme = int(order[int(share * (len(order) - 1))])
        yield _name_of(days, extreme), days.night(night, extreme)


def _name_of(days: SampledDays, sample: int) -> str:
    """Return what a past day is called."""
    day = days.days[sample]
    return f"the evening of {day.day} {day:%B %Y}"
