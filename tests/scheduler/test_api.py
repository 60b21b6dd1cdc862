"""The public names: they do what the commands do, and say clearly what is at fault."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable
from dataclasses import fields
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

import scheduler.api as api
from models.site.trips import Trip
from scheduler.api import InputFaults, night, plan, site, sweep, year
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.sweep.manifest import manifest_of
from scheduler.sweep.request import SweepOptions, parse_sweep_request
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
DAY = "2026-02-02"
NOW, TRIP = "2026-03-02T18:20", "07:30-18:00 96km"


def at(hour: int) -> datetime:
    """An hour of the day after NOW, in UTC."""
    return datetime(2026, 3, 3, hour, tzinfo=UTC)


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
@pytest.mark.usefixtures("undrawn")
def test_a_year_is_a_row_of_a_sweep(tmp_path: Path) -> None:
    """The same days in both ways: in all, cash, wear, energy given; nights and intervals sum to the same."""
    rolled = year(site(DEMO), date(2026, 2, 2), "2026-02-03")
    row = sweep(DEMO, [1], first="2026-02-02", last=date(2026, 2, 3), out=tmp_path / "out", jobs=1).runs.iloc[0]
    assert rolled.cash == pytest.approx(row["cash"], abs=1e-9)
    assert rolled.wear_cost == pytest.approx(row["wear_cost"], abs=1e-9)
    assert rolled.in_all == pytest.approx(row["in_all"], abs=1e-9)
    assert rolled.discharged_kwh == pytest.approx(row["discharged_kwh"], abs=1e-9)
    assert rolled.nights["discharge_kwh"].sum() == pytest.approx(rolled.intervals["discharge_kwh"].sum())
    assert rolled.intervals["hours"].sum() == pytest.approx(48)


@pytest.mark.needs("study")
@pytest.mark.usefixtures("undrawn")
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
    with pytest.raises(InputFaults, match="soc_percent: found 171; expected a number from 0 to 100"):
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
            "forecast: found .perfect.; expected samples, typical, recorded",
        ),
        (
            lambda: year(site(DEMO), DAY, DAY, policy="charge_only"),
            "policy: found .charge_only.; did you mean charge-only",
        ),
        (
            lambda: year(site(DEMO), DAY, DAY, soc_percent=150),
            "soc_percent: found 150; expected a number from 0 to 100",
        ),
        (lambda: year("scenarios/bookbindery", DAY, DAY), "inputs: found .*; expected what site.. gives"),
        (lambda: year(site(DEMO), 20260202, DAY), "first: found 20260202; expected a day"),
        (lambda: night(site(DEMO), 71, now=NOW, solar="much"), "solar: found .much.; expected low, typical, high"),
        (lambda: plan(site(DEMO), "71", now=NOW), "soc_percent: found .71."),
        (lambda: site(None), "folder: found None; expected a path"),
        (lambda: sweep(DEMO, 1, forecast="perfect"), "forecast: found .perfect."),
        (lambda: sweep(DEMO, 1, laws="dept"), "did you mean depth"),
        (lambda: sweep(DEMO, 1, settings={"car.floor_percent": [None]}), "car.floor_percent: found None"),
        (lambda: sweep(DEMO, 1, jobs="2"), "--jobs: found .2."),
        (lambda: sweep(DEMO, 1, jobs=1, cluster="tcp://127.0.0.1:1"), "jobs: cannot be given with cluster"),
    ],
)
@pytest.mark.needs("study")
def test_values_of_other_kinds_are_told(call: Callable[[], object], says: str) -> None:
    """A clear fault instead of another question's answer or a traceback."""
    with pytest.raises(InputFaults, match=says):
        call()


@pytest.mark.needs("study")
@pytest.mark.usefixtures("undrawn")
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
    assert len(functions) == 8
    assert all("Raises" in (function.__doc__ or "") for function in functions)


def test_values_and_texts_ask_the_same_of_tonight() -> None:
    """Datetimes, local or in any zone and of any kind, and trips as values give the night that their texts give."""
    inputs = site(DEMO)
    zone = ZoneInfo(inputs.site.timezone)
    expected = night(inputs, 30, now=NOW, home_at="2026-03-02T21:00", trips=[TRIP])
    local, back = datetime(2026, 3, 2, 18, 20), datetime(2026, 3, 2, 21)
    leaves, returns = datetime(2026, 3, 3, 7, 30, tzinfo=zone), datetime(2026, 3, 3, 18, tzinfo=zone)
    moments = [
        (local, back),
        (local.replace(tzinfo=zone).astimezone(UTC), back.replace(tzinfo=zone)),
        (pd.Timestamp(local, tz=zone), pd.Timestamp(back)),
    ]
    for now, home_at in moments:
        for trip in (Trip(leaves, returns, 96), TRIP):
            assert vars_of(night(inputs, 30, now=now, home_at=home_at, trips=trip)) == vars_of(expected)


def vars_of(found: Night) -> str:
    """Everything that a night says, as text."""
    return repr([getattr(found, field.name) for field in fields(found)])


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"now": datetime(2026, 3, 2, 18, 20, 5)}, "--now: found 2026-03-02T18:20:05; expected"),
        ({"now": datetime(1869, 3, 2)}, "--now: found the year 1869; expected 1970 to 2199"),
        ({"now": datetime(2026, 3, 29, 3, 30)}, "--now: the clocks skip 03:30 on 2026-03-29"),
        ({"now": 20260302}, "now: found 20260302; expected a moment"),
        ({"now": NOW, "home_at": datetime(2026, 3, 2, 8)}, "--home-at: 2026-03-02T08:00:00 is in the past"),
        ({"now": NOW, "trips": [96]}, "trips: found 96; expected a trip"),
        ({"now": NOW, "trips": Trip(datetime(2026, 3, 3, 7), datetime(2026, 3, 3, 8), 5)}, "have no time zone"),
        ({"now": NOW, "trips": Trip(at(8), at(7), 5)}, "returns before it departs"),
        ({"now": NOW, "trips": Trip(at(7), at(8), -5)}, "the distance -5 is under 0"),
        ({"now": NOW, "trips": [Trip(at(7), at(9), 5), Trip(at(8), at(10), 5)]}, "overlap"),
    ],
)
def test_values_that_cannot_be_are_told(words: dict[str, Any], says: str) -> None:
    """Moments and trips that were given as values are checked as their texts are."""
    with pytest.raises(InputFaults, match=re.escape(says)):
        night(site(DEMO), 71, **words)


def test_values_and_texts_ask_the_same_of_a_sweep() -> None:
    """The same runs and the same manifest, whose texts read back as the values."""
    values = SweepOptions(
        site=DEMO,
        weights=(0.5, np.float64(0)),
        laws=("depth",),
        settings=(
            ("charger.discharge_to", ("building",)),
            ("wear.segment_edges_percent", ([10, 100], [100])),
            ("solar.can_be_limited", (np.True_,)),
        ),
        first_day=date(2026, 2, 2),
        last_day=pd.Timestamp("2026-02-03 12:00"),
    )
    texts = SweepOptions(
        site=DEMO,
        weights="0.5,0.0",
        laws="depth",
        settings=(
            'charger.discharge_to="building"',
            "wear.segment_edges_percent=[10, 100],[100]",
            "solar.can_be_limited=true",
        ),
        first_day="2026-02-02",
        last_day="2026-02-03",
    )
    of_values, of_texts = parse_sweep_request(values), parse_sweep_request(texts)
    assert list(of_values.runs) == list(of_texts.runs)
    assert manifest_of(of_values, "now") == manifest_of(of_texts, "now")


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"weights": (True,)}, "--weights: found .True.; expected"),
        ({"weights": ()}, "--weights: found"),
        ({"weights": (float("nan"),)}, "--weights: found"),
        ({"weights": (1, 1.0)}, "has a weight twice"),
        ({"settings": (("car.floor_percent", ()),)}, "--set: found .car.floor_percent="),
        ({"settings": (("car.floor_percent", (float("inf"),)),)}, "car.floor_percent: found inf; expected a finite"),
        ({"settings": (("car.floor_percent=1", (2,)),)}, "--set: found .car.floor_percent=1."),
        ({"settings": (("wear.weight", (2,)),)}, "--set: wear.weight has an option of its own"),
        ({"settings": (("car.floor_percent", (10, 10)),)}, "is given twice"),
    ],
)
def test_values_of_a_sweep_that_cannot_be_are_told(given: dict[str, Any], says: str) -> None:
    """Weights and values of keys are checked as their texts are."""
    with pytest.raises(InputFaults, match=says):
        parse_sweep_request(SweepOptions(**{"site": DEMO, "weights": (1.0,), **given}))
