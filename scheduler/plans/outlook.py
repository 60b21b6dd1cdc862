"""What a plan comes to on past days like tonight: how likely a departure is short, and what the night then costs.

On each day the charger is set as the plan says, and does what its blocks allow. So the chance that is told counts the
stops of the blocks: where neither charger nor car stops by itself, what would be if nobody looked is told beside it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from scheduler.nights.night import Night, NightTrip
from scheduler.nights.sampled_days import FEWEST_SAMPLES, SampledDays
from scheduler.nights.sampled_returns import rows_of
from scheduler.optimizer.block import Block
from scheduler.optimizer.charge_on_return import charge_on_return
from scheduler.optimizer.setpoints import Setpoints
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.dispatch import Settings, follow_settings, settings_of
from scheduler.plans.many_days import carry_out
from scheduler.plans.replay import replay

NEARLY_ALL = 0.05
"""In all but this share of evenings a departure has at least the state of charge that is told [-]."""


@dataclass(frozen=True, slots=True, eq=False)
class Outcomes:
    """What settings come to on S days; totals as of a plan [money], shape (S,).

    Attributes
    ----------
    total, cash : of each day [money], shape (S,).
    departure_kwh : stored energy at each departure [kWh], shape (S, trips).
    missing_kwh : energy short of the target at each departure [kWh], shape (S, trips).
    """

    total: FloatArray
    cash: FloatArray
    departure_kwh: FloatArray
    missing_kwh: FloatArray

    @property
    def is_short(self) -> BoolArray:
        """Return whether each departure is short of its target, shape (S, trips)."""
        return np.asarray(self.missing_kwh >= MISSED_KWH, dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class TripChance:
    """How a departure went on the past days.

    Attributes
    ----------
    short, of : on how many of how many days it was short of its target.
    whatever_is_drawn : it is not short even if the building draws all along what it drew at most, without any sun,
        and the car is home at the latest of all times that are drawn.
    nearly_least_percent : state of charge at departure that is reached on 19 of 20 days [%].
    short_unwatched : on how many days it would have been short had nobody looked at the car for a stop; None where no
        block needs a look.
    drawn_kwh, drawn_when_short_kwh : what the building drew until the departure on average, over all days and over
        those on which it was short [kWh]; the latter None where there is none.
    home_when_short : when the car was home before it, at the earliest of the days on which it was short, UTC; None
        where it was short on none, or that is certain.
    chance_on_the_way : chance that the drive takes so much that it must be charged on the way to keep the return
        reserve [-]; None where no spread of its consumption is known.
    """

    short: int
    of: int
    whatever_is_drawn: bool
    nearly_least_percent: float
    short_unwatched: int | None
    drawn_kwh: float
    drawn_when_short_kwh: float | None
    chance_on_the_way: float | None = None
    home_when_short: datetime | None = None

    @property
    def chance(self) -> float:
        """Return the chance that the departure is short [-].

        0 where no draw of the building makes it so; else with half a day more short and half a day more not, as
        Jeffreys' prior has it, since what did not happen in 60 evenings may yet happen.

        Examples
        --------
        >>> TripChance(3, 59, False, 70.0, None, 9.0, 14.0).chance
        0.058333333333333334
        >>> TripChance(0, 59, True, 80.0, None, 9.0, None).chance
        0.0
        """
        if self.whatever_is_drawn and self.short == 0:
            return 0.0
        return (self.short + 0.5) / (self.of + 1)

    @property
    def chance_unwatched(self) -> float | None:
        """Return the chance that the departure is short if nobody looks at the car [-]; None where none need to."""
        if self.short_unwatched is None:
            return None
        return self.chance if self.short_unwatched <= self.short else (self.short_unwatched + 0.5) / (self.of + 1)


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What a plan comes to on past days like tonight.

    Attributes
    ----------
    days : how many there are.
    total, cash : of each [money], shape (S,).
    saving : of each, the total of charging on return less the plan's [money], shape (S,).
    trips : one for each trip of the night.
    draws_prices : whether prices that are not published yet are those of the days.
    draws_returns : whether the car is home at times that are drawn.
    """

    days: int
    total: FloatArray
    cash: FloatArray
    saving: FloatArray
    trips: tuple[TripChance, ...]
    draws_prices: bool = False
    draws_returns: bool = False


def outcomes(night: Night, settings: Settings, days: SampledDays) -> Outcomes:
    """Return what settings come to on each day.

    Parameters
    ----------
    night : the night of the settings' intervals; load, solar, prices and returns are those of the days.
    """
    if days.returns is None and len(days) and not (night.tiers and days.prices is not None):
        prices = None if days.prices is None else days.prices.of_all(night)
        rows = carry_out(night, settings, days.load_kw, days.solar_kw, prices)
        return Outcomes(rows.total, rows.cash, rows.departure_kwh, rows.missing_kwh)
    count = len(days)
    total, cash = np.empty(count), np.empty(count)
    departure, missing = (np.empty((count, len(night.trips))) for _ in range(2))
    for number in range(count):
        real = days.night(night, number)
        found = replay(real, follow_settings(real, _in_intervals_of(real, night, settings)))
        total[number], cash[number] = found.costs.total, found.costs.cash
        departure[number] = [found.stored_kwh[trip.depart] for trip in real.trips]
        missing[number] = found.missing_kwh
    return Outcomes(total, cash, departure, missing)


def _in_intervals_of(real: Night, night: Night, settings: Settings) -> Settings:
    """Return the settings of a night's intervals for those of one that is cut further."""
    if real.intervals == night.intervals:
        return settings
    edges, begins = (each.boundaries.as_unit("s").asi8 for each in (night, real))
    return settings.at(rows_of(edges, begins[:-1]))


def outlook(night: Night, setpoints: Setpoints, blocks: Sequence[Block], days: SampledDays) -> Outlook | None:
    """Return what a plan comes to on past days; None where there are too few to tell a chance.

    Parameters
    ----------
    night, setpoints, blocks : the plan. days : past days like the night.
    """
    if len(days) < FEWEST_SAMPLES:
        return None
    settings = settings_of(night, night, setpoints, tuple(blocks))
    found = outcomes(night, settings, days)
    unwatched = None
    if not night.charger.can_stop_at_percent and any(block.stop_percent is not None for block in blocks):
        unwatched = outcomes(night, replace(settings, stop_kwh=np.zeros(night.intervals)), days).is_short
    on_return = np.array(
        [
            replay(real, charge_on_return(real)).costs.total
            for real in (days.night(night, at) for at in range(len(days)))
        ]
    )
    total = found.total + replay(night, setpoints, tuple(blocks)).costs.settings
    return Outlook(
        days=len(days),
        total=total,
        cash=found.cash,
        saving=on_return - total,
        trips=_chances(night, found, unwatched, worst_case(night, settings, days), days),
        draws_prices=days.prices is not None,
        draws_returns=days.returns is not None,
    )


def trip_chances(
    night: Night, setpoints: Setpoints, blocks: Sequence[Block], days: SampledDays
) -> tuple[TripChance, ...]:
    """Return how each departure of a plan went on past days, if its stops are obeyed; nothing where they are too few.

    Parameters
    ----------
    night, setpoints, blocks : the plan. days : past days like the night.
    """
    if len(days) < FEWEST_SAMPLES or not night.trips:
        return ()
    settings = settings_of(night, night, setpoints, tuple(blocks))
    return _chances(night, outcomes(night, settings, days), None, worst_case(night, settings, days), days)


def _chances(
    night: Night, found: Outcomes, unwatched: BoolArray | None, worst: FloatArray, days: SampledDays
) -> tuple[TripChance, ...]:
    """Return the chance of each departure.

    Parameters
    ----------
    unwatched : whether each departure is short if no stop is obeyed, shape (S, trips); None: as with stops.
    worst : energy short of each target if the building draws the most all along [kWh], shape (trips,).
    """
    chances = []
    for number, trip in enumerate(night.trips):
        short = found.is_short[:, number]
        drawn = np.maximum(0.0, days.net_kw[:, : trip.depart]) @ night.hours[: trip.depart]
        least = float(np.quantile(found.departure_kwh[:, number], NEARLY_ALL, method="lower"))
        home = np.full(len(days), np.nan) if days.returns is None else days.returns.before(number)
        home_when_short = float(home[short].min()) if short.any() else np.nan
        chances.append(
            TripChance(
                short=int(short.sum()),
                of=len(days),
                whatever_is_drawn=float(worst[number]) < MISSED_KWH,
                nearly_least_percent=night.car.percent(least),
                short_unwatched=None if unwatched is None else int(unwatched[:, number].sum()),
                drawn_kwh=float(drawn.mean()),
                drawn_when_short_kwh=float(drawn[short].mean()) if short.any() else None,
                chance_on_the_way=_chance_on_the_way(night, trip, found.departure_kwh[:, number]),
                home_when_short=None if np.isnan(home_when_short) else datetime.fromtimestamp(home_when_short, UTC),
            )
        )
    return tuple(chances)


def _chance_on_the_way(night: Night, trip: NightTrip, departure_kwh: FloatArray) -> float | None:
    """Return the mean chance over the days that a drive takes more than what is there above the reserve; or None.

    Parameters
    ----------
    departure_kwh : stored energy at departure on each day [kWh], shape (S,).
    """
    factor = trip.consumption
    if factor.low == factor.high or trip.energy_kwh <= 0:
        return None
    spare = np.maximum(departure_kwh - night.car.return_reserve_kwh, 0.0)
    may_take = factor.middle * spare / trip.energy_kwh
    return float(np.mean([1.0 if value <= 0 else factor.chance_over(value) for value in may_take.tolist()]))


def worst_case(night: Night, settings: Settings, days: SampledDays) -> FloatArray:
    """Return what is missing at each departure if the building draws the most it ever drew, without sun [kWh].

    The car is then back as late as on the latest of the days.
    """
    real = days.at_worst(night)
    return replay(real, follow_settings(real, _in_intervals_of(real, night, settings))).missing_kwh
