"""Totals of settled nights: sums of what is shown, by month, by year and over all."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from scheduler.record.totals import totals, totals_by_month, totals_by_year
from tests.builders.settled import settled_night

CENTS = st.integers(-100_000, 100_000)


@given(st.lists(st.tuples(CENTS, CENTS, CENTS), max_size=60))
def test_totals_are_the_sums_of_nights_to_the_last_cent(costs: list[tuple[int, int, int]]) -> None:
    nights = [
        settled_night(number * 11, cost=a / 100, cost_on_return=b / 100, cost_charge_only=c / 100)
        for number, (a, b, c) in enumerate(costs)
    ]
    found = totals(nights)
    assert round(found.cost * 100, 6) == sum(cost[0] for cost in costs)
    assert round(found.earned_on_return * 100, 6) == sum(b - a for a, b, _ in costs)
    assert round(found.earned_charge_only * 100, 6) == sum(c - a for a, _, c in costs)
    for parts in (totals_by_month(nights, "Europe/Helsinki"), totals_by_year(nights, "Europe/Helsinki")):
        assert round(100 * sum(part.earned_on_return for part in parts), 6) == sum(b - a for a, b, _ in costs)
        assert sum(part.count for part in parts) == len(nights)


def test_a_night_counts_in_the_local_month_in_which_it_begins() -> None:
    late, early = settled_night(29), settled_night(30)  # 31 March and 1 April, 19:20 in Helsinki
    assert [part.name for part in totals_by_month([early, late], "Europe/Helsinki")] == ["2026-03", "2026-04"]
    assert [part.name for part in totals_by_month([late], "Pacific/Kiritimati")] == ["2026-04"]
    assert [part.name for part in totals_by_year([early, late], "Europe/Helsinki")] == ["2026"]


def test_nights_not_set_are_told_apart_and_extremes_are_found() -> None:
    best, worst = settled_night(1, cost=0.5), settled_night(2, cost=7.0, was_set=False)
    found = totals([settled_night(), best, worst])
    assert (found.best, found.worst) == (best, worst)
    assert (found.count, found.count_set, found.only_set.earned_on_return) == (3, 2, 6.5)


def test_short_departures_stand_against_the_chances_that_were_told() -> None:
    nights = [settled_night(0, short=1, chance_short=0.25), settled_night(1), settled_night(2, chance_short=None)]
    found = totals(nights)
    assert (found.departures, found.short) == (3, 1)
    assert found.told.count == 2
    assert round(found.told.nights_short_expected, 9) == 0.3
    assert found.told.nights_short == 1


def test_no_nights_have_no_best_and_cost_nothing() -> None:
    found = totals([])
    assert (found.best, found.worst, found.cost, found.load_error_kwh, found.currency) == (None, None, 0.0, 0.0, "")
