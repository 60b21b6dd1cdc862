"""How much of what discharging can be worth a rolled period keeps, with perfect forecasts: against the whole at once.

python -m tests.benchmarks.look_ahead [DAYS] [CASE or LAW]...   (30 days, every case, the site's own law)

Each case is a free schedule. Its share is (only charging - plan) / (only charging - bound), all from the same state and
with the same worth of what is left; the bound holds for every policy, so that the share counts its own gap as missing.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import date, timedelta

from models.wear.laws import WEAR_LAWS
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.night import SCHEDULE
from scheduler.rolling.full_horizon import full_horizon
from scheduler.rolling.run import RolledRun, roll
from tests.builders.places import SCENARIOS

FIRST = date(2026, 1, 12)
CASES = {
    "bookbindery": ("bookbindery", "evening-feed-in"),
    "bookbindery, market": ("bookbindery", "market-hour"),
    "boatyard": ("boatyard", "noon-and-evening"),
    "boatyard, market": ("boatyard", "quarter-hours"),
    "veterinary": ("veterinary", "three-prices"),
    "veterinary, market": ("veterinary", "hour-by-hour"),
}


def case(name: str, law: str | None) -> Inputs:
    """Return the inputs of a case, by a wear law or the site's own."""
    site, offer = CASES[name]
    inputs = read_inputs(SCENARIOS / site, SCENARIOS / site / "offers" / f"{offer}.toml")
    wear = inputs.site.wear
    if law is not None:
        calendar = law if law in ("stress", "nmc") else None
        wear = replace(wear, law=law, calendar_law=calendar)
    return replace(inputs, site=replace(inputs.site, setting=SCHEDULE, wear=wear))


def show(name: str, law: str | None, days: int) -> None:
    """Print one case."""
    inputs, last = case(name, law), FIRST + timedelta(days=days - 1)
    soc, begin = inputs.site.car.ceiling_percent, time.process_time()
    whole = full_horizon(inputs, FIRST, last, soc)
    bounded = time.process_time() - begin
    totals = {}
    for policy in ("plan", "charge-only"):
        flows = roll(RolledRun(policy, inputs, FIRST, last, soc, "recorded", policy))  # type: ignore[arg-type]
        totals[policy] = whole.total(flows, inputs, FIRST, last)
    most = totals["charge-only"] - whole.bound
    rolled = time.process_time() - begin - bounded
    share, gap = (totals["charge-only"] - totals["plan"]) / most, whole.gap / most
    print(f"{name:20} {law or inputs.site.wear.law:7} {days:3} days: share {share:7.2%}, of which the bound's gap "
          f"{gap:6.2%}; worth {most:8.2f}; {bounded:.0f} s and {rolled:.0f} s of CPU", flush=True)  # fmt: skip


def main() -> None:
    """Print every case that is asked for."""
    asked = sys.argv[1:]
    days = int(asked.pop(0)) if asked and asked[0].isdigit() else 30
    laws = [each for each in asked if each in WEAR_LAWS] or [None]
    for name in [each for each in asked if each in CASES] or CASES:
        for law in laws:
            show(name, law, days)


if __name__ == "__main__":
    main()
