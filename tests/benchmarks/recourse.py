"""How much of what could be gained is lost: nights planned on a forecast, against the same with perfect foresight.

python -m tests.benchmarks.recourse bookbindery [FIRST LAST]       the demo site, offer by offer
python -m tests.benchmarks.recourse SITE OFFER... FIRST LAST       a site's folder and files of offers inside it
python -m tests.benchmarks.recourse DIR open FIRST LAST            the household of open data, written into DIR

Each night is rolled as it really went. It is then planned again from the same state with all that came known, and only
charged, once with all known and once on the same forecast as the plan. All are counted on that night with the value of
stored energy that was forecast. The share is what carrying out the plan gained over only charging, of what could be
gained. Against only charging with all known, a plan also loses what charging on a forecast loses (the sun that did not
come); against only charging on the same forecast, as an owner would, both sides know the same.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.night import Night
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.solve import solve
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.dispatch import follow_plan
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import replay, verify
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

    `gained` and `could` are what the nights as carried out, and those with perfect foresight, save over only charging
    with perfect foresight. `regret` is what only charging on the forecast costs more than that.
    """

    nights: int = 0
    departures: int = 0
    short: int = 0
    deepest_kwh: float = 0.0
    gained: float = 0.0
    could: float = 0.0
    regret: float = 0.0

    @property
    def fair_share(self) -> float:
        """Return the share against only charging on the same forecast [-]."""
        return (self.gained + self.regret) / (self.could + self.regret)

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
        self.regret += only_on_forecast(night, real) - only.costs.total

    def add_sums(self, other: Sums) -> None:
        """Add the money of other nights."""
        self.gained, self.could = self.gained + other.gained, self.could + other.could
        self.regret += other.regret


def only_on_forecast(night: RolledNight, real: Night) -> float:
    """Return what the night costs if the car is only charged, by a plan on the same forecast [money]."""
    planned = night.planned
    answer = solve(planned, may_discharge=False)
    found = find_blocks(planned, answer.setpoints) if answer.blocks is None else answer.blocks
    blocks = with_recourse(planned, answer.setpoints, verify(planned, answer), found, may_discharge=False)
    return replay(real, follow_plan(real, planned, answer.setpoints, blocks)).costs.total


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
                f"share {sums.gained / sums.could:.3f}, against only charging on the forecast {sums.fair_share:.3f}",
                flush=True,
            )


if __name__ == "__main__":
    site, *offers, first, last = sys.argv[1:]
    main(Path(site), offers, date.fromisoformat(first), date.fromisoformat(last))
