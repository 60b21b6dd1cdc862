"""Offers whose prices depend on amounts, in the reference formulation: tiered prices and a demand charge.

README.md beside this file holds the mathematics.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pyomo.environ as pyo

from scheduler.nights.night import Night
from scheduler.optimizer.objectives import favours_energy_within, most_energy_kwh, tier_ends


def tiers_and_demand(model: pyo.ConcreteModel, night: Night) -> None:
    """Add the constraints of tiers and demand charge to a model that has the meter's import_kw and export_kw.

    within_tier, all_within_unless_used_up, used_up, stays_used_up, demand.
    """
    chains = [tier_ends(tier) for tier in night.tiers]
    keys = [(s, int(t)) for s, ends in enumerate(chains) for t in ends]
    model.tier_ends = pyo.Set(initialize=keys, dimen=2)
    model.within_tier_kwh = pyo.Var(
        model.tier_ends, bounds=lambda _, s, t: (0, max(0.0, night.tiers[s].left_kwh)), within=pyo.NonNegativeReals
    )
    hard = [key for key in keys if not favours_energy_within(night.tiers[key[0]])]
    model.hard_tier_ends = pyo.Set(initialize=hard, dimen=2)
    model.tier_used_up = pyo.Var(model.hard_tier_ends, within=pyo.Binary)

    def energy(m: Any, s: int, t: int) -> Any:
        tier = night.tiers[s]
        power = m.import_kw if tier.side == "import" else m.export_kw
        return pyo.quicksum(night.hours[at] * power[at] for at in range(t + 1) if tier.holds[at])

    @model.Constraint(model.tier_ends)
    def within_tier(m: Any, s: int, t: int) -> Any:
        return m.within_tier_kwh[s, t] <= energy(m, s, t)

    @model.Constraint(model.hard_tier_ends)
    def all_within_unless_used_up(m: Any, s: int, t: int) -> Any:
        most = float(most_energy_kwh(night, night.tiers[s])[t])
        return m.within_tier_kwh[s, t] >= energy(m, s, t) - most * m.tier_used_up[s, t]

    @model.Constraint(model.hard_tier_ends)
    def used_up(m: Any, s: int, t: int) -> Any:
        return m.within_tier_kwh[s, t] >= max(0.0, night.tiers[s].left_kwh) * m.tier_used_up[s, t]

    later = [(s, before, t) for s, ends in enumerate(chains) for before, t in pairwise(ends)]
    model.later_tier_ends = pyo.Set(
        initialize=[(s, int(before), int(t)) for s, before, t in later if (s, int(t)) in hard], dimen=3
    )

    @model.Constraint(model.later_tier_ends)
    def stays_used_up(m: Any, s: int, before: int, t: int) -> Any:
        return m.tier_used_up[s, t] >= m.tier_used_up[s, before]

    _demand(model, night)


def _demand(model: pyo.ConcreteModel, night: Night) -> None:
    """Add the peak of each month and the constraint demand."""
    model.months = pyo.RangeSet(0, len(night.demand) - 1)
    model.peak_kw = pyo.Var(model.months, bounds=lambda _, m: (night.demand[m].so_far_kw, None))
    means = [(m, int(b)) for m, month in enumerate(night.demand) for b in np.unique(month.mean_of[month.mean_of >= 0])]

    @model.Constraint(pyo.Set(initialize=means, dimen=2))
    def demand(m: Any, month: int, mean: int) -> Any:
        at = [int(t) for t in np.flatnonzero(night.demand[month].mean_of == mean)]
        length = float(night.hours[at].sum())
        return m.peak_kw[month] >= pyo.quicksum(night.hours[t] / length * m.import_kw[t] for t in at)


def money_of_offer(model: pyo.ConcreteModel, night: Night) -> Any:
    """Return what tiers and demand charge add to the night's money [money], as an expression."""
    money: Any = 0.0
    for s, tier in enumerate(night.tiers):
        sign = 1.0 if tier.side == "import" else -1.0
        before: Any = 0.0
        for t in tier_ends(tier):
            within = model.within_tier_kwh[s, int(t)]
            money += sign * float(tier.difference[t]) * (within - before)
            before = within
    for m, month in enumerate(night.demand):
        money += month.price_per_kw * (model.peak_kw[m] - month.so_far_kw)
    return money
