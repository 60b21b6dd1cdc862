"""How an offer's tiers, demand charge and bans limit a block: one clause for its reason."""

from __future__ import annotations

import numpy as np

from models.tariff.demand import DemandMonth, demand_means_kw
from models.tariff.tiers import PriceTier, Side
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.replay import Replayed
from scheduler.textio.format import amount_text, clock_text, number_text

NEAR_KW = 0.03
NEAR_KWH = 0.03
"""A power or energy this close to a limit is at it [kW], [kWh]."""


def offer_discharge_limit(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    """Return how the offer decides what a block discharges: it holds a peak down, or uses a tier up; "" if neither."""
    for month in night.demand:
        held = _held_peak(night, setpoints, replayed, block, month)
        if held is not None:
            return f"it holds the month's highest demand, which the offer charges for, at {number_text(held, 1)} kW"
    tier = _tier_used_up(night, "export", replayed, block)
    if tier is not None:
        return f"the better price covers only {amount_text(tier.left_kwh)} of what is sold"
    return ""


def offer_charge_limit(night: Night, setpoints: Setpoints, replayed: Replayed, block: Block) -> str:
    """Return how the offer keeps a block from charging more: a ban, a demand charge or a tier; "" if none does."""
    at = block.intervals
    surplus = np.maximum(0.0, night.solar_kw[at] - night.load_kw[at])
    if night.only_solar[at].all() and np.all(setpoints.charge_kw[at] >= surplus - NEAR_KW):
        return "the offer allows no charging from the grid at this time"
    begins = night.only_solar & ~np.concatenate([[False], night.only_solar[:-1]])
    if block.last < night.intervals and begins[block.last] and night.at_home[block.last]:
        at_clock = clock_text(night.boundaries[block.last].to_pydatetime(), night.timezone)
        return f"from {at_clock} on the offer allows no charging from the grid"
    by_demand = _charge_and_demand(night, replayed, block)
    if by_demand:
        return by_demand
    tier = _tier_used_up(night, "import", replayed, block)
    if tier is not None:
        return f"the cheaper price covers only {amount_text(tier.left_kwh)} of what is bought"
    return ""


def _charge_and_demand(night: Night, replayed: Replayed, block: Block) -> str:
    """Return that a peak holds the charging down, or that its time does not count towards one; "" if neither."""
    at = block.intervals
    counted = np.zeros(night.intervals, dtype=np.bool_)
    for month in night.demand:
        if month.price_per_kw <= 0:
            continue
        counted |= month.mean_of >= 0
        peak = month.peak_kw(night.hours, replayed.import_kw)
        inside = month.mean_of[at] >= 0
        if inside.any() and float(replayed.import_kw[at][inside].max()) >= peak - NEAR_KW:
            return f"more would raise the month's highest demand above {number_text(peak, 1)} kW"
    if counted[night.at_home].any() and not counted[at].any():
        return "charging at this time does not count towards the demand charge"
    return ""


def _held_peak(
    night: Night, setpoints: Setpoints, replayed: Replayed, block: Block, month: DemandMonth
) -> float | None:
    """Return the month's peak [kW] if it would be higher without this block, else None."""
    inside = np.zeros(night.intervals, dtype=np.bool_)
    inside[block.intervals] = True
    without = replayed.import_kw + np.where(inside, setpoints.discharge_kw, 0.0)
    peak = month.peak_kw(night.hours, replayed.import_kw)
    means = demand_means_kw(month.mean_of, night.hours, without)
    higher = len(means) > 0 and float(means.max()) > peak + NEAR_KW
    return peak if higher and month.price_per_kw > 0 else None


def _tier_used_up(night: Night, side: Side, replayed: Replayed, block: Block) -> PriceTier | None:
    """Return a tier of a better price that the block has a part of, and that is used up by it or later on, or None."""
    energy = night.hours * (replayed.import_kw if side == "import" else replayed.export_kw)
    for tier in night.tiers_of(side):
        better = tier.difference if side == "export" else -tier.difference
        if tier.left_kwh <= NEAR_KWH or not (better[tier.holds] > 0).all():
            continue
        used = np.cumsum(tier.within_kwh(energy))
        before = used[block.first - 1] if block.first else 0.0
        if used[-1] >= tier.left_kwh - NEAR_KWH > before and tier.holds[block.intervals].any():
            return tier
    return None
