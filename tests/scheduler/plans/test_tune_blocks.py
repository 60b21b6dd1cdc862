"""Changes to a plan's blocks for past days: by pencil and paper, against brute force, and what must never happen."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import numpy as np
import pytest

from models.base.arrays import FloatArray
from scheduler.nights.night import Night
from scheduler.nights.sampled_days import SampledDays
from scheduler.optimizer.block import Block
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.solve import solve
from scheduler.plans.dispatch import follow_settings, settings_of, settings_of_blocks
from scheduler.plans.recourse import with_recourse
from scheduler.plans.replay import replay, verify
from scheduler.plans.tune_blocks import MOST_MORE_SETTINGS, as_planned, scored, settings_count, tuned
from tests.builders.nights import Drive, flat_night, plain_charger
from tests.builders.random_nights import random_night


def days_of(load_kw: FloatArray, solar_kw: FloatArray, most_load_kw: float = 5.0) -> SampledDays:
    """Samples from their loads and their sun."""
    days = tuple(date(2026, 2, 27) - timedelta(days=at) for at in range(len(load_kw)))
    return SampledDays(days, load_kw, solar_kw, most_load_kw)


def sampled_around(night: Night, random: np.random.Generator, count: int = 16) -> SampledDays:
    """Days on which load and sun are up to twice or half of the forecast, each hour by itself."""
    shape = (count, night.intervals)
    load, solar = (each * 2 ** random.uniform(-1, 1, shape) for each in (night.load_kw, night.solar_kw))
    return days_of(load, solar, 3 * float(night.load_kw.max()))


def planned(night: Night) -> tuple[Block, ...]:
    """The blocks of the night's own plan."""
    answer = solve(night)
    expected = verify(night, answer)
    return with_recourse(night, answer.setpoints, expected, find_blocks(night, answer.setpoints))


def mean_by_replay(night: Night, blocks: tuple[Block, ...], days: SampledDays) -> float:
    """The mean total of blocks over days, each replayed by itself [money]."""
    reals = [days.night(night, number) for number in range(len(days))]
    return float(np.mean([replay(r, follow_settings(r, settings_of_blocks(night, blocks))).costs.total for r in reals]))


def sun_or_not() -> tuple[Night, SampledDays]:
    """Two cheap hours before two in which 4 kW of sun come on every other day; 10 kWh of room in the battery.

    A kWh is bought at 0.16, is worth 0.20 in the battery and earns nothing at the meter.
    """
    night = flat_night(
        4,
        load_kw=0.0,
        solar_kw=[0, 0, 2, 2],
        import_price=[0.16, 0.16, 0.36, 0.36],
        export_price=0.0,
        stored_energy_price=0.20,
        soc_percent=60.0,
        wear_price_per_kwh=0.0,
        charger=plain_charger(can_follow_surplus=True),
    )
    sun = np.tile([[0, 0, 4.0, 4.0], [0, 0, 0, 0]], (10, 1))
    return night, days_of(np.zeros((20, 4)), sun)


def test_what_is_bought_leaves_room_for_the_sun_that_may_come() -> None:
    """With all 10 kWh bought, each day gains 10 x 0.04 = 0.40. With 2 bought, a sunny day gains 0.08 + 8 x 0.20.

    That is 1.68 and 0.08, 0.88 on average, less what the charger's second start counts for on a sunny day. No other
    whole state of charge does better, tried one by one.
    """
    night, days = sun_or_not()
    everything = (Block(0, 2, "charge", 5.0, 5000 / 230), Block(2, 4, "surplus", 7.0, 7000 / 230))
    found = tuned(night, everything, days, 0.005)
    bought = follow_settings(night, settings_of_blocks(night, found)).charge_kw[:2].sum()
    assert bought == pytest.approx(2.0, abs=0.75)

    def until(percent: float) -> float:
        return mean_by_replay(night, (replace(everything[0], kw=7.0, until_percent=percent), everything[1]), days)

    best = min(until(float(percent)) for percent in range(61, 81))
    assert until(64.0) == pytest.approx(best)
    assert mean_by_replay(night, found, days) <= best + 0.02
    assert mean_by_replay(night, everything, days) - best == pytest.approx(0.48, abs=0.04)


def test_a_block_that_does_not_pay_is_left_out() -> None:
    """The forecast draw of 2 kW at 0.36 never comes: at the least power 1 kWh an hour would be given away."""
    night = flat_night(4, load_kw=2.0, import_price=0.36, export_price=0.0, stored_energy_price=0.20)
    days = days_of(np.full((20, 4), 0.05), np.zeros((20, 4)))
    covers = (Block(0, 4, "cover", 7.0, 7000 / 230, from_kw=0.0),)
    assert tuned(night, covers, days, 0.005) == ()


def test_days_that_are_all_as_forecast_change_nothing_that_is_best() -> None:
    """The plan of the plain night with a cheap hour, on twenty days like it."""
    night = flat_night(8, import_price=[0.40] * 4 + [0.10] * 4, stored_energy_price=0.15)
    days = days_of(np.tile(night.load_kw, (20, 1)), np.tile(night.solar_kw, (20, 1)))
    own = planned(night)
    found = tuned(night, own, days, 0.005)
    assert mean_by_replay(night, found, days) == pytest.approx(mean_by_replay(night, own, days))


def brute_force_sets(night: Night) -> Iterator[tuple[Block, ...]]:
    """Every way to give each of the intervals one action at full power, without ends."""
    charger = night.charger
    kw = {"cover": charger.discharge_max_kw, "charge": charger.charge_max_kw, "surplus": charger.charge_max_kw}
    for actions in product((None, *kw), repeat=night.intervals):
        yield tuple(
            Block(at, at + 1, action, kw[action], charger.amps(kw[action]))  # type: ignore[arg-type]
            for at, action in enumerate(actions)
            if action is not None
        )


@pytest.mark.parametrize("seed", range(8))
def test_against_all_ways_to_set_four_hours(seed: int) -> None:
    """Four hours, 6 days, 256 ways: what is found costs no more than the best of them, but for a change's least worth.

    It may cost less, since its blocks may end at a state of charge.
    """
    random = np.random.default_rng([seed, 16])
    night = flat_night(
        4,
        load_kw=random.uniform(0, 3, 4),
        solar_kw=random.uniform(0, 4, 4) * (random.random(4) < 0.5),
        import_price=random.choice([0.16, 0.27, 0.36], 4),
        export_price=0.06,
        stored_energy_price=float(random.uniform(0.15, 0.3)),
        soc_percent=float(random.uniform(30, 75)),
        charger=plain_charger(can_follow_surplus=True),
    )
    days = sampled_around(night, random, 6)
    found = mean_by_replay(night, tuned(night, planned(night), days, 0.005), days)
    best = min(mean_by_replay(night, blocks, days) for blocks in brute_force_sets(night))
    assert found <= best + 0.3 * night.highest_price


@pytest.mark.parametrize("seed", range(12))
def test_no_change_makes_a_departure_less_safe_or_the_days_dearer(seed: int) -> None:
    """On random nights: the mean is no more, no departure is shorter under the highest draw, few settings are added."""
    random, night = np.random.default_rng([seed, 17]), random_night(seed)
    days, own = sampled_around(night, random), planned(night)
    found = tuned(night, own, days, 0.005)
    before, after = scored(night, [own], days), scored(night, [found], days)
    assert mean_by_replay(night, found, days) <= mean_by_replay(night, own, days) + 1e-9
    assert (after.worst_kwh <= before.worst_kwh + 0.005 + 1e-9).all()
    assert after.short[0] <= max(0.005, before.short[0])
    assert settings_count(night, found) <= settings_count(night, own) + MOST_MORE_SETTINGS
    both = [(each.stop_percent, each.until_percent) for each in found if each not in own]
    assert all(stop < until for stop, until in both if stop is not None and until is not None)


def test_no_change_counts_on_somebody_who_looks() -> None:
    """Before a drive that needs all but 2 kWh: a stop keeps it safe, and is needed no more than before."""
    night = flat_night(load_kw=1.0, import_price=0.5, trips=[Drive(depart=6, comeback=8, distance_km=65)])
    days = days_of(np.full((20, 8), 1.0), np.zeros((20, 8)))

    def unwatched(blocks: tuple[Block, ...]) -> float:
        return float(scored(night, [tuple(replace(block, stop_percent=None) for block in blocks)], days).short[0])

    own = (Block(0, 1, "cover", 7.0, 7000 / 230, stop_percent=46.0),)
    assert unwatched(own) == 0
    found = tuned(night, own, days, 0.005)
    assert unwatched(found) == 0
    looks = replace(night, charger=plain_charger(can_stop_at_percent=True))
    assert mean_by_replay(looks, tuned(looks, own, days, 0.005), days) <= mean_by_replay(night, found, days)


@pytest.mark.parametrize("seed", range(20))
def test_as_planned_the_charger_runs_for_whole_intervals(seed: int) -> None:
    """What its blocks do by the forecast, at powers that the charger has, and the battery ends up nearly the same."""
    random, night = np.random.default_rng([seed, 18]), random_night(seed)
    own = planned(night)
    blocks = tuned(night, own, sampled_around(night, random), 0.005)
    setpoints, told = as_planned(night, blocks)
    assert set(np.unique([setpoints.charge_share, setpoints.discharge_share])) <= {0.0, 1.0}
    done = replay(night, setpoints)
    partly = follow_settings(night, settings_of_blocks(night, blocks))
    least = max(night.charger.charge_min_kw, night.charger.discharge_min_kw) * float(night.hours.max())
    assert done.stored_kwh == pytest.approx(replay(night, partly).stored_kwh, abs=2 * least + 1e-6)
    again = settings_of(night, night, setpoints, told)
    assert replay(night, follow_settings(night, again)).stored_kwh == pytest.approx(replay(night, partly).stored_kwh)


def test_a_block_that_ends_within_an_hour_is_planned_at_its_mean_power() -> None:
    """From 50 % until 60 %, 5 kWh at 4 kW take 75 minutes: 4 kW, then 1 kW. At 60.5 % 1.25 kW; at 59 % 0.5 kW.

    Half a kilowatt is less than the least power: 4.5 kWh are 2.25 kW over both hours. Where the next hour has none to
    share with, it is left out.
    """
    night = flat_night(4)

    def powers(until: float, first: int = 0) -> list[float]:
        block = Block(first, 4, "charge", 4.0, 4000 / 230, until_percent=until)
        return [round(kw, 6) for kw in as_planned(night, (block,))[0].charge_kw.tolist()]

    assert powers(60.0) == [4.0, 1.0, 0.0, 0.0]
    assert powers(60.5) == [4.0, 1.25, 0.0, 0.0]
    assert powers(59.0) == [2.25, 2.25, 0.0, 0.0]
    assert powers(51.0) == [0.0, 0.0, 0.0, 0.0]


def test_where_the_ceiling_ends_a_block_it_is_told() -> None:
    """At 7 kW the 15 kWh until 80 % take two hours and a bit: the charger is set until 80 %, whatever comes."""
    night = flat_night(4)
    _, (block,) = as_planned(night, (Block(0, 4, "charge", 7.0, 7000 / 230),))
    assert block.until_percent == pytest.approx(80.0)
