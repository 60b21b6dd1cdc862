"""Plans that a person sets: few blocks, one power each, or one whole current each.

Checked against every plan there is on small nights: blocks by length and action, currents one amp after the other,
each costed by replay.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from scheduler.inputs.control_mode import WAKING_HOURS, Setting
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.manual_blocks import broken_setting, setpoints_of
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import PlanRefused, verify, verify_constraints
from tests.builders.nights import Drive, flat_night, plain_car, plain_charger
from tests.builders.random_nights import random_night

TOLERANCE_KWH = 0.020


def small(discharge_to: str, seed: int, setting: Setting, hours: int = 5) -> Night:
    """A few hours of changing prices and draws, with a drive in the last; powers of at most 7 A."""
    random = np.random.default_rng(seed)
    return replace(
        flat_night(
            hours,
            soc_percent=float(random.integers(30, 80)),
            load_kw=random.uniform(0.2, 2.0, hours).round(2).tolist(),
            solar_kw=(random.uniform(0, 2.0, hours) * (random.random(hours) < 0.3)).round(2).tolist(),
            import_price=random.choice([0.1, 0.2, 0.4], hours).tolist(),
            export_price=random.choice([0.02, 0.25], hours).tolist(),
            car=plain_car(battery_kwh=10.0, trip_margin_percent=0),
            charger=plain_charger(
                charge_min_kw=0.4,
                discharge_min_kw=0.4,
                charge_max_kw=1.4,
                discharge_max_kw=1.4,
                volts=200.0,
                fixed_loss_kw=0.02,
                charge_efficiency_percent=90,
                discharge_efficiency_percent=90,
                discharge_to=discharge_to,
            ),
            trips=[Drive(depart=hours - 1, comeback=hours, distance_km=15, ready=hours - 2)],
        ),
        setting=setting,
    )


AMPS = tuple(0.2 * amps for amps in range(2, 8))
"""Whole currents at 200 V on one phase, from the least to the most power [kW]."""


def every_plan(night: Night, powers_kw: Sequence[float]) -> Iterator[tuple[Block, ...]]:
    """Every set of blocks that the setting allows at these powers."""
    covers = night.charger.discharge_to == "building"
    least = max(1, night.setting.min_block_minutes // 60)
    home = int(np.flatnonzero(night.at_home)[-1]) + 1

    def from_interval(first: int, left: int) -> Iterator[tuple[Block, ...]]:
        yield ()
        if left == 0:
            return
        for begin in range(first, home):
            for end in range(begin + 1, home + 1):
                if end - begin < least and end != night.intervals:  # a plan may end inside a block
                    continue
                for action, kw in product(("charge", "cover" if covers else "discharge"), powers_kw):
                    block = Block(begin, end, action, kw, 5 * kw)  # type: ignore[arg-type]
                    for rest in from_interval(end, left - 1):
                        yield (block, *rest)

    return from_interval(0, night.setting.max_blocks)


def times_at_the_charger(night: Night, blocks: tuple[Block, ...], stored_kwh: Sequence[float]) -> list[int]:
    """Boundaries at which somebody stands at the charger, counted hour by hour: what is set there differs from before,
    and the charger does not stop by itself within one percent of floor or ceiling, nor because the car drives off."""
    is_set: list[Block | None] = [None] * night.intervals
    for block in blocks:
        is_set[block.first : block.last] = [block] * (block.last - block.first)
    found = []
    margin = night.car.battery_kwh / 100
    for boundary in range(night.intervals):
        before, now = (is_set[boundary - 1] if boundary else None), is_set[boundary]
        if now is before or (now is None and not night.at_home[boundary]):
            continue
        if now is None and before is not None:
            stored = stored_kwh[boundary]
            at_ceiling = stored >= float(night.ceiling_kwh[boundary]) - margin - 1e-6
            at_floor = stored <= night.car.floor_kwh + margin + 1e-6
            if night.charger.can_stop_at_percent or (at_ceiling if before.action == "charge" else at_floor):
                continue
        found.append(boundary)
    return found


def is_asleep(night: Night, boundary: int) -> bool:
    """Whether a boundary lies outside the hours, which in these tests do not pass midnight, and nobody comes home."""
    setting = night.setting
    if setting.between is None or setting.timer or boundary == 0:
        return False
    if night.at_home[boundary] and not night.at_home[boundary - 1]:
        return False
    clock = night.boundaries[boundary].tz_convert(night.timezone)
    return not setting.between[0] <= 60 * clock.hour + clock.minute <= setting.between[1]


Cost = tuple[float, float, float, float]
"""On the way, missing, missing when ready and money, in the order of the priorities."""


def costs_of_every_plan(night: Night, powers_kw: Sequence[float] = AMPS) -> list[tuple[int, Cost]]:
    """Of each allowed plan, how many of its settings are made while asleep, and what it costs."""
    found = []
    for blocks in every_plan(night, powers_kw):
        setpoints = setpoints_of(night, blocks)
        try:
            costs = verify_constraints(night, setpoints)
        except PlanRefused:
            continue
        times = times_at_the_charger(night, blocks, costs.stored_kwh.tolist())
        missing = [costs.on_the_way_kwh, costs.missing_kwh, costs.missing_when_ready_kwh]
        on_the_way, at_departure, when_ready = (round(float(each.sum()), 6) for each in missing)
        money = costs.costs.total + (night.setting.worth or 0.0) * len(times)
        asleep = sum(is_asleep(night, boundary) for boundary in times)
        found.append((asleep, (on_the_way, at_departure, when_ready, money)))
    return found


def best_of(night: Night, powers_kw: Sequence[float] = AMPS) -> Cost:
    """What the best allowed plan costs."""
    return min(cost for asleep, cost in costs_of_every_plan(night, powers_kw) if asleep == 0)


@pytest.mark.parametrize("discharge_to", ["building-and-grid", "building"])
@pytest.mark.parametrize("stops", [False, True])
@pytest.mark.parametrize("seed", range(9))
def test_plans_whose_settings_count_equal_trying_every_plan(seed: int, stops: bool, discharge_to: str) -> None:
    """With a price on each setting, made in three of five hours alone: no other plan serves better or costs less.

    From seed 6 on the house needs all that the grid may give until everybody is asleep, and the car lacks what its
    drive needs: then as few settings as serve the drive as well as can be.
    """
    worth = (0.01, 0.05, 0.2)[seed % 3]
    night = small(discharge_to, seed, Setting("current", max_blocks=2, min_block_minutes=60, worth=worth))
    clock = [60 * each.hour + each.minute for each in night.boundaries.tz_convert(night.timezone)]
    night = replace(
        night,
        setting=replace(night.setting, between=(clock[0], clock[1]) if seed > 5 else (clock[seed % 2 + 1], clock[3])),
        charger=replace(night.charger, can_stop_at_percent=stops),
    )
    if seed > 5:
        kwh, full = 2.8 + 0.4 * (seed - 6), night.connection.import_limit_kw
        load = np.where(np.arange(5) < 2, full, night.load_kw)
        night = replace(
            night,
            load_kw=load,
            solar_kw=np.zeros(5),
            stored_now_kwh=kwh,
            initial_fill_kwh=np.array([kwh]),
        )
    answer = solve(night)
    found = verify(night, answer)
    assert answer.blocks is not None
    times = times_at_the_charger(night, answer.blocks, found.stored_kwh.tolist())
    assert found.costs.settings == pytest.approx(worth * len(times))
    every = costs_of_every_plan(night)
    best = {most: min(cost for asleep, cost in every if asleep <= most) for most in range(5)}
    late = sum(is_asleep(night, boundary) for boundary in times)
    assert late == answer.settings_at_night
    assert bool(late) == bool(answer.served_at_night)
    expected = best[late]
    assert expected[:3] == pytest.approx(best[4][:3], abs=1e-3)
    assert late == 0 or best[late - 1][:3] > best[4][:3]
    assert late or seed < 6
    shortages = [found.on_the_way_kwh, found.missing_kwh, found.missing_when_ready_kwh]
    assert [float(each.sum()) for each in shortages] == pytest.approx(expected[:3], abs=1e-3)
    assert found.costs.total == pytest.approx(expected[3], abs=TOLERANCE_KWH * night.highest_price)


@pytest.mark.parametrize("discharge_to", ["building-and-grid", "building"])
@pytest.mark.parametrize("seed", range(6))
def test_whole_amps_equal_trying_every_plan(seed: int, discharge_to: str) -> None:
    """At most two blocks of at least two hours, each a whole current: no other plan serves better or costs less."""
    night = small(discharge_to, seed, Setting("current", max_blocks=2, min_block_minutes=120))
    answer = solve(night)
    found = verify(night, answer)
    expected = best_of(night)
    shortages = [found.on_the_way_kwh, found.missing_kwh, found.missing_when_ready_kwh]
    assert [float(each.sum()) for each in shortages] == pytest.approx(expected[:3], abs=1e-4)
    assert found.costs.total == pytest.approx(expected[3], abs=TOLERANCE_KWH * night.highest_price)
    assert answer.blocks is not None
    assert all(block.amps == round(block.amps) for block in answer.blocks)


@pytest.mark.parametrize("discharge_to", ["building-and-grid", "building"])
@pytest.mark.parametrize("seed", [0, 2])
def test_blocks_equal_trying_a_fine_grid_of_powers(seed: int, discharge_to: str) -> None:
    """Blocks of any power: none of the plans on a grid of 100 W is better, and the best of them is as near as its grid.

    A grid plan is at most 50 W off in each of at most 4 h: 0.05 · 4 · 0.40 = 0.08 of money, and the tie on top. The
    drive is left out, so that no target lies between two powers of the grid.
    """
    night = small(discharge_to, seed, Setting("blocks", max_blocks=2, min_block_minutes=120), hours=4)
    night = replace(night, trips=(), at_home=np.ones(4, dtype=np.bool_))
    grid = best_of(night, tuple(np.arange(0.4, 1.4001, 0.1)))
    found = verify(night, solve(night))
    tie = TOLERANCE_KWH * night.highest_price
    assert found.costs.total <= grid[3] + tie
    assert found.costs.total >= grid[3] - 0.08 - tie


@pytest.mark.parametrize("discharge_to", ["building-and-grid", "building"])
@pytest.mark.parametrize("seed", range(6))
def test_blocks_of_any_power_are_no_worse_than_whole_amps(seed: int, discharge_to: str) -> None:
    """Free powers cost no more than the best whole currents, and a free schedule no more than free powers."""
    blocks = small(discharge_to, seed, Setting("blocks", max_blocks=2, min_block_minutes=120))
    tie = TOLERANCE_KWH * blocks.highest_price
    found = verify(blocks, solve(blocks))
    schedule = verify(replace(blocks, setting=Setting()), solve(replace(blocks, setting=Setting())))
    amps = best_of(replace(blocks, setting=replace(blocks.setting, set_by="current")))
    if found.missing_kwh.sum() >= amps[1] - 1e-6 and found.missing_when_ready_kwh.sum() >= amps[2] - 1e-6:
        assert found.costs.total <= amps[3] + tie
    if schedule.missing_when_ready_kwh.sum() >= found.missing_when_ready_kwh.sum() - 1e-6:
        assert schedule.costs.total <= found.costs.total + tie


@pytest.mark.parametrize("seed", [1, 4, 6, 11, 13, 19, 21, 25])
@pytest.mark.parametrize("set_by", ["blocks", "current"])
def test_random_nights_keep_their_setting_and_never_beat_the_schedule(seed: int, set_by: str) -> None:
    """Over every key of the site file a hand-set plan passes replay and costs no less than the schedule."""
    free = random_night(seed)
    counted = {} if seed % 2 else {"worth": None, "between": WAKING_HOURS}
    night = replace(free, setting=Setting(set_by, max_blocks=3, min_block_minutes=60, **counted))  # type: ignore[arg-type]
    found, schedule = verify(night, solve(night)), verify(free, solve(free))
    better_served = [
        float(getattr(found, name).sum()) < float(getattr(schedule, name).sum()) - 1e-5
        for name in ("missing_kwh", "on_the_way_kwh")
    ]
    assert not any(better_served)
    as_well_served = all(
        float(getattr(found, name).sum()) <= float(getattr(schedule, name).sum()) + 1e-5
        for name in ("on_the_way_kwh", "missing_kwh", "missing_when_ready_kwh")
    )
    if as_well_served:
        assert schedule.costs.total <= found.costs.total + TOLERANCE_KWH * free.highest_price + 1e-4


def test_a_cover_block_pauses_where_the_building_draws_too_little() -> None:
    """A cap of 3 kW over draws of 2, 4, 0.5 and 3 kW gives 2, 3, 0 and 3 kW: under the least power it pauses."""
    night = flat_night(4, load_kw=[2, 4, 0.5, 3], charger=plain_charger(discharge_to="building"))
    setpoints = setpoints_of(night, (Block(0, 4, "cover", 3.0, 13.04),))
    np.testing.assert_allclose(setpoints.discharge_kw, [2, 3, 0, 3])
    np.testing.assert_allclose(setpoints.discharge_share, [1, 1, 0, 1])


def test_a_setting_that_is_not_kept_is_refused() -> None:
    """Too many blocks, one too short, no whole current, and setpoints that the blocks do not give: each is said."""
    night = replace(flat_night(8), setting=Setting("current", max_blocks=1, min_block_minutes=120))
    one = Block(0, 2, "discharge", 2.3, 10.0)
    kept = setpoints_of(night, (one,))
    stored = np.full(9, 30.0)
    assert list(broken_setting(night, kept, (one,), stored)) == []
    short = Block(4, 5, "charge", 2.3, 10.0)
    said = " ".join(broken_setting(night, setpoints_of(night, (one, short)), (one, short), stored))
    assert "2 blocks, more than the 1 allowed" in said
    assert "a block of 60 minutes, shorter than the 120 allowed" in said
    uneven = replace(one, kw=2.4, amps=2400 / 230)
    assert "no whole current" in " ".join(broken_setting(night, setpoints_of(night, (uneven,)), (uneven,), stored))
    assert "setpoints that its blocks do not give" in " ".join(broken_setting(night, kept, (uneven,), stored))
    answer = solve(night)
    assert answer.blocks is not None
    tampered = replace(answer, blocks=(*answer.blocks, Block(5, 7, "charge", 2.3, 10.0)))
    with pytest.raises(PlanRefused):
        verify(night, tampered)


def test_no_more_blocks_are_set_than_are_worth_it() -> None:
    """One cap covers an evening of changing draws as well as four: a person sets one."""
    night = replace(
        flat_night(
            6,
            soc_percent=80,
            load_kw=[2.0, 2.8, 2.1, 1.4, 0.5, 0.5],
            import_price=[0.40] * 4 + [0.16] * 2,
            charger=plain_charger(discharge_to="building"),
        ),
        setting=Setting("blocks", max_blocks=4, min_block_minutes=60),
    )
    (block,) = solve(night).blocks or ()
    assert (block.action, block.first, block.last) == ("cover", 0, 4)
    assert block.kw >= 2.8 - 0.03
