"""Tonight's request: the moment, the car's state, the trips and the choices for this one plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from models.site.trips import Trip

ForecastKind = Literal["samples", "typical", "recorded"]
"""What load and solar are forecast from: past days like tonight one by one, their mean, or the series itself."""
SolarKind = Literal["low", "typical", "high"]
TripsKind = Literal["usual", "recorded"]
"""Which trips the nights of a period are planned on: the usual ones, or those that were really driven."""
HighestFrom = Literal["given", "last-plan", "recorded-trips", "usual-trips", "ceiling"]
"""Where today's highest state of charge is known from."""

LOOK_AHEAD = timedelta(days=2)
"""How much of the time after a night decides what energy left then is worth."""
LOOK_AHEAD_BY_SEGMENT = timedelta(days=7)
"""The same where cycles wear so much that the state of the running one matters: it may stay open for a week."""
MOST_TRIPS = 50
"""Most trips of one night."""
LONGEST_NIGHT = timedelta(days=28)
"""From now to the last return: a horizon is a week at most, but a car may be away for longer."""
MOST_INTERVALS = 700
"""Most intervals of one night, those in which the car is away included: four weeks of hours, and some for prices."""
MOST_INTERVALS_HOME, MOST_INTERVALS_BY_HAND = 400, 300
"""Most intervals of one night in which the car is at home, of a schedule and of a plan set by hand: what takes time is
to choose among them."""


@dataclass(frozen=True, slots=True)
class Request:
    """One evening's request.

    Attributes
    ----------
    now : instant, whole minute.
    soc_percent : state of charge now, or on arrival with home_at [%].
    trips : in time order, not overlapping, none before the car is home.
    home_at : when the car comes home, or None if it is home now; of a range, the latest time, before which no block may
        need the car.
    home_at_earliest : the earliest time where it was given as a range; None otherwise.
    highest_soc_today_percent : today's highest state of charge, from which the running cycle goes down [%]; None to
        ignore what today's driving took.
    highest_soc_today_from : where that is known from; None where it is ignored.
    soc_so_far_percent : states of charge at which charging and discharging took turns before now, the first with the
        battery's cheapest wear segments full [%]; none: it only went down from its highest today.
    last_plan_at : start of the last plan, where today's highest state of charge is known from that.
    wear_weight : factor on wear in the objective, or None for the site's.
    forecast : where load and solar come from; samples begin from the typical. solar : how sunny that is.
    notes : what the owner should know about how the options were understood.
    until : end of the plan, or None for the site's horizon.
    boundaries : instants at which an interval must begin besides the usual ones.
    peak_so_far_kw : the month's highest mean import so far, for a demand charge [kW]; None: not known.
    peak_of_charge_kw : the same of each demand charge, by its number, and of all months that it looks back on; where it
        is known it counts, not `peak_so_far_kw`.
    imported_so_far_kwh, exported_so_far_kwh : counted so far towards tiers that are under way [kWh], by number of the
        offer's band; None: not known.
    later_trips : those of the days after this plan ends, in time order; they decide what energy left is worth.
    known_at : when the forecast was made, or None for now.
    outside_degc : temperature outside on the trips [°C]; None: not known, or mild.
    as_usual : those of the trips that are as usual: when the car is back from them is not certain.
    whole_period : a period of any length, whose optimum is only bounded; else a night that can be planned.
    """

    now: datetime
    soc_percent: float
    trips: tuple[Trip, ...] = ()
    home_at: datetime | None = None
    highest_soc_today_percent: float | None = None
    highest_soc_today_from: HighestFrom | None = None
    soc_so_far_percent: tuple[float, ...] = ()
    last_plan_at: datetime | None = None
    wear_weight: float | None = None
    forecast: ForecastKind = "typical"
    solar: SolarKind = "typical"
    notes: tuple[str, ...] = ()
    until: datetime | None = None
    boundaries: tuple[datetime, ...] = ()
    peak_so_far_kw: float | None = None
    imported_so_far_kwh: Mapping[int, float] | None = None
    exported_so_far_kwh: Mapping[int, float] | None = None
    later_trips: tuple[Trip, ...] = ()
    known_at: datetime | None = None
    whole_period: bool = False
    home_at_earliest: datetime | None = None
    outside_degc: float | None = None
    peak_of_charge_kw: Mapping[int, float] | None = None
    as_usual: tuple[Trip, ...] = ()
