"""How often a departure is short where a chance was told, on open data: eight pairs of household and offer.

python -m tests.benchmarks.chances DIR FIRST LAST [typical]

Writes four sites into DIR: households and a shop of simbench (ODbL), each with its own roof, laid over 2018, at hourly
steps, under two offers each: Ontario's overnight prices (see `published_years`), and cheap hours at noon or at night as
they are usual in Germany (from memory). The charger can follow the sun. The days from FIRST to LAST of 2018 are rolled,
each night planned on past days like it, or on the typical day. Of each departure the chance told that evening stands
against what came, with the stops of the plan, and as it would have been had nobody looked at the car; the 95 % range is
that of the binomial distribution with the mean chance told. The money is as in `recourse`.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.stats import binom

from scheduler.inputs.site_inputs import Inputs, read_inputs
from scheduler.nights.request import Request
from scheduler.nights.sampled_days import sampled_days
from scheduler.plans.departures import MISSED_KWH
from scheduler.plans.dispatch import follow_settings, settings_of
from scheduler.plans.outlook import trip_chances
from scheduler.plans.replay import replay
from scheduler.rolling.simulate import RolledNight, rolled_nights
from tests.benchmarks.open_year import open_data
from tests.benchmarks.published_years import ONTARIO
from tests.benchmarks.recourse import NIGHT, NOON, Sums
from tests.builders.open_year import SITE, write_open_site

PLACES = (("H0-A", "PV1", 6.0, 6.0), ("H0-B", "PV3", 6.0, 5.0), ("H0-G", "PV5", 6.0, 4.0), ("G1-A", "PV7", 4.0, 8.0))
"""Profiles of load and roof, and the peak of each [kW]."""
CHANGES = (
    ("step_minutes = 15", "step_minutes = 60"),
    ("discharge_min_kw = 1.2", "discharge_min_kw = 0.6"),
    ("phases = 3", "phases = 3\ncan_follow_surplus = true"),
)
ONTARIO_HEAD = 'format = 1\nname = "Overnight"\ncurrency = "CAD"\ndaily_fee = 0\n[[export]]\nprice_per_kwh = 0.02\n'
BINS = (0.0, 0.005, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
"""Edges of the chances told that stand together [-]."""


def main(folder: Path, first: date, last: date, forecast: str = "samples") -> None:
    """Roll every pair, print its money, and then the chances told against what came."""
    told: list[tuple[float, bool]] = []
    unwatched: list[tuple[float, bool]] = []
    every = Sums()
    for number, place in enumerate(PLACES):
        site = write_place(folder, *place)
        for offer in ("ontario.toml", "noon.toml" if number % 2 else "night.toml"):
            inputs, sums = read_inputs(site, site / offer), Sums()
            for night in list(rolled_nights(inputs, first, last, 80.0, forecast))[1:-1]:  # type: ignore[arg-type]
                sums.add(night)
                _compare(inputs, night, told, unwatched)
            share = f"{sums.gained:.2f} of {sums.could:.2f}, share {sums.gained / sums.could:.3f}, "
            share += f"against only charging on the forecast {sums.fair_share:.3f}"
            every.add_sums(sums)
            print(
                f"{place[0]} {offer}: {sums.nights} nights, {sums.short} of {sums.departures} short, {share}",
                flush=True,
            )
    print(f"all: {every.gained:.2f} of {every.could:.2f}, {every.gained / every.could:.3f}, {every.fair_share:.3f}")
    for name, pairs in (("as planned", told), ("if nobody looks", unwatched)):
        print(f"\n{name}: {len(pairs)} departures")
        print_bins(pairs)


def write_place(folder: Path, load: str, roof: str, load_kw: float, roof_kw: float) -> Path:
    """Write a site with its offers into DIR, unless it is there, and return its folder."""
    site = folder / load
    if (site / "ontario.toml").exists():
        return site
    write_open_site(site, *open_data(load, roof), peaks_kw=(load_kw, roof_kw))
    text = SITE
    for old, new in CHANGES:
        assert old in text
        text = text.replace(old, new)
    (site / "site.toml").write_text(text)
    (site / "night.toml").write_text(NIGHT)
    (site / "noon.toml").write_text(NOON)
    bands = "".join(f"[[import]]\nprice_per_kwh = {price}\n{when}\n" for price, when in ONTARIO)
    (site / "ontario.toml").write_text(ONTARIO_HEAD + bands)
    return site


def _compare(
    inputs: Inputs, night: RolledNight, told: list[tuple[float, bool]], unwatched: list[tuple[float, bool]]
) -> None:
    """Add what was told of each departure that came as planned, and whether it was short."""
    planned, answer, real = night.planned, night.answer, night.real
    if answer is None or night.expected is None or night.replans:
        return
    blocks = night.blocks
    days = sampled_days(inputs, Request(planned.boundaries[0].to_pydatetime(), 0.0), planned)
    without_stops = tuple(replace(block, stop_percent=None) for block in blocks)
    for which, settings, pairs in (
        (blocks, settings_of(real, planned, answer.setpoints, blocks), told),
        (without_stops, settings_of(real, planned, answer.setpoints, without_stops), unwatched),
    ):
        if which is without_stops and which == blocks:
            continue
        chances = trip_chances(planned, answer.setpoints, which, days)
        by_trip = {trip.trip: chance for trip, chance in zip(planned.trips, chances, strict=bool(chances))}
        done = replay(real, follow_settings(real, settings))
        pairs += [
            (by_trip[trip.trip].chance, bool(done.missing_kwh[number] >= MISSED_KWH))
            for number, trip in enumerate(real.trips)
            if trip.trip in by_trip
        ]


def print_bins(pairs: list[tuple[float, bool]]) -> None:
    """Print how many departures were short where a chance between two edges was told, and how many may be."""
    chance, short = np.array([each[0] for each in pairs]), np.array([each[1] for each in pairs])
    for low, high in pairwise(BINS):
        inside = (chance >= low) & (chance < high)
        if inside.any():
            count, mean = int(inside.sum()), float(chance[inside].mean())
            least, most = binom.interval(0.95, count, mean)
            print(
                f"told {100 * low:g} to {100 * high:g} %: {count} departures, {int(short[inside].sum())} short, "
                f"expected {count * mean:.1f}, {least:.0f} to {most:.0f} in 95 %"
            )


if __name__ == "__main__":
    folder, first, last, *kind = sys.argv[1:]
    main(Path(folder), date.fromisoformat(first), date.fromisoformat(last), *kind)
