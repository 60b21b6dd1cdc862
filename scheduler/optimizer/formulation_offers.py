"""The laws of an offer whose prices depend on amounts: steps of kWh, and a demand charge.

For each step s in one day or month, holding in the intervals H_s, with left_s kWh of it left and the difference Δ_st of
its price to what holds beyond it; Y_t is import g_t or export x_t, and +Δ is a cost of import and a credit of export:

    within_step     W_s <= left_s,   W_s <= sum over H_s of h_t Y_t                               the kWh that it prices
                    money of the step: Δ_s W_s, where Δ_s is one number

A difference that favours energy inside the step (a first kWh that is cheaper, or paid better) makes W_s as large as it
may be by itself: the cost is convex. One that does not needs a binary f_s, "the step is used up":

    used_up         W_s >= sum over H_s of h_t Y_t - M (f_s),   W_s >= left_s f_s

A difference that changes from interval to interval needs to know when the step is used up. Then W_st is the energy
within the step until the end of t, with the same laws at each t of H_s, f_st not falling, and the money is
sum_t Δ_st (W_st - W_s,t-1).

For each month m of the demand charge, whose means are over the sets of intervals B of that month's window:

    demand          P_m >= so far_m,   P_m >= sum over B of h_t g_t / sum over B of h_t
                    money of the month: price per kW · (P_m - so far_m)
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pyomo.environ as pyo

from models.base.arrays import FloatArray
from models.site.connection import import_cap_kw
from models.tariff.tiers import PriceTier
from scheduler.nights.night import Night


def steps_and_demand(model: pyo.ConcreteModel, night: Night) -> None:
    """within_step, used_up and demand, on a model that has the meter's import_kw and export_kw."""
    chains = [step_ends(step) for step in night.tiers]
    keys = [(s, int(t)) for s, ends in enumerate(chains) for t in ends]
    model.step_ends = pyo.Set(initialize=keys, dimen=2)
    model.within_tier_kwh = pyo.Var(
        model.step_ends, bounds=lambda _, s, t: (0, max(0.0, night.tiers[s].left_kwh)), within=pyo.NonNegativeReals
    )
    hard = [key for key in keys if not favours_energy_within(night.tiers[key[0]])]
    model.hard_step_ends = pyo.Set(initialize=hard, dimen=2)
    model.step_used_up = pyo.Var(model.hard_step_ends, within=pyo.Binary)

    def energy(m: Any, s: int, t: int) -> Any:
        step = night.tiers[s]
        power = m.import_kw if step.side == "import" else m.export_kw
        return pyo.quicksum(night.hours[at] * power[at] for at in range(t + 1) if step.holds[at])

    @model.Constraint(model.step_ends)
    def within_step(m: Any, s: int, t: int) -> Any:
        return m.within_tier_kwh[s, t] <= energy(m, s, t)

    @model.Constraint(model.hard_step_ends)
    def all_within_unless_used_up(m: Any, s: int, t: int) -> Any:
        most = float(most_energy_kwh(night, night.tiers[s])[t])
        return m.within_tier_kwh[s, t] >= energy(m, s, t) - most * m.step_used_up[s, t]

    @model.Constraint(model.hard_step_ends)
    def used_up(m: Any, s: int, t: int) -> Any:
        return m.within_tier_kwh[s, t] >= max(0.0, night.tiers[s].left_kwh) * m.step_used_up[s, t]

    later = [(s, before, t) for s, ends in enumerate(chains) for before, t in pairwise(ends)]
    model.later_step_ends = pyo.Set(
        initialize=[(s, int(before), int(t)) for s, before, t in later if (s, int(t)) in hard], dimen=3
    )

    @model.Constraint(model.later_step_ends)
    def stays_used_up(m: Any, s: int, before: int, t: int) -> Any:
        return m.step_used_up[s, t] >= m.step_used_up[s, before]

    _demand(model, night)


def _demand(model: pyo.ConcreteModel, night: Night) -> None:
    model.months = pyo.RangeSet(0, len(night.demand) - 1)
    model.peak_kw = pyo.Var(model.months, bounds=lambda _, m: (night.demand[m].so_far_kw, None))
    means = [(m, int(b)) for m, month in enumerate(night.demand) for b in np.unique(month.mean_of[month.mean_of >= 0])]

    @model.Constraint(pyo.Set(initialize=means, dimen=2))
    def demand(m: Any, month: int, mean: int) -> Any:
        at = [int(t) for t in np.flatnonzero(night.demand[month].mean_of == mean)]
        length = float(night.hours[at].sum())
        return m.peak_kw[month] >= pyo.quicksum(night.hours[t] / length * m.import_kw[t] for t in at)


def money_of_offer(model: pyo.ConcreteModel, night: Night) -> Any:
    """What steps and demand charge add to the night's money."""
    money: Any = 0.0
    for s, step in enumerate(night.tiers):
        sign = 1.0 if step.side == "import" else -1.0
        before: Any = 0.0
        for t in step_ends(step):
            within = model.within_tier_kwh[s, int(t)]
            money += sign * float(step.difference[t]) * (within - before)
            before = within
    for m, month in enumerate(night.demand):
        money += month.price_per_kw * (model.peak_kw[m] - month.so_far_kw)
    return money


def step_ends(step: PriceTier) -> list[int]:
    """Intervals at whose end the energy within the step is a variable: the last, or where the price differs each."""
    held = [int(t) for t in np.flatnonzero(step.holds)]
    if not held or step.left_kwh <= 0 or not step.difference[held].any():
        return []
    return held[-1:] if step.has_constant_difference else held


def favours_energy_within(step: PriceTier) -> bool:
    """Whether the least cost puts as much energy within the step as it may by itself."""
    here = step.difference[step.holds]
    return step.has_constant_difference and bool((here < 0 if step.side == "import" else here > 0).all())


def most_energy_kwh(night: Night, step: PriceTier) -> FloatArray:
    """Most energy that can count towards the step until the end of each interval [kWh], shape (n,)."""
    if step.side == "import":
        most = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
    else:
        most = night.export_limit_kw
    return np.asarray(np.cumsum(night.hours * most * step.holds), dtype=np.float64)
