"""A sweep: rows that do not depend on the number of processes, and what theory says of the weight."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import pytest

from scheduler.build_night import build_night
from scheduler.evening_words import EveningWords, understand
from scheduler.faults import InputFaults
from scheduler.inputs import read_inputs
from scheduler.replay import verify
from scheduler.solve import GAP_WORTH_KWH, TIE_WORTH_KWH, solve
from scheduler.sweep import SweepWords, sweep_from_words, sweep_rows, sweep_work

DEMO = Path(__file__).parents[2] / "scenarios" / "bookbindery"
WORDS = SweepWords(
    DEMO, "0,1", settings=("charger.discharge_min_kw=0,2",), first_day="2026-02-02", last_day="2026-02-04"
)


def test_rows_are_the_same_for_one_process_and_two(tmp_path: Path) -> None:
    """Four runs, the rows in the order of the grid, equal to the last digit."""
    asked = sweep_from_words(WORDS)
    one, two = (list(sweep_rows(asked, sweep_work(asked, tmp_path / str(jobs)), jobs)) for jobs in (1, 2))
    assert one == two
    assert [(row["weight"], row["charger.discharge_min_kw"]) for row in one] == [(0, 0), (1, 0), (0, 2), (1, 2)]
    assert sweep_work(asked, tmp_path / "1").done == set(asked.runs)


def test_the_site_s_own_offer_and_law_where_none_is_named() -> None:
    """One offer, one law; the days are those asked for."""
    asked = sweep_from_words(WORDS)
    assert {point.offer for point in asked.points} == {"evening-feed-in"}
    assert {point.law for point in asked.points} == {"depth"}
    assert (asked.first.isoformat(), asked.last.isoformat()) == ("2026-02-02", "2026-02-04")


def test_faults_come_before_any_work() -> None:
    """A value that the site's file would refuse."""
    with pytest.raises(InputFaults, match="--set"):
        sweep_from_words(replace(WORDS, settings=("charger.discharge_min_kw=9",)))


def test_total_is_concave_and_rising_in_the_weight_and_wear_falls() -> None:
    """Of a single night.

    The total is the least over plans of cash and what goes with it plus weight × wear: a lowest envelope of straight
    lines whose slopes, the wear, are not below zero. So it never falls, is concave, and the wear of the best plan never
    rises with the weight. Each total is within the gap and the worth of a tie of the least; two plans within that
    slack e of their least may differ in wear the wrong way by no more than 2 e over the step of the weight.
    """
    inputs = read_inputs(DEMO)
    evening = understand(EveningWords(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",)), inputs)
    night = build_night(inputs, evening)[0]
    weights = [0.25 * step for step in range(13)]
    found = [verify(each, solve(each)).costs for each in (replace(night, wear_weight=weight) for weight in weights)]
    slack = (GAP_WORTH_KWH + TIE_WORTH_KWH) * night.dearest_price
    totals, wears = [costs.total for costs in found], [costs.wear for costs in found]
    for earlier, later in pairwise(totals):
        assert later >= earlier - slack
    for before, here, after in zip(totals, totals[1:], totals[2:], strict=False):
        assert here >= (before + after) / 2 - slack
    for earlier, later in pairwise(wears):
        assert later <= earlier + 2 * slack / 0.25
    assert wears[0] > wears[-1]


def test_weight_0_is_no_wear_and_a_very_large_weight_is_charge_only() -> None:
    """At weight 0 a battery that costs nothing gives the same total; at 1000 nothing is given."""
    inputs = read_inputs(DEMO)
    evening = understand(EveningWords(71, now=datetime(2026, 3, 2, 16, 20, tzinfo=UTC).isoformat()), inputs)
    night = build_night(inputs, evening)[0]
    free = replace(inputs.site, wear=replace(inputs.site.wear, battery_price=0.0))
    without = build_night(replace(inputs, site=free), evening)[0]
    slack = (GAP_WORTH_KWH + TIE_WORTH_KWH) * night.dearest_price
    no_weight = replace(night, wear_weight=0.0)
    assert verify(no_weight, solve(no_weight)).costs.total == pytest.approx(
        verify(without, solve(without)).costs.total, abs=slack
    )
    dear = replace(night, wear_weight=1000.0)
    assert not solve(dear).setpoints.gives_energy
