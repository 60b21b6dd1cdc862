"""A night's money in units of ordinary size, so that a plan does not depend on the currency.

The tolerances of a solver are absolute. A price of 0.30 and one of 5,000 a kWh are the same price in different
currencies, so money is divided by a power of two, which changes no digit, wherever prices are far from 1.
"""

from __future__ import annotations

from dataclasses import replace
from math import frexp

import numpy as np

from scheduler.nights.night import Night

ORDINARY = (2.0**-6, 2.0**4)
"""Highest prices per kWh that need no scale [money per kWh]."""


def money_scale(night: Night) -> float:
    """Return what the night's money is divided by: 1 where its highest price is of ordinary size, else a power of two.

    Divided by it, the highest price lies from 0.25 to 0.5.
    """
    highest = night.highest_price
    if highest == 0.0:
        prices = (night.import_price, night.export_price, night.possible_prices("import"))
        highest = max(float(np.abs(each).max()) for each in prices)
    if highest == 0.0 or ORDINARY[0] <= highest <= ORDINARY[1]:
        return 1.0
    return 2.0 ** (frexp(highest)[1] + 1)


def in_units_of(night: Night, scale: float) -> Night:
    """Return the night with all of its money divided by the scale."""
    if scale == 1.0:
        return night
    calendar, setting = night.calendar, night.setting
    return replace(
        night,
        import_price=night.import_price / scale,
        export_price=night.export_price / scale,
        car=replace(night.car, on_the_way_price_per_kwh=night.car.on_the_way_price_per_kwh / scale),
        wear=replace(night.wear, price_per_kwh=night.wear.price_per_kwh / scale),
        setting=setting if setting.worth is None else replace(setting, worth=setting.worth / scale),
        stored_energy=night.stored_energy.scaled(1 / scale),
        segment_value=None if night.segment_value is None else night.segment_value.scaled(1 / scale),
        tiers=tuple(replace(tier, difference=tier.difference / scale) for tier in night.tiers),
        demand=tuple(replace(month, price_per_kw=month.price_per_kw / scale) for month in night.demand),
        emissions_price=night.emissions_price / scale,
        calendar=None if calendar is None else replace(calendar, money_per_hour=calendar.money_per_hour / scale),
    )
