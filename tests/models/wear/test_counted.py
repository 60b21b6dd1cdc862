"""Counted wear of every law: limits, sums, a test protocol, and against the prices in segments."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.arrays import FloatArray
from models.wear.counted import CountedWear, counted_wear, depth_histogram
from models.wear.cycles import count_cycles
from models.wear.law import LawSettings
from models.wear.laws import WEAR_LAWS, wear_law
from models.wear.prices import envelope_of_law, wear_segments_of_law
from models.wear.segments import WearSegments, initial_fill_kwh, wear_cost
from models.wear.soc_trace import SocTrace
from tests.builders.traces import closed, hourly

BATTERY_KWH, BATTERY_PRICE = 40.0, 6000.0
NEW = LawSettings(age_years=0.0)
TENTHS = tuple(range(10, 101, 10))

every_law = pytest.mark.parametrize("name", WEAR_LAWS)
levels = st.lists(st.integers(0, 20).map(lambda tick: tick / 20), min_size=2, max_size=30)


def counted(name: str, trace: SocTrace, laws: LawSettings = NEW) -> CountedWear:
    return counted_wear(trace, [wear_law(name, laws)], BATTERY_PRICE)


def in_segments(segments: WearSegments, soc: FloatArray) -> float:
    """What the program's prices charge for a trace, from cheapest segments full."""
    stored = soc * BATTERY_KWH
    change = np.diff(stored)
    initial = initial_fill_kwh(segments, float(stored[0]))
    return float(wear_cost(segments, initial, np.maximum(change, 0), np.maximum(-change, 0)).sum())


def by_counting(name: str, soc: FloatArray, envelope: bool) -> float:
    """Money for the counted cycles at the reference, by the law itself or by its convex envelope."""
    law, cycles = wear_law(name, LawSettings()), count_cycles(hourly(soc))
    life = envelope_of_law(law, cycles.depth) if envelope else law.life_lost(cycles.depth, 0.5, 25.0)
    return BATTERY_PRICE * float(cycles.count @ life)


@every_law
def test_no_cycling_and_no_time(name: str) -> None:
    """A trace that stands still uses nothing by cycles, and by the calendar only where a law knows of it."""
    used = counted(name, hourly([0.5] * 24)).by_law[0].used
    assert used.by_cycles == 0
    assert (used.by_calendar > 0) == (name in ("stress", "nmc"))
    assert (used.capacity_lost is None) == (name in ("flat", "depth"))


@every_law
def test_cost_is_the_share_of_the_batterys_price(name: str) -> None:
    """The cost is the life used times the price of the battery; without a price there is none."""
    trace = hourly([0.9, 0.2, 0.7, 0.4, 0.9])
    found = counted(name, trace).by_law[0]
    assert found.cost == pytest.approx(BATTERY_PRICE * found.used.total)
    assert found.used.total == found.used.by_cycles + found.used.by_calendar
    assert counted_wear(trace, [wear_law(name, NEW)], None).by_law[0].cost is None


@pytest.mark.parametrize("name", ["flat", "depth", "stress"])
@given(values=levels, often=st.integers(2, 5))
@settings(deadline=None)
def test_twice_the_trace_is_twice_the_cycle_wear(name: str, values: list[float], often: int) -> None:
    """A closed trace from its highest point, spliced with itself, uses as many times the life by cycles."""
    once = np.array([max(values), *values, max(values)])
    again = np.concatenate([once, *[once[1:]] * (often - 1)])
    first, then = (counted(name, hourly(soc)).by_law[0].used.by_cycles for soc in (once, again))
    assert then == pytest.approx(often * first)


def test_the_other_law_uses_less_the_second_time() -> None:
    """By "nmc", which takes the root of throughput, the second time over uses the square root of two less one."""
    once = np.array([0.9, 0.2, 0.6, 0.3, 0.9])
    first, both = (
        counted("nmc", hourly(soc)).by_law[0].used.by_cycles for soc in (once, np.concatenate([once, once[1:]]))
    )
    assert both / first == pytest.approx(np.sqrt(2))


def test_parts_add_up_from_any_age() -> None:
    """By "nmc" a year of rest in one piece loses what it loses in two, the second from the age after the first."""
    whole = counted("nmc", hourly([0.5, 0.5, 0.5], hours=4380.0)).by_law[0].used.by_calendar
    half = hourly([0.5, 0.5], hours=4380.0)
    first = counted("nmc", half).by_law[0].used.by_calendar
    second = counted("nmc", half, LawSettings(4380 / 24 / 365.25)).by_law[0].used.by_calendar
    assert first + second == pytest.approx(whole)
    assert second < first


def test_calendar_alone_over_years() -> None:
    """Ten years at half charge and 25 degrees: 17.293 % of capacity by Xu, Oudalov et al. 2018, new when they begin."""
    trace = hourly([0.5, 0.5], hours=10 * 24 * 365.25)
    used = counted("stress", trace).by_law[0].used
    assert 100 * (used.capacity_lost or 0) == pytest.approx(17.293, abs=5e-4)


def test_a_year_stored_by_nmc() -> None:
    """365 days at 25 degrees and the open-circuit voltage of half charge, 3.716 V, by the equation written out."""
    used = counted("nmc", hourly([0.5, 0.5], hours=365 * 24.0)).by_law[0].used
    alpha = (7.543 * 3.716 - 23.75) * 1e6 * np.exp(-6976 / 298.15)
    assert used.capacity_lost == pytest.approx(alpha * 365**0.75)


def test_all_laws_on_the_cycling_tests_of_schmalstieg() -> None:
    """The protocol of Schmalstieg et al. 2014: 1C, half of the capacity about half charge, 35 degrees, 500 cycles.

    One hour a cycle at 1C. Each law's equation written out for it; the laws then differ fivefold, which is why all are
    shown.
    """
    cycles = 500
    soc = [*np.tile([0.75, 0.25], cycles).tolist(), 0.75]
    trace = hourly(soc, 35.0, hours=0.5)
    used = {name: counted(name, trace).by_law[0].used for name in WEAR_LAWS}

    assert used["flat"].total == pytest.approx(cycles * 0.5 / 1600)
    assert used["depth"].total == pytest.approx(cycles * 5.24e-4 * 0.5**2.03)

    warm = np.exp(0.0693 * 10 * 298.15 / 308.15)
    stress_of_cycles = cycles * 1.331077e-5 * warm
    assert used["stress"].by_cycles == pytest.approx(stress_of_cycles / 0.1639242, rel=1e-5)
    middle = np.mean(np.exp(1.04 * (np.array([0.5, 0.5]) - 0.5)))
    stress_of_time = 4.14e-10 * cycles * 3600 * warm * middle
    in_all = stress_of_cycles + stress_of_time
    lost = 1 - 0.0575 * np.exp(-121 * in_all) - 0.9425 * np.exp(-in_all)
    assert used["stress"].capacity_lost == pytest.approx(lost, rel=1e-5)

    through_ah = cycles * 2 * 0.5 * 2.15
    beta = 7.348e-3 * (3.716 - 3.667) ** 2 + 7.60e-4 + 4.081e-3 * 0.5
    assert used["nmc"].capacity_by_cycles == pytest.approx(beta * np.sqrt(through_ah))
    alpha = (7.543 * 3.716 - 23.75) * 1e6 * np.exp(-6976 / 308.15)
    assert used["nmc"].capacity_by_calendar == pytest.approx(alpha * (cycles / 24) ** 0.75)

    totals = [each.total for each in used.values()]
    assert max(totals) / min(totals) > 5
    assert not counted("nmc", trace).by_law[0].warnings


@pytest.mark.seeds(range(50), range(150))
@every_law
def test_segments_equal_counting_on_edges(name: str, seed: int) -> None:
    """600 closed traces from their highest point, all depths on edges: segments charge what counting does.

    As in Xu, Zhao et al. 2018, for the envelope of each law; for the laws that are convex the envelope is the law.
    """
    random = np.random.default_rng(seed)
    soc = closed(random, random.integers(0, 11, 12) / 10)
    segments = wear_segments_of_law(wear_law(name, LawSettings()), BATTERY_PRICE, BATTERY_KWH, TENTHS)
    assert in_segments(segments, soc) == pytest.approx(by_counting(name, soc, envelope=True), rel=1e-9)
    if name != "stress":
        assert by_counting(name, soc, envelope=True) == pytest.approx(by_counting(name, soc, envelope=False), rel=1e-9)


@pytest.mark.seeds(range(50), range(150))
@every_law
def test_segments_are_never_less_than_counting(name: str, seed: int) -> None:
    """600 more at any depth: segments charge no less than counting by the envelope, and finer ones no more."""
    random = np.random.default_rng(1000 + seed)
    soc = closed(random, random.uniform(0.2, 1.0, 12))
    law, counting = wear_law(name, LawSettings()), by_counting(name, soc, envelope=True)
    costs = [
        in_segments(wear_segments_of_law(law, BATTERY_PRICE, BATTERY_KWH, np.linspace(0, 100, count + 1)[1:]), soc)
        for count in (4, 8, 16, 32)
    ]
    assert all(cost >= counting * (1 - 1e-9) for cost in costs)
    assert all(finer <= coarser * (1 + 1e-9) for coarser, finer in pairwise(costs))
    assert by_counting(name, soc, envelope=False) >= counting * (1 - 1e-9)


@pytest.mark.parametrize("name", ["depth", "stress", "nmc"])
def test_excess_all_but_goes(name: str) -> None:
    """Over 100 closed traces the excess falls to a tenth from 8 segments to 40, or to nearly nothing."""
    random = np.random.default_rng(5)
    law = wear_law(name, LawSettings())
    profiles = [closed(random, random.uniform(0.5, 1.0, 15)) for _ in range(100)]
    counting = sum(by_counting(name, soc, envelope=True) for soc in profiles)
    excess = []
    for count in (8, 40):
        segments = wear_segments_of_law(law, BATTERY_PRICE, BATTERY_KWH, np.linspace(0, 100, count + 1)[1:])
        excess.append(sum(in_segments(segments, soc) for soc in profiles) / counting - 1)
    assert 0 <= excess[1] < max(excess[0] / 10, 1e-4)
    assert excess[0] > 1e-4


@given(levels)
def test_histogram_holds_every_cycle(values: list[float]) -> None:
    """The bins together hold all cycles and all equivalent full cycles."""
    cycles = count_cycles(hourly(values))
    histogram = depth_histogram(cycles)
    assert histogram.cycles.sum() == pytest.approx(cycles.count.sum())
    assert histogram.full_cycles.sum() == pytest.approx(cycles.equivalent_full_cycles)


def test_histogram_bins() -> None:
    """A depth on an edge, rounding aside, belongs to the bin under it."""
    histogram = depth_histogram(count_cycles(hourly([0.9, 0.6, 0.9, 0.85, 0.9])), (10, 30, 100))
    assert list(histogram.cycles) == [1.0, 1.0, 0.0]
    assert histogram.full_cycles == pytest.approx([0.05, 0.3, 0.0])


def test_temperature_and_charge_tell() -> None:
    """The same cycles warmer or fuller use more life by "stress", by its own factors."""
    low, high = (0.5, 0.1, 0.5), (0.9, 0.5, 0.9)
    base, fuller = (counted("stress", hourly(soc)).by_law[0].used.by_cycles for soc in (low, high))
    assert fuller / base == pytest.approx(np.exp(1.04 * 0.4))
    cold = counted("stress", hourly(low, 15.0)).by_law[0].used.by_cycles
    assert cold / base == pytest.approx(0.48819, abs=5e-6)
