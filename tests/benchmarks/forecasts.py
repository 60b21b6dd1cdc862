"""Forecasts of load and solar over held-out nights: what the next 24 hours bring, told at 18:00.

python -m tests.benchmarks.forecasts DIR [--learned]

Compares, on the household of open data (written into DIR) and on the demo sites, by hours: the present forecast, which
takes the last 28 days as equally likely (load by weekday and weekend); the same days with weights that halve every so
many days; like days given what today has shown (each past day is moved by the difference between today's last hours, or
today's same clock times, and its own; by fixed shares or by ridge regression); and, with --learned, linear quantile
regression of scikit-learn, fitted anew every four weeks on the twelve weeks before. scikit-learn is no dependency of
the project: install it beside it to run this.

The mean pinball loss is over the quantiles 0.05, 0.10 ... 0.95; the continuous ranked probability score (CRPS) is of
the samples themselves (of the quantiles, for regressions); both in W, least is best. The third column is the mean
absolute error of the point forecast, which is the mean of the samples.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.site.series import Series, recorded_means
from scheduler.inputs.series_file import read_series
from scheduler.inputs.site_file import read_site
from tests.benchmarks.open_year import write_site
from tests.builders.places import SCENARIOS

DEMOS = ("bookbindery", "boatyard", "veterinary")
EVENING_HOUR = 18
RECENT, LONGEST = 28, 56
QUANTILES = np.arange(0.05, 0.96, 0.05)
FIRST_NIGHT = 63
"""Nights before are only learned from: the regressions need more of them than the days do."""
REFIT_NIGHTS = 28
SATURDAY = 5


@dataclass(frozen=True, slots=True, eq=False)
class Nights:
    """A series cut at each evening.

    Attributes
    ----------
    before, after : hourly means of the 24 hours before and after each evening [kW], shape (nights, 24) each.
    weekend_before, weekend_after : whether each of these hours is on a weekend.
    by_weekend : whether weekdays and weekends are told apart.
    """

    before: FloatArray
    after: FloatArray
    weekend_before: BoolArray
    weekend_after: BoolArray
    by_weekend: bool

    def like(self, night: int, hour: int, days: int) -> FloatArray:
        """Numbers of the nights, over before this one begins, whose hour is on a day of the same kind."""
        past = np.arange(max(0, night - days), night)
        if not self.by_weekend:
            return past
        same = past[self.weekend_after[past, hour] == self.weekend_after[night, hour]]
        return same if len(same) else past


Sampler = Callable[[Nights, int], Iterator[tuple[FloatArray, FloatArray]]]
"""Gives, hour by hour of a night, samples [kW] and their weights."""


def cut(series: Series, timezone: str, by_weekend: bool) -> Nights:
    """A series at each local evening that has 24 hours on both sides."""
    first = series.start[0].tz_convert(timezone).normalize() + pd.Timedelta(days=2)
    last = series.end.tz_convert(timezone).normalize() - pd.Timedelta(days=2)
    evenings = pd.date_range(first, last, freq="D") + pd.Timedelta(hours=EVENING_HOUR)
    hours = pd.timedelta_range("-24h", "24h", freq="h")
    values, weekends = [], []
    for evening in evenings:
        boundaries = evening + hours
        values.append(recorded_means(series, pd.DatetimeIndex(boundaries.tz_convert("UTC"))))
        weekends.append(np.asarray(boundaries[:-1].day_of_week >= SATURDAY))
    kw, weekend = np.array(values), np.array(weekends)
    return Nights(kw[:, :24], kw[:, 24:], weekend[:, :24], weekend[:, 24:], by_weekend)


def days_alike(nights: Nights, night: int, half_life: float = np.inf, days: int = RECENT) -> Iterator[tuple]:
    """Past days of the kind, their weights halved every half_life days."""
    for hour in range(24):
        past = nights.like(night, hour, days)
        yield nights.after[past, hour], 0.5 ** ((night - 1 - past) / half_life)


def moved_by_the_evening(nights: Nights, night: int, last_hours: int, tau: float) -> Iterator[tuple]:
    """Past days, each moved by the difference of the last hours before the evening, which fades."""
    evening = nights.before[:, -last_hours:].mean(axis=1)
    for hour in range(24):
        past = nights.like(night, hour, RECENT)
        fading = np.exp(-(hour + 0.5) / tau)
        moved = nights.after[past, hour] + fading * (evening[night] - evening[past])
        yield np.maximum(0.0, moved), np.ones(len(past))


def moved_by_the_clock(nights: Nights, night: int, share: float) -> Iterator[tuple]:
    """Past days, each moved by a share of the difference at the same clock time a day before."""
    for hour in range(24):
        past = nights.like(night, hour, RECENT)
        same_kind = not nights.by_weekend or nights.weekend_before[night, hour] == nights.weekend_after[night, hour]
        difference = (nights.before[night, hour] - nights.before[past, hour]) if same_kind else 0.0
        yield np.maximum(0.0, nights.after[past, hour] + share * difference), np.ones(len(past))


def moved_by_regression(nights: Nights, night: int, half_life: float = np.inf, ridge: float = 5.0) -> Iterator[tuple]:
    """Past days, each moved by what ridge regression over past nights makes of today's differences."""
    signs = np.column_stack([nights.before[:, -3:].mean(axis=1), nights.before.mean(axis=1)])
    for hour in range(24):
        past = nights.like(night, hour, LONGEST)
        seen = np.column_stack([signs, nights.before[:, hour]])
        centre, spread = seen[past].mean(axis=0), seen[past].std(axis=0) + 1e-9
        x = (seen[past] - centre) / spread
        y = nights.after[past, hour] - nights.after[past, hour].mean()
        slope = np.linalg.solve(x.T @ x + ridge * np.eye(x.shape[1]), x.T @ y)
        recent = past[past >= night - RECENT]
        if not len(recent):
            recent = past
        moved = nights.after[recent, hour] + ((seen[night] - seen[recent]) / spread) @ slope
        yield np.maximum(0.0, moved), 0.5 ** ((night - 1 - recent) / half_life)


def weighted_quantiles(samples: FloatArray, weights: FloatArray) -> FloatArray:
    """Quantiles of weighted samples, interpolated between the middles of their weights."""
    order = np.argsort(samples)
    share = weights[order] / weights.sum()
    return np.interp(QUANTILES, np.cumsum(share) - share / 2, samples[order])


def pinball(quantiles: FloatArray, actual: float) -> float:
    """Mean pinball loss of the quantiles."""
    over = actual - quantiles
    return float(np.mean(np.maximum(QUANTILES * over, (QUANTILES - 1) * over)))


def crps(samples: FloatArray, weights: FloatArray, actual: float) -> float:
    """Continuous ranked probability score of weighted samples (Gneiting and Raftery, JASA 102, 2007, eq. 21)."""
    share = weights / weights.sum()
    apart = np.abs(samples[:, None] - samples[None, :])
    return float(share @ np.abs(samples - actual) - share @ apart @ share / 2)


def scores(nights: Nights, sampler: Sampler) -> tuple[FloatArray, float]:
    """Mean pinball loss, CRPS and absolute error of the point forecast [kW], and time a night [ms]."""
    found, began = [], time.perf_counter()
    forecasts = [list(sampler(nights, night)) for night in range(FIRST_NIGHT, len(nights.after))]
    taken = (time.perf_counter() - began) / len(forecasts)
    for night, hours in enumerate(forecasts, FIRST_NIGHT):
        for hour, (samples, weights) in enumerate(hours):
            actual = float(nights.after[night, hour])
            mean = float(np.average(samples, weights=weights))
            found.append(
                [
                    pinball(weighted_quantiles(samples, weights), actual),
                    crps(samples, weights, actual),
                    abs(mean - actual),
                ]
            )
    return np.mean(found, axis=0), 1000 * taken


def learned(nights: Nights) -> Sampler:
    """A sampler that gives the quantiles which scikit-learn's regression has learned from the nights before."""
    from sklearn.linear_model import QuantileRegressor

    def features(night: int) -> FloatArray:
        rows = []
        for hour in range(24):
            past = nights.like(night, hour, RECENT)
            typical = nights.after[past, hour].mean()
            week_ago = nights.after[max(0, night - 7), hour]
            evening = nights.before[night, -3:].mean() - nights.before[past, -3:].mean()
            day = nights.before[night].mean() - nights.before[past].mean()
            same_clock = nights.before[night, hour]
            fading = np.exp(-(hour + 0.5) / 3)
            kind_of_day = float(nights.weekend_after[night, hour])
            spread = nights.after[past, hour].std()
            rows.append([typical, spread, same_clock, week_ago, evening * fading, evening, day, kind_of_day, hour])
        return np.array(rows)

    every = {night: features(night) for night in range(1, len(nights.after))}
    fitted: dict[int, list] = {}

    def fit(night: int) -> list:
        past = range(max(7, night - 84), night)
        x, y = np.vstack([every[each] for each in past]), np.concatenate([nights.after[each] for each in past])
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return [QuantileRegressor(quantile=each, alpha=1e-4, solver="highs").fit(x, y) for each in QUANTILES]

    def sampler(_: Nights, night: int) -> Iterator[tuple]:
        since = FIRST_NIGHT + (night - FIRST_NIGHT) // REFIT_NIGHTS * REFIT_NIGHTS
        if since not in fitted:
            fitted[since] = fit(since)
        found = np.sort(np.maximum(0.0, [each.predict(every[night]) for each in fitted[since]]), axis=0)
        for hour in range(24):
            yield found[:, hour], np.ones(len(QUANTILES))

    return sampler


def samplers(nights: Nights, with_learned: bool) -> dict[str, Sampler]:
    """What is compared, the present forecast first."""
    found: dict[str, Sampler] = {"28 days": days_alike}
    for half_life in (3, 5, 7, 10, 14):
        found[f"weights halved in {half_life} days"] = partial(days_alike, half_life=half_life)
    found["the same, of 56 days in 7"] = partial(days_alike, half_life=7, days=LONGEST)
    found["all 56 days"] = partial(days_alike, days=LONGEST)
    for last_hours, tau in ((1, 1.5), (3, 1.5), (3, 3), (3, 6), (6, 12)):
        found[f"moved by the last {last_hours} h, fading in {tau} h"] = partial(
            moved_by_the_evening, last_hours=last_hours, tau=tau
        )
    for share in (0.1, 0.25, 0.5):
        found[f"moved by {share} of the same clock time"] = partial(moved_by_the_clock, share=share)
    found["moved by ridge regression"] = moved_by_regression
    found["both, weights halved in 7 days"] = partial(moved_by_regression, half_life=7)
    if with_learned:
        found["linear quantile regression"] = learned(nights)
    return found


def main(folder: Path, with_learned: bool) -> None:
    """Print a table for each series."""
    for place in (write_site(folder), *(SCENARIOS / name for name in DEMOS)):
        site = read_site(place)
        for name, file in (("load", site.load_file), ("solar", site.solar_file)):
            if file is None:
                continue
            nights = cut(read_series(file), site.timezone, by_weekend=name == "load")
            held_out = len(nights.after) - FIRST_NIGHT
            print(f"\n{place.name}, {name}, {held_out} nights: pinball, CRPS, error [W]; ms a night")
            base = None
            for what, sampler in samplers(nights, with_learned).items():
                found, taken = scores(nights, sampler)
                base = found if base is None else base
                change = 100 * (found / base - 1)
                print(
                    f"| {what} | "
                    + " | ".join(f"{1000 * each:.1f} ({by:+.1f} %)" for each, by in zip(found, change, strict=True))
                    + f" | {taken:.1f} |",
                    flush=True,
                )


if __name__ == "__main__":
    main(Path(sys.argv[1]), "--learned" in sys.argv[2:])
