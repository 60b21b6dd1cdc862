"""A year at one minute, counted and priced by all laws, against the bare counting of the same trace.

python -m tests.benchmarks.wear
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import rainflow

from models.wear.counted import counted_wear
from models.wear.law import LawSettings
from models.wear.laws import WEAR_LAWS, wear_law
from models.wear.soc_trace import SocTrace
from tests.benchmarks.ratios import compare

ROWS = 525_600
RUNS = 7
AIM = 10


def a_year(noise: float) -> SocTrace:
    """Return a year that falls every evening and rises every night, with noise of this spread [share of capacity]."""
    random = np.random.default_rng(3)
    minutes = np.arange(ROWS)
    daily = 0.55 + 0.25 * np.cos(2 * np.pi * minutes / 1440) + noise * random.normal(size=ROWS)
    seconds = 1_767_225_600 + 60 * minutes
    instants = pd.DatetimeIndex(seconds.astype(np.int64).view("datetime64[s]"), tz="UTC")
    temp_degc = 12 - 9 * np.cos(2 * np.pi * minutes / ROWS)
    return SocTrace(instants, np.clip(daily, 0, 1), temp_degc)


def main() -> None:
    """Print the ratio for a smooth trace and for one that turns at nearly every row."""
    laws = [wear_law(name, LawSettings()) for name in WEAR_LAWS]
    for name, noise in (("a smooth year", 0.0), ("a noisy year", 0.002)):
        trace = a_year(noise)
        levels = trace.soc.tolist()

        def ours(trace: SocTrace = trace) -> object:
            return counted_wear(trace, laws, 6000.0)

        def bare(levels: list[float] = levels) -> object:
            return list(rainflow.extract_cycles(levels))

        compare(f"{name} at one minute, all laws", ours, bare, RUNS, AIM)


if __name__ == "__main__":
    main()
