"""How much of what could be gained is lost: nights planned on a forecast, against the same with perfect foresight.

python -m tests.benchmarks.recourse bookbindery [FIRST LAST]       the demo site, offer by offer
python -m tests.benchmarks.recourse SITE OFFER... FIRST LAST       a site's folder and files of offers inside it
python -m tests.benchmarks.recourse DIR open FIRST LAST            the household of open data, written into DIR

Each night is rolled as it really went. It is then planned again from the same state with all that came known, with and
without discharging, and all three are counted on that night with the value of stored energy that was forecast. The
share is what carrying out the plan gained over only charging, of what could be gained.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from scheduler.inputs.site_inputs import read_inputs
from scheduler.optimizer.solve import solve
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.replay import replay
from scheduler.rolling.simulate import RolledNight, rolled_nights
from tests.benchmarks.open_year import write_site
from tests.builders.places import SCENARIOS

NIGHT = """format = 1
name = "Day and night"
currency = "EUR"
daily_fee = 0.35
[[import]]
price_per_kwh = 0.36
[[import]]
price_per_kwh = 0.15
from = "23:00"
to = "07:00"
[[export]]
price_per_kwh = 0.08
"""
NOON = """format = 1
name = "Cheap noon"
currency = "EUR"
daily_fee = 0.35
[[import]]
price_per_kwh = 0.36
[[import]]
price_per_kwh = 0.16
from = "11:00"
to = "15:00"
[[import]]
price_per_kwh = 0.27
from = "23:00"
to = "06:00"
[[export]]
price_per_kwh = 0.06
"""
"""Offers with prices as they are usual in Germany (from memory), beside the market's."""


@dataclass(slots=True)
class Sums:
    """Sums over nights: departures and how many were short [-], depth of the worst [kWh], and money [money].

    `gained` and `could` are what the nights as carried out, and those with perfect foresight, save over only charging.
    """

    nights: int = 0
    departures: int = 0
    short: int = 0
    deepest_kwh: float = 0.0
    gained: float = 0.0
    could: float = 0.0

    def add(self, night: RolledNight) -> None:
        """Add a night."""
        planned = night.planned
        real = replace(night.real, stored_energy=planned.stored_energy, segment_value=planned.segment_value)
        done = replay(real, night.setpoints)
        known, only = (replay(real, solve(real, may_discharge=may).setpoints) for may in (True, False))
        best = min(known.costs.total, only.costs.total)
        self.nights += 1
        self.departures += len(real.trips)
        self.short += int((done.missing_kwh >= MISSED_KWH).sum())
        self.deepest_kwh = max(self.deepest_kwh, float(done.missing_kwh.max(initial=0.0)))
        self.gained += only.costs.total - done.costs.total
        self.could += only.costs.total - best


def measure(site: Path, offer: Path, first: date, last: date, follow_surplus: bool) -> Sums:
    """Return the sums of the nights of the days under an offer."""
    inputs = read_inputs(site, offer)
    if follow_surplus:
        charger = replace(inputs.site.charger, can_follow_surplus=True)
        inputs = replace(inputs, site=replace(inputs.site, charger=charger))
    sums = Sums()
    for night in rolled_nights(inputs, first, last, 80.0):
        sums.add(night)
    return sums


def main(site: Path, offers: list[str], first: date, last: date) -> None:
    """Measure each offer, and print a line for each."""
    if site == Path("bookbindery"):
        site, offers = SCENARIOS / "bookbindery", ["evening-feed-in", "day-and-night"]
        offers = [f"offers/{name}.toml" for name in offers]
    elif offers == ["open"]:
        site = write_site(site)
        for name, text in (("night", NIGHT), ("noon", NOON)):
            (site / f"{name}.toml").write_text(text)
        offers = ["night.toml", "noon.toml", "market.toml"]
    for offer in offers:
        for follow_surplus in (False, True):
            sums = measure(site, site / offer, first, last, follow_surplus)
            surplus = ", takes the surplus" if follow_surplus else ""
            print(
                f"{offer}{surplus}: {sums.nights} nights, {sums.short} of {sums.departures} departures short (by up to "
                f"{sums.deepest_kwh:.2f} kWh), gained {sums.gained:.2f} of {sums.could:.2f}, "
                f"share {sums.gained / sums.could:.3f}",
                flush=True,
            )


if __name__ == "__main__":
    site, *offers, first, last = sys.argv[1:]
    main(Path(site), offers, date.fromisoformat(first), date.fromisoformat(last))
