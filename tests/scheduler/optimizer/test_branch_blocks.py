"""Branch and price over blocks: each step against every plan there is on small nights."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from models.tariff.tiers import PriceTier
from scheduler.inputs.control_mode import Setting
from scheduler.nights.night import Night
from scheduler.optimizer.branch_blocks import BlockSearch, Rule, _neighbours, barred_by
from scheduler.optimizer.cheapest_blocks import (
    CHARGE,
    DISCHARGE,
    FAR,
    BlockChoices,
    HandBlock,
    Prices,
    cheapest_blocks,
)
from scheduler.optimizer.lexicographic import NoPlanError
from scheduler.optimizer.manual_blocks import broken_setting
from scheduler.optimizer.solve import draft_by_hand, solve
from scheduler.plans.replay import verify_constraints
from tests.builders.nights import flat_night, plain_car, plain_charger


def small(seed: int, discharge_to: str, set_by: str = "current", counted: bool = False) -> Night:
    """Six hours of changing prices and draws, in at most two blocks of at least two hours.

    Parameters
    ----------
    counted : whether settings count, and are made in four of the hours alone.
    """
    random = np.random.default_rng([seed, 3])
    night = flat_night(
        6,
        soc_percent=float(random.integers(30, 80)),
        load_kw=random.uniform(0.2, 2.0, 6).round(2).tolist(),
        import_price=random.choice([0.1, 0.2, 0.4], 6).tolist(),
        export_price=random.choice([0.02, 0.25], 6).tolist(),
        car=plain_car(battery_kwh=10.0),
        charger=plain_charger(
            charge_min_kw=0.4,
            discharge_min_kw=0.4,
            charge_max_kw=1.4,
            discharge_max_kw=1.4,
            volts=200.0,
            discharge_to=discharge_to,
        ),
    )
    local = night.boundaries.tz_convert(night.timezone)
    first = int(local.hour[seed % 3] * 60 + local.minute[seed % 3])
    between = (first, (first + 180) % 1440) if counted else None
    setting = Setting(set_by, 2, 120, worth=0.03 if counted else 0.0, between=between)  # type: ignore[arg-type]
    return replace(night, setting=setting)


def every_plan(choices: BlockChoices) -> Iterator[tuple[HandBlock, ...]]:
    """Every set of blocks that is allowed, by trying all begins, ends, directions and powers."""
    n = choices.intervals

    def from_interval(begin: int, left: int) -> Iterator[tuple[HandBlock, ...]]:
        yield ()
        if left == 0:
            return
        for first in range(begin, n):
            for last in range(first + 1, n + 1):
                if last - first < 2 and last != n:
                    continue
                for number, way in enumerate(choices.directions):
                    for choice in range(len(way.kw)):
                        if way.allowed[first:last, choice].all():
                            for rest in from_interval(last, left - 1):
                                yield (HandBlock(number, first, last, choice), *rest)
                                if choices.may_end_by_itself[number, last] and (not rest or rest[0].first > last):
                                    yield (HandBlock(number, first, last, choice, True), *rest)

    return from_interval(0, choices.most_blocks)


def priced(choices: BlockChoices, prices: Prices, blocks: tuple[HandBlock, ...]) -> float:
    """What blocks cost at prices, added up from what the charger does."""
    flows = choices.flows(blocks)
    stood = float((prices.standing * choices.standing(blocks)).sum())
    return choices.money(blocks) + float((prices.power * flows[:2]).sum() + (prices.running * flows[2:]).sum()) + stood


@pytest.mark.parametrize("counted", [False, True])
@pytest.mark.parametrize("discharge_to", ["building-and-grid", "building"])
@pytest.mark.parametrize("seed", range(3))
def test_the_cheapest_blocks_equal_trying_all(seed: int, discharge_to: str, counted: bool) -> None:
    """At random prices, on all plans and on parts of them, no other plan costs less."""
    choices = BlockChoices.of(small(seed, discharge_to, counted=counted))
    random = np.random.default_rng(seed)
    prices = Prices(random.normal(0, 0.2, (2, 6)), random.normal(0, 0.05, (2, 6)), random.normal(0, 0.05, (2, 7)))
    plans = list(every_plan(choices))
    parts = (
        (),
        (Rule("set", 0, 2), Rule("not set", 1, 4)),
        (Rule("begins", 1, 3), Rule("at most", 1, 3, 2)),
        (Rule("does not begin", 0, 1), Rule("at least", 0, 4, 3)),
        (Rule("stands", 1, 4),),
        (Rule("does not stand", 1, 4), Rule("does not stand", 0, 5)),
    )
    for rules in parts:
        barred = barred_by(choices, rules)
        allowed = [each for each in plans if barred.allows(each, choices.standing(each) > 0)]
        least = min((priced(choices, prices, each) for each in allowed), default=np.inf)
        found = cheapest_blocks(choices, prices, barred)
        if found is None:  # the car cannot be empty by then, or settings do not count
            assert least >= FAR * choices.unit / 2
            assert rules == parts[4]
            continue
        cost, blocks = found
        assert barred.allows(blocks, choices.standing(blocks) > 0)
        assert cost == pytest.approx(priced(choices, prices, blocks), abs=1e-9)
        assert cost == pytest.approx(least, abs=1e-9)


@pytest.mark.parametrize(
    "kinds",
    [("set", "not set"), ("begins", "does not begin"), ("at most", "at least"), ("stands", "does not stand")],
)
def test_every_plan_is_in_one_of_the_two_parts(kinds: tuple[str, str]) -> None:
    """A rule and its opposite part all plans: none is lost, and for powers none of those that set the interval is."""
    choices = BlockChoices.of(small(1, "building-and-grid", counted=True))
    one, other = barred_by(choices, [Rule(kinds[0], 1, 2, 1)]), barred_by(choices, [Rule(kinds[1], 1, 2, 2)])
    for blocks in every_plan(choices):
        stands = choices.standing(blocks) > 0
        assert one.allows(blocks, stands) or other.allows(blocks, stands)


@pytest.mark.parametrize("counted", [False, True])
@pytest.mark.parametrize("set_by", ["blocks", "current"])
@pytest.mark.parametrize("seed", range(3))
def test_the_bound_rises_with_effort_and_stays_under_the_plan(seed: int, set_by: str, counted: bool) -> None:
    """More passes never lower the bound, and it never passes the best plan's money."""
    night = small(seed, "building-and-grid", set_by, counted)
    choices = BlockChoices.of(night)
    full = BlockSearch(night, choices, most_passes=400)
    bound = full.run()
    assert full.best is not None
    assert bound <= full.best.money + 1e-9
    assert bound >= full.best.money - full.gap
    before = -np.inf
    for passes in (4, 12, 40):
        short = BlockSearch(night, choices, effort=6 * passes)
        found = short.run()
        assert before - 1e-9 <= found <= full.best.money + 1e-9
        before = found


def test_with_fewer_blocks_allowed_a_plan_costs_no_less() -> None:
    """Leaving out a block never gains, and a plan that must cost less than the best is not found."""
    night = small(2, "building-and-grid")
    two = BlockChoices.of(night)
    money = []
    for choices in (two, replace(two, most_blocks=1), replace(two, most_blocks=0)):
        search = BlockSearch(night, choices)
        search.run()
        assert search.best is not None
        money.append(search.best.money)
    assert money[0] <= money[1] + 1e-9
    assert money[1] <= money[2] + 1e-9
    cheaper = BlockSearch(night, two, most_money=money[0] - 0.01, any_plan=True)
    cheaper.run()
    assert cheaper.best is None


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("discharge_to", ["building", "building-and-grid"])
def test_a_draft_is_a_plan_that_costs_hardly_more_than_the_best(seed: int, discharge_to: str) -> None:
    """Against branch and bound of the compact program, within the worth of 10 Wh at the highest price; and it holds."""
    night = small(seed, discharge_to, "blocks", counted=bool(seed % 2))
    made, best = draft_by_hand(night), solve(night)
    found = verify_constraints(night, made.setpoints, made.blocks or ())
    assert not list(broken_setting(night, made.setpoints, made.blocks or (), found.stored_kwh))
    assert best.bound - 1e-6 <= found.costs.total <= best.money + 0.010 * night.highest_price


def test_no_draft_is_made_where_prices_depend_on_amounts() -> None:
    night = small(0, "building")
    tier = PriceTier("import", 0, np.ones(6, dtype=bool), 1.0, np.full(6, -0.02))
    with pytest.raises(NoPlanError):
        draft_by_hand(replace(night, tiers=(tier,)))


def test_blocks_are_moved_within_the_night_alone() -> None:
    """Of two blocks in the last hours the earlier one could be moved past the end: none of its neighbours is."""
    choices = BlockChoices.of(small(0, "building-and-grid"), True)
    edges = ((CHARGE, 2, 4, False), (DISCHARGE, 4, 6, False))
    found = list(_neighbours(choices, edges))
    assert found
    assert all(0 <= first < last <= 6 for blocks in found for _, first, last, _ in blocks)
