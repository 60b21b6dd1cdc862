"""Why a night went as it did: what differed most from the forecast, and what it earned against what was planned.

The sentence says what was measured, and not what caused what: a night has one load, one sun and one set of trips, and
what it had earned with others is not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import numpy as np

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.replay import Replayed
from scheduler.plans.saved_plan import SavedPlan
from scheduler.record.settled import SettledNight
from scheduler.textio.format import amount_text, clock_text, money_text, number_text

LEAST_KWH, LEAST_SHARE = 0.5, 0.05
"""A difference from the forecast is worth a word from this energy [kWh] and this share of the night's load on [-]."""
LEAST_KM = 5.0
"""A trip that was driven this much further than planned, or less far, is worth a word [km]."""
ABOUT = 0.1
"""Earnings this close to the planned ones, as a share of these, are about those [-]."""
SAME_END = timedelta(hours=1)
"""What was planned is for the plan's hours: a night that ends further from its end earns something else."""
PRICE_SPREAD = 1.2
"""Hours count as those of the highest price where it is this much over the mean [-]."""


@dataclass(frozen=True, slots=True)
class _Difference:
    """What differed from the plan, as a clause, and what it is worth at the prices of its hours [money]."""

    text: str
    worth: float


def why_text(
    night: SettledNight, plan: SavedPlan, real: Night, replayed: Replayed, forecast_kw: tuple[FloatArray, FloatArray]
) -> str:
    """Return a sentence on what made a night good or bad.

    Parameters
    ----------
    night : its figures. plan : the evening's first plan.
    real, replayed : the night as it happened, and what came of the plan in it.
    forecast_kw : load and solar as the plan had them in the intervals of the night [kW], shape (n,) each.
    """
    missing = [number for number in range(len(real.trips)) if replayed.missing_kwh[number] >= MISSED_KWH]
    differences = _differences(plan, real, forecast_kw)
    first = max(differences, key=lambda each: each.worth, default=None)
    clause = "load and solar came about as forecast" if first is None else first.text
    if missing:
        trip = real.trips[missing[0]]
        when = clock_text(trip.trip.depart_at, real.timezone)
        short = amount_text(float(replayed.missing_kwh[missing[0]]))
        return f"The car left {short} below its target at {when}: {clause}."
    return f"{clause[:1].upper()}{clause[1:]}; {_earned_text(night, plan)}."


def _earned_text(night: SettledNight, plan: SavedPlan) -> str:
    """Return what was earned against what was planned."""
    currency = night.currency
    earned, planned = night.earned_on_return, plan.saving
    if planned is None or abs(plan.end - night.end) > SAME_END:
        return f"the night {_kept(earned, currency)}"
    apart = earned - planned
    if abs(apart) <= max(ABOUT * abs(planned), 0.5 * 10.0 ** -_digits(currency)):
        return f"the night {_kept(earned, currency)}, about as planned"
    than = f"{money_text(abs(apart), currency)} {'more' if apart > 0 else 'less'} than planned"
    return f"the night {_kept(earned, currency)}, {than}"


def _kept(earned: float, currency: str) -> str:
    return f"{'earned' if earned >= 0 else 'lost'} {money_text(abs(earned), currency)} {currency}"


def _digits(currency: str) -> int:
    return len(money_text(0.0, currency).partition(".")[2])


def _differences(plan: SavedPlan, real: Night, forecast_kw: tuple[FloatArray, FloatArray]) -> list[_Difference]:
    """Return what differed enough from the plan to be worth a word."""
    hours, price = real.hours, np.maximum(0.0, real.import_price)
    load, solar = (hours * (came - told) for came, told in zip((real.load_kw, real.solar_kw), forecast_kw, strict=True))
    mean = float(hours @ price / hours.sum())
    dear = price >= PRICE_SPREAD * mean if mean > 0 else np.zeros(real.intervals, dtype=np.bool_)
    least = max(LEAST_KWH, LEAST_SHARE * float(hours @ real.load_kw))
    found = []
    parts = [("the building drew", load, dear, " in the hours of the highest price")] if dear.any() else []
    parts += [("the building drew", load, ~dear, " in the hours of lower prices" if dear.any() else "")]
    parts += [("the roof gave", solar, np.ones(real.intervals, dtype=np.bool_), "")]
    for did, apart, where, when in parts:
        kwh = float(apart[where].sum())
        if abs(kwh) >= least:
            amount = f"{amount_text(abs(kwh))} {'more' if kwh > 0 else 'less'} than forecast"
            found.append(_Difference(f"{did} {amount}{when}", abs(float(apart[where] @ price[where]))))
    km = sum(trip.trip.distance_km for trip in real.trips)
    end = real.boundaries[-1]
    planned_km = sum(trip.distance_km for trip in (*plan.past_trips, *plan.trips) if trip.depart < end)
    if abs(km - planned_km) >= LEAST_KM:
        more = f"{number_text(abs(km - planned_km), 0)} km {'more' if km > planned_km else 'less'}"
        worth = abs(km - planned_km) * real.car.consumption_kwh_per_100km / 100 * mean
        found.append(_Difference(f"the car drove {more} than planned", worth))
    return found
