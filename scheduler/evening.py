"""What is asked tonight: the moment, the car's state, the trips and the choices for this one plan."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from models.trips import Trip

ForecastKind = Literal["typical", "recorded"]
SolarKind = Literal["low", "typical", "high"]


@dataclass(frozen=True, slots=True)
class Evening:
    """One evening's question.

    Attributes
    ----------
    now : instant, whole minute.
    soc_percent : state of charge now, or on arrival with home_at [%].
    trips : in time order, not overlapping, none before the car is home.
    home_at : when the car comes home, or None if it is home now.
    highest_soc_today_percent : today's highest state of charge [%], or None.
    wear_weight : factor on wear in the objective, or None for the site's.
    forecast : where load and solar come from. solar : how sunny a typical forecast is.
    notes : what the owner should know of how the words were understood.
    until : end of the plan, or None for the site's horizon.
    boundaries : instants at which an interval must begin besides the usual ones.
    """

    now: datetime
    soc_percent: float
    trips: tuple[Trip, ...] = ()
    home_at: datetime | None = None
    highest_soc_today_percent: float | None = None
    wear_weight: float | None = None
    forecast: ForecastKind = "typical"
    solar: SolarKind = "typical"
    notes: tuple[str, ...] = ()
    until: datetime | None = None
    boundaries: tuple[datetime, ...] = ()
