"""What a drive is assumed to take: the usual consumption, or what past drives took, by weather and pace."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, median

import numpy as np

from models.drive.factor import EXACT, OUTER, Factor, product
from models.drive.pace import CABIN_SHARES, Pace, pace_factor
from models.drive.weather import Weather, weather_factor

FEWEST_DRIVES = 8
"""So many drives say more than the site's figure."""
SHORTEST_KM = 5.0
"""A state of charge is shown in whole percent: a shorter drive says little about consumption."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What past drives took.

    Attributes
    ----------
    kwh_per_100km : their median [kWh per 100 km].
    spread : of single drives around it. drives : how many there were.
    """

    kwh_per_100km: float
    spread: Factor
    drives: int


def drive_factor(weather: Weather | None, pace: Pace, learned: Learned | None = None) -> Factor:
    """Return the factor of what a drive takes against the usual consumption.

    Parameters
    ----------
    weather : None where it is not known or mild.
    pace : how fast the drive is.
    learned : past drives that the usual consumption is the median of; their spread is the factor's as well.

    Examples
    --------
    >>> round(drive_factor(Weather(-5), "usual").middle, 2), round(drive_factor(Weather(-5), "fast").middle, 2)
    (1.45, 1.61)
    >>> drive_factor(None, "usual")
    Factor(middle=1.0, low=1.0, high=1.0)
    """
    of_weather = EXACT if weather is None else weather_factor(weather, CABIN_SHARES[pace] / pace_factor(pace).middle)
    return product(pace_factor(pace), of_weather, EXACT if learned is None else learned.spread)


def learned_from(distances_km: Sequence[float], used_kwh: Sequence[float]) -> Learned | None:
    """Return what past drives took; None if fewer than 8 of them were 5 km or longer and took anything.

    Parameters
    ----------
    distances_km : of each drive [km]. used_kwh : what it took from the battery [kWh].

    Examples
    --------
    >>> found = learned_from([50.0] * 9, [8.0, 8.5, 9.0, 9.5, 10.0, 10.5, 11.0, 12.0, 15.0])
    >>> found.kwh_per_100km, found.drives
    (20.0, 9)
    >>> learned_from([50.0] * 7, [8.0] * 7)
    """
    rates = [100 * kwh / km for km, kwh in zip(distances_km, used_kwh, strict=True) if km >= SHORTEST_KM and kwh > 0]
    if len(rates) < FEWEST_DRIVES:
        return None
    middle = median(rates)
    logs = np.log(np.array(rates) / middle)
    # of few drives the outermost are no tail: the width comes from the root of the mean square on each side
    z = NormalDist().inv_cdf(OUTER)
    down, up = (z * float(np.sqrt(np.mean(np.square(side)))) for side in (logs[logs <= 0], logs[logs >= 0]))
    return Learned(middle, Factor(1.0, float(np.exp(-down)), float(np.exp(up))), len(rates))


def extra_text(factor: Factor) -> str:
    """Return how much more than usual a drive takes: `45 % more than usual (25 to 75 % more)`.

    Examples
    --------
    >>> extra_text(Factor(1.45, 1.25, 1.75)), extra_text(Factor(0.85, 0.74, 1.0))
    ('45 % more than usual (25 to 75 % more)', '15 % less than usual (26 % less to 0 % more)')
    """
    low, middle, high = (round(100 * (value - 1)) for value in (factor.low, factor.middle, factor.high))
    most = f"{abs(high)} % {_more(high)}"
    spread = f"{abs(low)} to {most}" if _more(low) == _more(high) else f"{abs(low)} % {_more(low)} to {most}"
    return f"{abs(middle)} % {_more(middle)} than usual ({spread})"


def _more(percent: int) -> str:
    return "less" if percent < 0 else "more"
