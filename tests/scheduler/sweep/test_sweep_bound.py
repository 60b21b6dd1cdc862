"""A sweep with `--bound`: the bound, its gap and each run's share, and wear counted after the fact."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from scheduler.rolling.workers import workers_here
from scheduler.sweep.columns import RUN_COLUMNS
from scheduler.sweep.request import SweepOptions
from scheduler.sweep.sweep import Study, repeat, sweep
from scheduler.sweep.text import bound_sentences, counted_sentences
from tests.builders.places import SCENARIOS
from tests.builders.sweep_runs import made_up_runs
from tests.builders.undrawn_sweeps import undrawn_sweeps

OPTIONS = SweepOptions(SCENARIOS / "bookbindery", (0.0, 1.0), first_day="2026-01-12", last_day="2026-01-13", bound=True)


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    with undrawn_sweeps():
        return sweep(OPTIONS, tmp_path_factory.mktemp("bounded") / "out", workers_here(1))


def test_every_run_has_its_share(study: Study) -> None:
    """No run is under the bound, only charging keeps none, and totals by counted wear add up."""
    runs = study.runs
    assert set(runs["full_horizon_bound"]) == {runs["full_horizon_bound"].iloc[0]}
    shares = runs.set_index("policy")["full_horizon_share"]
    assert shares["charge-only"] == 0.0
    assert shares["charge-on-return"] <= 1e-9
    assert (runs["full_horizon_share"] <= 1.0).all()
    assert (runs["full_horizon_gap"] >= 0.0).all()
    assert (runs["full_horizon_part_bound"] <= runs["full_horizon_bound"]).all()
    parts = runs["cash"] + runs["counted_wear_cost"] - runs["stored_energy"]
    pd.testing.assert_series_equal(runs["in_all_counted"], parts, check_names=False)
    assert "Of the most that discharging can be worth" in bound_sentences(runs)[0]


@pytest.mark.usefixtures("undrawn")
def test_a_manifest_asks_for_the_bound_again(study: Study, tmp_path: Path) -> None:
    """Repeated from its manifest, the sweep has the same numbers, bounds among them."""
    assert study.manifest["asked"]["bound"] is True
    assert study.manifest["command"].endswith("--bound")
    again, repeated = repeat(study.folder / "manifest.json", tmp_path / "again", workers_here(1))
    assert repeated.same_numbers
    assert again.runs["full_horizon_bound"].notna().all()


def test_without_it_the_columns_are_empty() -> None:
    """They are in the dictionary all the same; nothing is said."""
    assert {"full_horizon_bound", "full_horizon_share", "in_all_counted"} <= {each.name for each in RUN_COLUMNS}
    assert bound_sentences(made_up_runs()) == ()
    assert counted_sentences(made_up_runs()) == ()


def test_another_ranking_by_counted_wear_is_said() -> None:
    """By the totals of the plans of each group."""
    runs = made_up_runs(weights=(0.0, 1.0))
    runs["group"] = 0
    runs["in_all"] = runs["run"].astype(float)
    assert counted_sentences(runs.assign(in_all_counted=runs["in_all"])) == ()
    said = counted_sentences(runs.assign(in_all_counted=-runs["in_all"]))
    assert said == (
        "With wear counted after the fact the weights rank otherwise by total: in_all_counted in runs.csv.",
    )
