"""What the plan means for each trip: ready when, how full, what is missing and what would help."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import pandas as pd

from models.site.connection import import_cap_kw
from scheduler.nights.night import Night, NightTrip
from scheduler.plans.replay import ENERGY_TOLERANCE, Replayed
from scheduler.textio.format import amount_text, clock_text, money_text, percent_text

NEAR_PERCENT = 0.05
"""A state of charge this near an edge of the window reads as being on it [%]."""
MISSED_KWH = 0.005
"""Less than this is neither missing nor charged on the way for a reader [kWh]: it would read 0.00."""


@dataclass(frozen=True, slots=True)
class TripOutcome:
    """One trip under the plan.

    Attributes
    ----------
    trip : the night's trip.
    planned_percent, target_percent : state of charge at departure, and what it should be [%].
    missing_kwh, missing_when_ready_kwh : short of the target at departure, and before it from the ready time [kWh].
    on_the_way_kwh : charged away from home [kWh].
    ready_at : from when the target is held until departure; for a missed target when it would be reached if the car
        stayed and charged, or None if that never comes within the plan.
    """

    trip: NightTrip
    planned_percent: float
    target_percent: float
    missing_kwh: float
    missing_when_ready_kwh: float
    on_the_way_kwh: float
    ready_at: datetime | None

    @property
    def missed(self) -> bool:
        """Whether the departure target is missed."""
        return self.missing_kwh >= MISSED_KWH


def trip_outcomes(night: Night, replayed: Replayed) -> tuple[TripOutcome, ...]:
    """The outcome of each trip of the night, in time order."""
    found = []
    home_since = int(np.argmax(night.at_home))
    for number, trip in enumerate(night.trips):
        missing = float(replayed.missing_kwh[number])
        reached = missing < MISSED_KWH
        found.append(
            TripOutcome(
                trip=trip,
                planned_percent=night.car.percent(float(replayed.stored_kwh[trip.depart])),
                target_percent=night.car.percent(trip.target_kwh),
                missing_kwh=missing if missing > ENERGY_TOLERANCE else 0.0,
                missing_when_ready_kwh=float(replayed.missing_when_ready_kwh[number]),
                on_the_way_kwh=float(replayed.on_the_way_kwh[number]),
                ready_at=(
                    _held_from(night, replayed, trip, home_since) if reached else _would_be_ready(night, replayed, trip)
                ),
            )
        )
        home_since = trip.comeback
    return tuple(found)


def outcome_warnings(night: Night, outcomes: tuple[TripOutcome, ...], currency: str) -> list[str]:
    """Missed targets and charging on the way in words: how much, when it would be ready, what would help."""
    found = []
    for outcome in outcomes:
        found += _missed_text(night, outcome)
        if outcome.on_the_way_kwh >= MISSED_KWH:
            cost = outcome.on_the_way_kwh * night.car.on_the_way_price_per_kwh
            found.append(
                f"{_name(night, outcome)}: at least {amount_text(outcome.on_the_way_kwh)} must be charged on the way, "
                f"for about {money_text(cost, currency)} {currency}, to come home with the return reserve of "
                f"{night.car.return_reserve_percent:g} %."
            )
    return found


def window_warnings(night: Night, replayed: Replayed) -> list[str]:
    """A car that starts the night outside its window, in words."""
    car, stored = night.car, replayed.stored_kwh
    near = car.kwh(NEAR_PERCENT)
    ceiling_now = float(night.ceiling_kwh[0])
    low = stored[0] < car.floor_kwh - near
    if not low and stored[0] <= ceiling_now + near:
        return []
    soc = percent_text(car.percent(float(stored[0])))
    if not low and ceiling_now > car.ceiling_kwh:
        wanted = percent_text(car.percent(ceiling_now))
        return [f"The car is at {soc}, over the {wanted} that its next trip needs; it is not charged while it is."]
    inside = stored >= car.floor_kwh - near if low else stored <= car.ceiling_kwh + near
    edge = f"its floor of {car.floor_percent:g} %" if low else f"its ceiling of {car.ceiling_percent:g} %"
    begins = f"The car is at {soc}, {'under' if low else 'over'} {edge}"
    if not inside.any():
        return [f"{begins}, and stays there through this plan."]
    back = night.boundaries[int(inside.argmax())].to_pydatetime()
    now = night.boundaries[0].to_pydatetime()
    rule = "it is not discharged before it is back" if low else "it is not charged before it is back"
    return [f"{begins}; {rule}, by {clock_text(back, night.timezone, now)}."]


def _missed_text(night: Night, outcome: TripOutcome) -> list[str]:
    name = _name(night, outcome)
    if not outcome.missed:
        if outcome.missing_when_ready_kwh < MISSED_KWH or outcome.ready_at is None:
            return []
        return [
            f"{name}: ready only at {clock_text(outcome.ready_at, night.timezone)}, later than "
            f"{night.car.ready_minutes_before} minutes before departure."
        ]
    if outcome.ready_at is not None:
        when = f"it would be ready at {clock_text(outcome.ready_at, night.timezone)}"
    else:
        when = "it would not be ready within this plan"
    helps = _helps(night, outcome)
    would_help = f" What would help: {', or '.join(helps)}." if helps else ""
    would_help += _banned_text(night, outcome)
    return [
        f"{name}: leaves with {percent_text(outcome.planned_percent)}, {amount_text(outcome.missing_kwh)} short of "
        f"its target of {percent_text(outcome.target_percent)}; {when}.{would_help}"
    ]


def _banned_text(night: Night, outcome: TripOutcome) -> str:
    """That the offer, and not the charger, keeps the car from being charged before a missed departure."""
    before = slice(0, outcome.trip.depart)
    banned = night.only_solar[before] & night.at_home[before]
    if not banned.any():
        return ""
    return (
        " Before it the offer forbids charging from the grid for a time, and the plan keeps to that; if the trip "
        "matters more, charge then too, and expect to lose that time's feed-in price."
    )


def _helps(night: Night, outcome: TripOutcome) -> list[str]:
    """What would make up for a missed target: leaving later, driving less, charging on the way."""
    car, trip = night.car, outcome.trip
    margin = 1 + car.trip_margin_percent / 100
    fewer_km = np.ceil(outcome.missing_kwh / (car.consumption_kwh_per_100km * margin) * 100)
    helps = [] if outcome.ready_at is None else ["leaving then"]
    whole_need_kwh = trip.energy_kwh * margin + car.return_reserve_kwh
    if fewer_km < trip.trip.distance_km and whole_need_kwh <= car.battery_kwh:
        helps.append(f"a trip {fewer_km:.0f} km shorter")
    if trip.energy_kwh > 0:
        helps.append(f"charging {amount_text(outcome.missing_kwh)} on the way")
    return helps


def _name(night: Night, outcome: TripOutcome) -> str:
    trip = outcome.trip.trip
    return f"Trip {clock_text(trip.depart_at, night.timezone)}, {trip.distance_km:.0f} km"


def _held_from(night: Night, replayed: Replayed, trip: NightTrip, home_since: int) -> datetime:
    """When the target is reached for the last time before departure, between boundaries by proportion."""
    stored = replayed.stored_kwh
    target = min(trip.target_kwh, float(stored[trip.depart])) - ENERGY_TOLERANCE
    boundary = trip.depart
    while boundary > home_since and stored[boundary - 1] >= target:
        boundary -= 1
    reached = night.boundaries[boundary]
    if boundary > home_since:
        rise = stored[boundary] - stored[boundary - 1]
        share = (stored[boundary] - max(target, stored[boundary - 1])) / rise if rise > 0 else 0.0
        reached -= share * (reached - night.boundaries[boundary - 1])
    return _to_minute(reached)


def _would_be_ready(night: Night, replayed: Replayed, trip: NightTrip) -> datetime | None:
    """When the target would be reached if the car stayed after the departure time and charged as fast as it can."""
    charger = night.charger
    room = import_cap_kw(night.connection, night.load_kw, night.solar_kw) - (night.load_kw - night.solar_kw)
    short = trip.target_kwh - float(replayed.stored_kwh[trip.depart])
    for interval in range(trip.depart, night.intervals):
        kw = min(float(night.most_charge_kw[interval]), float(room[interval]))
        into_kw = charger.charge_efficiency * kw - charger.fixed_loss_kw
        if kw < charger.charge_min_kw or into_kw <= 0:
            continue
        hours = float(night.hours[interval])
        if into_kw * hours >= short:
            return _to_minute(night.boundaries[interval] + timedelta(hours=short / into_kw))
        short -= into_kw * hours
    return None


def _to_minute(instant: pd.Timestamp) -> datetime:
    """The next whole minute, so that what is shown is not early."""
    return instant.ceil("min").to_pydatetime()
