"""Saved plans as settings of a night as it happened: what the charger was set to, from plan to replan."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.site.car import Car
from scheduler.nights.night import Night
from scheduler.nights.stored_energy import StoredEnergyValue, one_price
from scheduler.optimizer.find_blocks import SAME_POWER_KW
from scheduler.plans.dispatch import Settings
from scheduler.plans.saved_plan import SavedPlan

NO_WIDTH_KWH = 1e-9
"""A piece of the value of stored energy narrower than this is none [kWh]."""


def settings_of_saved(real: Night, saved: SavedPlan) -> Settings:
    """Return what the charger is set to in the night as it happened, by a saved plan; outside the plan it is idle.

    Parameters
    ----------
    real : the night as it happened. Every boundary of the plan inside it is one of its own.
    saved : the plan; it is not solved again.
    """
    begins = real.boundaries[:-1].as_unit("s").asi8
    edges = np.array([int(row.start.timestamp()) for row in saved.rows] + [int(saved.end.timestamp())])
    at = np.clip(np.searchsorted(edges[1:], begins, side="right"), 0, len(saved.rows) - 1)
    under_way = (begins >= edges[0]) & (begins < edges[-1])
    states = np.array([row.state for row in saved.rows])[at]
    settings = Settings(
        charging=(states == "charge") & under_way,
        discharging=(states == "discharge") & under_way,
        charge_kw=np.array([row.charge_kw for row in saved.rows])[at],
        discharge_kw=np.array([row.discharge_kw for row in saved.rows])[at],
        cover_kw=np.zeros(real.intervals),
        cover_from_kw=np.full(real.intervals, real.charger.discharge_min_kw),
        surplus_kw=np.zeros(real.intervals),
        surplus_from_kw=np.full(real.intervals, real.charger.charge_min_kw),
        stop_kwh=np.zeros(real.intervals),
        until_kwh=np.full(real.intervals, np.inf),
    )
    for block in saved.blocks:
        inside = (begins >= block.start.timestamp()) & (begins < block.end.timestamp())
        if block.stop_percent is not None:
            settings.stop_kwh[inside] = real.car.kwh(block.stop_percent)
            if block.action == "discharge":
                _runs_at(block.kw, inside & under_way, settings.discharging, settings.discharge_kw)
        if block.until_percent is not None:
            settings.until_kwh[inside] = real.car.kwh(block.until_percent)
            if block.action == "charge":
                _runs_at(block.kw, inside & under_way, settings.charging, settings.charge_kw)
        if block.action in ("cover", "balance"):
            settings.cover_kw[inside] = block.kw
            if block.from_kw is not None:
                settings.cover_from_kw[inside] = block.from_kw
        if block.action in ("surplus", "balance"):
            settings.surplus_kw[inside] = block.kw
            if block.surplus_from_kw is not None:
                settings.surplus_from_kw[inside] = block.surplus_from_kw
    return settings


def _runs_at(kw: float, inside: BoolArray, running: BoolArray, power_kw: FloatArray) -> None:
    """Have a block that ends at a state of charge run at its power, whatever mean power was planned until then."""
    running |= inside
    power_kw[inside & (np.abs(power_kw - kw) > SAME_POWER_KW)] = kw


def settings_in_force(real: Night, plans: Sequence[SavedPlan]) -> Settings:
    """Return what the charger is set to when a plan is followed until the next one takes its place.

    Parameters
    ----------
    real : the night as it happened. plans : the evening's first plan and its replans, in time order.
    """
    begins = real.boundaries.as_unit("s").asi8
    settings = settings_of_saved(real, plans[0])
    for later in plans[1:]:
        done = int(np.searchsorted(begins, int(later.start.timestamp())))
        settings = settings.until(done, settings_of_saved(real, later))
    return settings


def boundaries_of_saved(plans: Sequence[SavedPlan]) -> set[pd.Timestamp]:
    """Return every boundary of some plans, UTC."""
    edges = [each for plan in plans for row in plan.rows for each in (row.start, row.end)]
    edges += [each for plan in plans for block in plan.blocks for each in (block.start, block.end)]
    return {pd.Timestamp(each).tz_convert("UTC") for each in edges}


def saved_stored_energy_value(plan: SavedPlan, car: Car) -> StoredEnergyValue | None:
    """Return what a plan says that energy left at its end is worth; None if it does not say."""
    said = plan.stored_energy_value
    if said is None:
        price = plan.stored_energy_price_per_kwh
        return None if price is None else one_price(price, car.ceiling_kwh)
    edges_kwh = np.array([car.kwh(percent) for percent in said.soc_percent])
    width, worth = np.diff(edges_kwh), np.diff(np.array(said.worth))
    wide = width > NO_WIDTH_KWH
    if not wide.any():
        return None
    price_per_kwh = np.minimum.accumulate(worth[wide] / width[wide])  # digits lost in the file must not make it bend up
    return StoredEnergyValue(width[wide], price_per_kwh)
