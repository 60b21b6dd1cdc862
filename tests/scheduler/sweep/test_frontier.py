"""Frontiers of a sweep against brute force, closed forms and another package's knees."""

from __future__ import annotations

from math import log

import kneed
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduler.sweep.frontier import (
    DischargeStop,
    discharge_stop,
    efficient_points,
    frontiers_of,
    knee_of,
    value_text,
)
from scheduler.textio.errors import InputFaults
from tests.builders.sweep_runs import made_up_runs

POINTS = st.lists(st.tuples(st.integers(0, 8), st.integers(-4, 8)), min_size=1, max_size=12)


@given(POINTS)
def test_efficient_points_are_those_that_brute_force_finds(points: list[tuple[int, int]]) -> None:
    """Each point against each other one, by the definition of dominance."""

    def beaten(here: tuple[int, int]) -> bool:
        return any(lost <= here[0] and saved >= here[1] and (lost, saved) != here for lost, saved in points)

    lost, saved = [float(lost) for lost, _ in points], [float(saved) for _, saved in points]
    assert efficient_points(lost, saved) == [not beaten(point) for point in points]


@pytest.mark.parametrize(
    ("curve", "at"),
    [
        (np.sqrt, 0.25),  # d/dx (sqrt(x) - x) = 0
        (lambda x: (1 - np.exp(-5 * x)) / (1 - np.exp(-5)), log(5 / (1 - np.exp(-5))) / 5),  # the same of 1 - exp
    ],
)
def test_the_knee_is_where_calculus_puts_it(curve: np.ufunc, at: float) -> None:
    """Two closed forms on a grid of thousandths; shifting and stretching either axis moves nothing."""
    x = np.linspace(0, 1, 1001)
    found = knee_of((0.3 + 2 * x).tolist(), (-40 + 900 * curve(x)).tolist())
    assert found is not None
    assert x[found] == pytest.approx(at, abs=1e-3)


@pytest.mark.parametrize("power", [0.2, 0.35, 0.5, 0.8])
@pytest.mark.parametrize("count", [12, 31, 200])
def test_the_knee_is_that_of_another_package(power: float, count: int) -> None:
    """The package kneed, on concave curves with uneven points, at its least sensitivity."""
    x = np.linspace(0, 1, count) ** 1.5
    other = kneed.KneeLocator(x, x**power, S=0, curve="concave", direction="increasing")
    found = knee_of(x.tolist(), (x**power).tolist())
    assert found is not None
    assert x[found] == other.knee


@pytest.mark.parametrize(
    "points", [[(0, 0), (1, 1)], [(0, 0), (0, 0), (1, 1)], [(0, 0), (1, 1), (2, 2)], [(0, 0), (2, 1), (3, 3)]]
)
def test_two_points_a_straight_line_or_a_hollow_have_no_knee(points: list[tuple[float, float]]) -> None:
    """Nothing lies above the chord."""
    assert knee_of([lost for lost, _ in points], [saved for _, saved in points]) is None


@pytest.mark.parametrize(
    ("kwh", "expected"),
    [
        ([5, 3, 0, 0], DischargeStop(0.5, 1.0)),
        ([5, 0, 2, 0], DischargeStop(1.0, 2.0)),  # for good, not for the first time
        ([5, 3, 2, 1], DischargeStop(2.0, None)),
        ([0, 0, 0, 0], DischargeStop(None, 0.0)),
    ],
)
def test_where_discharging_stops(kwh: list[float], expected: DischargeStop) -> None:
    """From the least weight on over which nothing is discharged."""
    assert discharge_stop([0.0, 0.5, 1.0, 2.0], kwh) == expected


def test_groups_are_those_of_offer_law_and_settings_in_their_order() -> None:
    """Whatever the order of the rows; references belong to their group and are no points."""
    runs = made_up_runs(("Dusk tariff", "Noon tariff"), settings=(0, 2))
    found = frontiers_of(runs.sample(frac=1, random_state=7))
    assert found == frontiers_of(runs)
    assert [(each.offer, each.settings[0]) for each in found] == [
        (offer, ("charger.discharge_min_kw", value)) for offer in ("Dusk tariff", "Noon tariff") for value in "02"
    ]
    for each in found:
        assert [point.weight for point in each.points] == [0.0, 0.5, 1.0, 2.0, 5.0, 10.0]
        assert each.charge_on_return is not None
        assert each.charge_on_return.cash_saved == 0
        assert each.one is not None
        assert each.one.weight == 1


def test_weight_1_is_not_made_up() -> None:
    """A sweep without it has none, however near another one is."""
    assert frontiers_of(made_up_runs(weights=(0.0, 0.99, 1.01)))[0].one is None


def test_where_money_is_concave_in_wear_the_money_in_all_is_most_at_weight_1() -> None:
    """Money 2 · sqrt(wear) by wear: its slope at weight w is w, so what is left after wear is most at 1.

    Wear by weight is 1 / w ** 2, from 2 / (2 · sqrt(wear)) = w.
    """
    weights = np.array([0.25, 0.5, 0.9, 1.0, 1.1, 2.0, 4.0])
    runs = made_up_runs(weights=weights.tolist())
    planned = runs["policy"] == "plan"
    runs.loc[planned, "cash_saved_a_year"] = 2 / weights
    runs.loc[planned, "saving_a_year"] = 2 / weights - 1 / weights**2
    runs.loc[planned, "capacity_lost_percent_a_year"] = 1 / weights**2
    found = frontiers_of(runs)[0]
    assert max(found.points, key=lambda each: each.saving) is found.one
    assert all(each.efficient for each in found.points)


def test_full_cycles_are_a_year_s() -> None:
    """Of 14 days, times 365.25 / 14."""
    runs = made_up_runs()
    first = frontiers_of(runs)[0].points[0]
    assert first.full_cycles == pytest.approx(runs["equivalent_full_cycles"][0] * 365.25 / 14)


@pytest.mark.parametrize(("value", "text"), [(2, "2"), (2.0, "2"), (np.int64(2), "2"), (True, "true"), ("x y", "x y")])
def test_a_value_is_one_text_however_it_was_read(value: object, text: str) -> None:
    """CSV and Parquet differ in 2 and 2.0."""
    assert value_text(value) == text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"saving_a_year": None}, "missing: saving_a_year"),
        ({"cash_saved_a_year": np.nan}, "cash_saved_a_year: found nan in run 0; expected a finite number"),
        ({"weight": "heavy"}, 'weight: found "heavy" in run 0'),
        ({"days": 0}, "days: found 0 in run 0; expected a number of 1 or more"),
        ({"policy": "guess"}, 'policy: found "guess"; expected plan, charge-only'),
        ({"policy": "charge-only"}, "no run is a plan"),
        ({"weight": 1.0}, "weight 1 is given twice"),
    ],
)
def test_a_table_of_something_else_is_refused(change: dict[str, object], said: str) -> None:
    """One clear message, which names the table."""
    runs = made_up_runs()
    for name, value in change.items():
        runs = runs.drop(columns=name) if value is None else runs.assign(**{name: value})
    with pytest.raises(InputFaults, match=said) as caught:
        frontiers_of(runs, "out/runs.csv")
    assert str(caught.value).startswith("out/runs.csv")


def test_a_reference_needs_no_weight() -> None:
    """A weight that is left empty for it."""
    runs = made_up_runs()
    runs["weight"] = runs["weight"].where(runs["policy"] == "plan")
    assert isinstance(runs, pd.DataFrame)
    assert frontiers_of(runs)[0].charge_only is not None
