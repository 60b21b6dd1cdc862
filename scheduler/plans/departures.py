"""What a plan means for each trip: when the car is ready, how full it leaves, what is missing, what would help."""

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
"""A state of charge this close to the floor or the ceiling is shown as being there [%]."""
MISSED_KWH = 0.005
"""Less energy than this is not reported as missing or as charged on the way [kWh]: it would read 0.00."""


@dataclass(frozen=True, slots=True)
class TripOutcome:
    """What the plan means for one trip.

    Attributes
    ----------
    trip : the trip of the night.
    planned_percent, target_percent : planned state of charge at departure, and its target [%].
    missing_kwh : energy short of the target at departure [kWh].
    missing_when_ready_kwh : most energy short of the target between ready time and departure [kWh].
    on_the_way_kwh : energy charged away from home [kWh].
    ready_at : when the target is reached and held until departure. For a missed target, when it would be reached if the
        car stayed and charged; None if that is not within the plan.
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
        """Return whether the departure target is missed."""
        return self.missing_kwh >= MISSED_KWH


def trip_outcomes(night: Night, replayed: Replayed) -> tuple[TripOutcome, ...]:
    """Return what the plan means for each trip of the night, in time order."""
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
    """Return warnings of missed targets and of charging on the way.

    They say how much is missing, when the car would be ready, and what would help.
    """
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
    """Return a warning if the car starts the night outside its window, else nothing."""
    car, stored = night.car, replayed.stored_kwh
    near = car.kwh(NEAR_PERCENT)
    ceiling_now = float(night.ceiling_kwh[0])
    low = stored[0] < car.floor_kwh - near
    if not low and stored[0] <= ceiling_now + near:
        return []
    soc = percent_text(car.percent(float(stored[0])))
    if not low and ceiling_now > car.ceiling_kwh:
        wanted = percent_text(car.percent(ceiling_now))
        begins = f"The car is at {soc}, above the {wanted} that its next trip needs"
        return [f"{begins}; it is not charged until it is below that."]
    inside = stored >= car.floor_kwh - near if low else stored <= car.ceiling_kwh + near
    edge = f"its floor of {car.floor_percent:g} %" if low else f"its ceiling of {car.ceiling_percent:g} %"
    begins = f"The car is at {soc}, {'below' if low else 'above'} {edge}"
    if not inside.any():
        return [f"{begins}, and stays there throughout this plan."]
    back = night.boundaries[int(inside.argmax())].to_pydatetime()
    now = night.boundaries[0].to_pydatetime()
    rule = f"it is not {'discharged' if low else 'charged'} until it is back at its {'floor' if low else 'ceiling'}"
    return [f"{begins}; {rule}, by {clock_text(back, night.timezone, now)}."]


def _missed_text(night: Night, outcome: TripOutcome) -> list[str]:
    """Return a warning if the target is missed, or met only after the ready time; else nothing."""
    name = _name(night, outcome)
    if not outcome.missed:
        if outcome.missing_when_ready_kwh < MISSED_KWH or outcome.ready_at is None:
            return []
        return [
            f"{name}: ready only at {clock_text(outcome.ready_at, night.timezone)}, less than "
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
    """Return that the offer forbids charging from the grid before a missed departure; "" if it does not."""
    before = slice(0, outcome.trip.depart)
    banned = night.only_solar[before] & night.at_home[before]
    if not banned.any():
        return ""
    return (
        " The offer forbids charging from the grid for a time before it, and the plan keeps to that. If the trip "
        "matters more, charge then too, and expect to lose the feed-in price of that time."
    )


def _helps(night: Night, outcome: TripOutcome) -> list[str]:
    """Return what would make up for a missed target: leaving later, driving less, charging on the way."""
    car, trip = night.car, outcome.trip
    margin = 1 + car.trip_margin_percent / 100
    per_100km = car.consumption_kwh_per_100km * trip.consumption.middle
    fewer_km = np.ceil(outcome.missing_kwh / (per_100km * margin) * 100)
    helps = [] if outcome.ready_at is None else ["leaving then"]
    whole_need_kwh = trip.energy_kwh * margin + car.return_reserve_kwh
    if fewer_km < trip.trip.distance_km and whole_need_kwh <= car.battery_kwh:
        helps.append(f"a trip {fewer_km:.0f} km shorter")
    if trip.energy_kwh > 0:
        helps.append(f"charging {amount_text(outcome.missing_kwh)} on the way")
    return helps


def _name(night: Night, outcome: TripOutcome) -> str:
    """Return how a warning names the trip."""
    trip = outcome.trip.trip
    return f"Trip {clock_text(trip.depart_at, night.timezone)}, {trip.distance_km:.0f} km"


def _held_from(night: Night, replayed: Replayed, trip: NightTrip, home_since: int) -> datetime:
    """Return when the target is reached for the last time before departure, interpolated between boundaries."""
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
    """Return when the target would be reached if the car stayed after the departure and charged as fast as it can.

    None if that is not within the plan.
    """
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
    """Return the next whole minute, so that the time shown is never too early."""
    return instant.ceil("min").to_pydatetime()
