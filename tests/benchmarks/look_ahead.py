"""How much of what discharging can be worth a rolled period keeps, with perfect forecasts: against the whole at once.

python -m tests.benchmarks.look_ahead [DAYS] [CASE or LAW]...   (30 days, every case, the site's own law)
python -m tests.benchmarks.look_ahead [DAYS] DIR [CASE or LAW]...   (the cases of open data, written into DIR)

"household" is that of tests/builders/published_household.py, hours of spring, export paid as import; "open year" that
of open_year: quarter hours of summer, market prices, export at 0.08.

Each case is a free schedule. Its share is (only charging - plan) / (only charging - bound), all from the same state and
with the same worth of what is left; the bound holds for every policy, so that the share counts its own gap as missing.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from models.wear.laws import WEAR_LAWS
from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.night import SCHEDULE
from scheduler.rolling.full_horizon import full_horizon
from scheduler.rolling.run import RolledRun, roll
from tests.benchmarks.open_year import write_site
from tests.builders.places import SCENARIOS
from tests.builders.published_household import write_published_household

FIRST = date(2026, 1, 12)
OPEN = {"household": date(2018, 3, 26), "open year": date(2018, 6, 4)}
"""Cases of open data and their first days; in winter there is nothing to gain in the open year."""
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
    return by_law(read_inputs(SCENARIOS / site, SCENARIOS / site / "offers" / f"{offer}.toml"), law)


def open_case(name: str, law: str | None, folder: Path) -> Inputs:
    """Return the inputs of a case of open data, written into a folder unless they are there."""
    if name == "open year":
        site = write_site(folder)
        return by_law(read_inputs(site, site / "market.toml"), law)
    site = folder / "household"
    if not site.exists():
        folder.mkdir(exist_ok=True)
        write_published_household(site)
    return by_law(read_inputs(site, site / "ratio-1.toml"), law)


def by_law(inputs: Inputs, law: str | None) -> Inputs:
    """Return the inputs of a free schedule by a wear law, calendar ageing by the same law where it has one."""
    wear = inputs.site.wear
    if law is not None:
        calendar = law if law in ("stress", "nmc") else None
        wear = replace(wear, law=law, calendar_law=calendar)
    return replace(inputs, site=replace(inputs.site, setting=SCHEDULE, wear=wear))


def show(name: str, inputs: Inputs, first: date, days: int) -> None:
    """Print one case."""
    last = first + timedelta(days=days - 1)
    soc, begin = inputs.site.car.ceiling_percent, time.process_time()
    whole = full_horizon(inputs, first, last, soc)
    bounded = time.process_time() - begin
    totals = {}
    for policy in ("plan", "charge-only"):
        flows = roll(RolledRun(policy, inputs, first, last, soc, "recorded", policy))
        totals[policy] = whole.total(flows, inputs, first, last)
    most = totals["charge-only"] - whole.bound
    rolled = time.process_time() - begin - bounded
    share, gap = (totals["charge-only"] - totals["plan"]) / most, whole.gap / most
    print(f"{name:20} {inputs.site.wear.law:7} {days:3} days: share {share:7.2%}, of which the bound's gap "
          f"{gap:6.2%}; worth {most:8.2f}; {bounded:.0f} s and {rolled:.0f} s of CPU", flush=True)  # fmt: skip


def main() -> None:
    """Print every case that is asked for."""
    asked = sys.argv[1:]
    days = int(asked.pop(0)) if asked and asked[0].isdigit() else 30
    laws: list[str | None] = [each for each in asked if each in WEAR_LAWS] or [None]
    folders = [Path(each) for each in asked if each not in (*WEAR_LAWS, *CASES, *OPEN)]
    for name in [each for each in asked if each in (*CASES, *OPEN)] or (OPEN if folders else CASES):
        for law in laws:
            if name in OPEN:
                show(name, open_case(name, law, folders[0]), OPEN[name], days)
            else:
                show(name, case(name, law), FIRST, days)


if __name__ == "__main__":
    main()
