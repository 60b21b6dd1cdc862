"""Past days like tonight: what building, roof and market did in the same hours of them, all of one day together.

A typical day is one forecast. These are some that could come, as they came before: the same clock times of past days,
weekdays for a weekday and weekend days for a weekend day, the latest first. Where the day after was of another kind
then than the day after tonight is, as a Sunday followed a Saturday and not a Monday, its hours are those of the nearest
day of the kind. Solar is scaled to the strength of the sun that the typical forecast has, since days grow longer and
shorter within the weeks that are looked at. Market prices are drawn where they are not published yet (sampled_prices),
and so is when the car is home where that is not certain (sampled_returns).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from models.base.arrays import FloatArray
from models.base.clock import SATURDAY
from models.site.series import Series
from scheduler.inputs.site_inputs import Inputs
from scheduler.nights.night import Night
from scheduler.nights.request import Request
from scheduler.nights.sampled_prices import SampledPrices, market_series, sampled_prices, unpublished
from scheduler.nights.sampled_returns import SampledReturns, coming_home, sampled_returns

FEWEST_SAMPLES = 14
"""With fewer like days than this no chance is told."""
MOST_SAMPLES = 60
RECENT = 56
"""Days before now in which like days are looked for first."""
YEAR, SEASON = 365, 28
"""Days of earlier years in the same season lie this many years, and up to this many days more or less, before now."""
MOST_YEARS = 5
NEAREST = (1, -1, 2, -2, 3, -3, 4, -4, 5, -5, 6)
"""How many days later the nearest day of a kind may be, in order."""
SUN_SCALE = (0.5, 2.0)
"""Least and most by which the solar of past days is scaled [-]."""


@dataclass(frozen=True, slots=True, eq=False)
class SampledDays:
    """A night's intervals as they were in the same hours of S past days.

    Attributes
    ----------
    days : local dates on which those hours began, shape (S,), the likest first.
    load_kw, solar_kw : means over each interval [kW], shape (S, n).
    most_load_kw : the most that the building drew, as far as that was known when the forecast was made [kW].
    prices : what is not published of the market; None where all is known.
    returns : when the car is home; None where that is certain.
    """

    days: tuple[date, ...]
    load_kw: FloatArray
    solar_kw: FloatArray
    most_load_kw: float
    prices: SampledPrices | None = None
    returns: SampledReturns | None = None

    def __len__(self) -> int:
        """Return how many there are, S."""
        return len(self.days)

    @property
    def net_kw(self) -> FloatArray:
        """Return load less solar [kW], shape (S, n)."""
        return self.load_kw - self.solar_kw

    def first(self, count: int) -> SampledDays:
        """Return the likest ones, at most so many."""
        return replace(
            self,
            days=self.days[:count],
            load_kw=self.load_kw[:count],
            solar_kw=self.solar_kw[:count],
            prices=None if self.prices is None else self.prices.first(count),
            returns=None if self.returns is None else self.returns.first(count),
        )

    def forecast(self, night: Night, sample: int) -> Night:
        """Return a night with the load and solar of one sample, to plan on: at typical prices, home as planned.

        A plan on one past day's prices as if they were certain puts its charging into the hours that were cheap then.
        """
        return replace(night, load_kw=self.load_kw[sample], solar_kw=self.solar_kw[sample])

    def night(self, night: Night, sample: int) -> Night:
        """Return a night as it was in one sample, with a boundary at each return that is drawn."""
        found = self.forecast(night, sample)
        if self.prices is not None:
            found = self.prices.priced(found, sample)
        if self.returns is not None:
            found = coming_home(found, float(self.returns.home_at[sample]), self.returns.comeback[sample])
        return found

    def at_worst(self, night: Night) -> Night:
        """Return a night with the most load that is known all along, no sun, and the latest return of the samples."""
        most_kw = max(self.most_load_kw, float(night.load_kw.max()))
        found = replace(night, load_kw=np.full(night.intervals, most_kw), solar_kw=np.zeros(night.intervals))
        return found if self.returns is None else coming_home(found, np.nan, self.returns.latest)


def sampled_days(inputs: Inputs, evening: Request, night: Night, most: int = MOST_SAMPLES) -> SampledDays:
    """Return the past days like tonight that the site's series hold, whole and before the forecast was made.

    Parameters
    ----------
    inputs, evening : the site with its series, and the request; nothing after the moment of the forecast is read.
    night : built from them with a typical forecast.
    most : how many days at most.

    Returns
    -------
    At most `most` days, fewer or none where the series are short.
    """
    known = (evening.known_at or evening.now).timestamp()
    solar = inputs.solar if inputs.site.solar_file is not None else None
    series = [inputs.load] if solar is None else [inputs.load, solar]
    begins = max(float(each.start[0].timestamp()) for each in series)
    ends = min(known, *(float(each.end.timestamp()) for each in series))

    def is_covered(at: FloatArray) -> bool:
        return bool(at[0].min() >= begins and at[1].max() <= ends)

    days, at = _like_days(night, most, is_covered)
    open_prices = unpublished(inputs, evening, night)
    if open_prices.any() and inputs.offer.market is not None:
        market = market_series(inputs.offer.market)
        first, last = (float(each.timestamp()) for each in (market.start[0], market.end))
        first_open = int(np.argmax(open_prices))

        def has_prices(at: FloatArray) -> bool:
            return bool(at[1].max() <= last and at[0, first_open:].min() >= first)

        priced = _like_days(night, most, is_covered, has_prices)
        if len(priced[0]) >= min(FEWEST_SAMPLES, len(days)):
            days, at = priced
        else:
            open_prices[:] = False  # the chance of a short departure is worth more than a range of prices
    ended = np.asarray(inputs.load.start.as_unit("s").asi8 + 60 * inputs.load.step_minutes <= known)
    most_kw = float(inputs.load.kw[ended].max(initial=0.0))
    if not days:
        none = np.zeros((0, night.intervals))
        return SampledDays((), none, none, most_kw)
    load_kw = _means(inputs.load, at)
    solar_kw = np.zeros_like(load_kw) if solar is None else _scaled(_means(solar, at), night)
    prices = None
    if open_prices.any():
        prices = sampled_prices(inputs, night, open_prices, _means(market, at[:, :, open_prices]))
    returns = sampled_returns(inputs, evening, night, len(days))
    return SampledDays(days, load_kw, solar_kw, most_kw, prices, returns)


def _like_days(
    night: Night,
    most: int,
    is_covered: Callable[[FloatArray], bool],
    has_prices: Callable[[FloatArray], bool] = lambda at: True,
) -> tuple[tuple[date, ...], FloatArray]:
    """Return the local dates of past days like tonight, at most so many, and the night's intervals moved to each.

    Parameters
    ----------
    is_covered : whether the series hold some intervals, by their begins and ends [s since 1970], shape (2, m).
    has_prices : whether the prices of all of them are known too, shape (2, n).

    Returns
    -------
    Dates, and begins and ends [s since 1970], shape (S, 2, n).
    """
    zone = ZoneInfo(night.timezone)
    edges = night.boundaries.as_unit("s").asi8.astype(np.float64)
    tonight = np.stack([edges[:-1], edges[1:]])
    now = night.boundaries[0].to_pydatetime().astimezone(zone)
    local = night.boundaries[:-1].tz_convert(zone)
    kinds = np.asarray(local.day_of_week >= SATURDAY, dtype=np.bool_)
    parts = [np.asarray(local.date == each) for each in sorted(set(local.date))]
    days: list[date] = []
    found: list[FloatArray] = []
    for back in _days_back():
        if len(days) == most:
            break
        then = now - timedelta(days=back)  # the same reading of the local clock
        if (then.weekday() >= SATURDAY) != kinds[0]:
            continue
        moved = tonight - (now.timestamp() - then.timestamp())
        at = [_of_kind(moved[:, part], bool(kinds[part][0]), zone, is_covered) for part in parts]
        there = [each for each in at if each is not None]
        if len(there) == len(parts) and has_prices(joint := np.concatenate(there, axis=1)):
            days.append(then.date())
            found.append(joint)
    return tuple(days), np.array(found)


def _of_kind(
    moved: FloatArray, is_weekend: bool, zone: ZoneInfo, is_covered: Callable[[FloatArray], bool]
) -> FloatArray | None:
    """Return a day's part of the intervals on the nearest day that is a weekend day or not; None where none is covered.

    Parameters
    ----------
    moved : begins and ends [s since 1970], shape (2, m).
    """
    begin = datetime.fromtimestamp(float(moved[0, 0]), UTC).astimezone(zone)
    if (begin.weekday() >= SATURDAY) == is_weekend:
        return moved if is_covered(moved) else None
    for days in NEAREST:
        then = begin + timedelta(days=days)  # the same reading of the local clock
        at = moved + (then.timestamp() - begin.timestamp())
        if (then.weekday() >= SATURDAY) == is_weekend and is_covered(at):
            return at
    return None


def _days_back() -> list[int]:
    """Return how many days before now to look, in order: recent ones, then the same season of earlier years."""
    season = sorted(range(-SEASON, SEASON + 1), key=abs)
    return [*range(1, RECENT + 1), *(YEAR * years + days for years in range(1, MOST_YEARS + 1) for days in season)]


def _scaled(solar_kw: FloatArray, night: Night) -> FloatArray:
    """Return the solar of past days with the mean energy that is forecast, within bounds."""
    mean_kwh = float((solar_kw @ night.hours).mean())
    if mean_kwh <= 0:
        return solar_kw
    return solar_kw * float(np.clip(float(night.hours @ night.solar_kw) / mean_kwh, *SUN_SCALE))


def _means(series: Series, at: FloatArray) -> FloatArray:
    """Return the mean of a series over intervals, so that the energy is kept [kW].

    Parameters
    ----------
    at : begins and ends [s since 1970], within the series, shape (S, 2, n).

    Returns
    -------
    Shape (S, n).
    """
    edges, kwh = _counted_kwh(series)
    counted = np.interp(at, edges, kwh)
    return np.asarray(3600 * (counted[:, 1] - counted[:, 0]) / (at[:, 1] - at[:, 0]), dtype=np.float64)


@lru_cache(maxsize=8)
def _counted_kwh(series: Series) -> tuple[FloatArray, FloatArray]:
    """Return the instants between a series' intervals [s since 1970] and the energy counted by then [kWh]."""
    edges = np.append(series.start.as_unit("s").asi8, int(series.end.timestamp())).astype(np.float64)
    kwh = np.concatenate([[0.0], np.cumsum(series.kw * series.step_minutes / 60)])
    return edges, kwh
