"""The public names: they do what the commands do, and say clearly what is at fault."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

import scheduler.api as api
from scheduler.api import InputFaults, night, plan, site, sweep, year
from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.plan_tonight import plan_tonight
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
DAY = "2026-02-02"
NOW, TRIP = "2026-03-02T18:20", "07:30-18:00 96km"


def test_a_plan_is_that_of_the_command() -> None:
    """The same total, blocks and reasons as `overnight plan` with the same words."""
    found = plan(site(DEMO), 71, now=NOW, trips=[TRIP])
    expected = plan_tonight(DEMO, RequestOptions(71, NOW, trips=(TRIP,)))
    assert found.replayed.costs == expected.replayed.costs
    assert found.reasons == expected.reasons


def test_a_night_has_one_number_an_interval() -> None:
    """Prices and loads by interval, stored energy at boundaries, one more of those."""
    found = night(site(DEMO), 71, now=NOW, stay_home=True)
    assert len(found.boundaries) == found.intervals + 1
    assert found.import_price.shape == found.load_kw.shape == (found.intervals,)


@pytest.mark.needs("study")
def test_a_year_is_a_row_of_a_sweep(tmp_path: Path) -> None:
    """The same days in both ways: in all, cash, wear, energy given; nights and intervals sum to the same."""
    rolled = year(site(DEMO), date(2026, 2, 2), "2026-02-04")
    row = sweep(DEMO, [1], first="2026-02-02", last=date(2026, 2, 4), out=tmp_path / "out", jobs=1).runs.iloc[0]
    assert rolled.cash == pytest.approx(row["cash"], abs=1e-9)
    assert rolled.wear_cost == pytest.approx(row["wear_cost"], abs=1e-9)
    assert rolled.in_all == pytest.approx(row["in_all"], abs=1e-9)
    assert rolled.discharged_kwh == pytest.approx(row["discharged_kwh"], abs=1e-9)
    assert rolled.nights["discharge_kwh"].sum() == pytest.approx(rolled.intervals["discharge_kwh"].sum())
    assert rolled.intervals["hours"].sum() == pytest.approx(72)


@pytest.mark.needs("study")
def test_settings_as_python_values(tmp_path: Path) -> None:
    """Numbers, truth and words of site keys."""
    settings = {"charger.discharge_to": ["building"], "solar.can_be_limited": [True], "car.floor_percent": [30]}
    runs = sweep(DEMO, [0], settings=settings, first="2026-02-02", last="2026-02-02", out=tmp_path / "out", jobs=1).runs
    assert runs.loc[0, list(settings)].tolist() == ["building", True, 30]


@pytest.mark.needs("study")
def test_faults_are_told() -> None:
    """A folder without a site, a state of charge over the battery, days beyond the series, a negative weight."""
    with pytest.raises(InputFaults, match=r"site\.toml"):
        site(DEMO.parent)
    with pytest.raises(InputFaults, match="soc_percent: found 171; allowed is a number from 0 to 100"):
        plan(site(DEMO), 171, now=NOW)
    with pytest.raises(InputFaults, match="--from: 1999-01-01 is not covered"):
        year(site(DEMO), "1999-01-01")
    with pytest.raises(InputFaults, match="--weights"):
        sweep(DEMO, [-1.0])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda: year(site(DEMO), DAY, DAY, forecast="perfect"),
            "forecast: found .perfect.; allowed is typical, recorded",
        ),
        (
            lambda: year(site(DEMO), DAY, DAY, policy="charge_only"),
            "policy: found .charge_only.; did you mean charge-only",
        ),
        (
            lambda: year(site(DEMO), DAY, DAY, soc_percent=150),
            "soc_percent: found 150; allowed is a number from 0 to 100",
        ),
        (lambda: year("scenarios/bookbindery", DAY, DAY), "inputs: found .*; allowed is what site.. gives"),
        (lambda: year(site(DEMO), 20260202, DAY), "first: found 20260202; allowed is a day"),
        (lambda: night(site(DEMO), 71, now=NOW, solar="much"), "solar: found .much.; allowed is low, typical, high"),
        (lambda: plan(site(DEMO), "71", now=NOW), "soc_percent: found .71."),
        (lambda: site(None), "folder: found None; allowed is a path"),
        (lambda: sweep(DEMO, 1, forecast="perfect"), "forecast: found .perfect."),
        (lambda: sweep(DEMO, 1, laws="dept"), "did you mean depth"),
        (lambda: sweep(DEMO, 1, settings={"car.floor_percent": [None]}), "car.floor_percent: found None"),
        (lambda: sweep(DEMO, 1, jobs="2"), "--jobs: found 2"),
        (lambda: sweep(DEMO, 1, jobs=1, cluster="tcp://127.0.0.1:1"), "jobs: and cluster exclude each other"),
    ],
)
@pytest.mark.needs("study")
def test_values_of_other_kinds_are_told(call: Callable[[], object], says: str) -> None:
    """A clear fault instead of another question's answer or a traceback."""
    with pytest.raises(InputFaults, match=says):
        call()


@pytest.mark.needs("study")
def test_one_value_need_not_stand_in_a_list(tmp_path: Path) -> None:
    """A weight, a law, a day as a moment, a value, and a list as a value."""
    edges = {"wear.segment_edges_percent": [[10, 100], [100]], "charger.discharge_to": "building"}
    first = pd.Timestamp("2026-02-02 12:00")
    runs = sweep(DEMO, 0, laws="depth", settings=edges, first=first, last=DAY, out=tmp_path / "out", jobs=1).runs
    assert runs["wear.segment_edges_percent"].tolist()[:2] == ["10 100", "100"]
    assert set(runs["charger.discharge_to"]) == {"building"}


def test_every_public_name_says_what_it_raises() -> None:
    """Functions have a docstring that lists their errors."""
    functions = [getattr(api, name) for name in api.__all__ if inspect.isfunction(getattr(api, name))]
    assert len(functions) == 6
    assert all("Raises" in (function.__doc__ or "") for function in functions)
