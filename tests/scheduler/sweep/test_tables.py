"""Tables of a sweep: every column with unit and meaning, the same numbers in every format."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from scheduler.inputs.site_file import read_site
from scheduler.inputs.site_values import site_values
from scheduler.rolling.workers import workers_here
from scheduler.sweep.grid import SOLAR_SCALE, TABLES
from scheduler.sweep.request import SweepOptions
from scheduler.sweep.sweep import Study, sweep
from tests.builders.places import SCENARIOS
from tests.builders.sites import write_site
from tests.builders.undrawn_sweeps import undrawn_sweeps

DEMO = SCENARIOS / "bookbindery"


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Study:
    words = SweepOptions(
        DEMO, "1", settings=("solar.can_be_limited=true,false",), first_day="2026-02-02", last_day="2026-02-02"
    )
    with undrawn_sweeps():
        return sweep(words, tmp_path_factory.mktemp("tables") / "out", workers_here(1))


def test_every_column_is_in_the_dictionary_with_its_unit(study: Study) -> None:
    """The dictionary has the columns of both tables in their order; powers are in kW, prices in money."""
    with (study.folder / "dictionary.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    runs = [row["column"] for row in rows if row["table"] == "runs"]
    assert runs == list(study.runs.columns)
    assert [row["column"] for row in rows if row["table"] == "nights"] == list(study.nights.columns)
    units = {row["column"]: row["unit"] for row in rows if row["table"] == "runs"}
    assert units["charger.discharge_min_kw"] == "kW"
    assert units["car.consumption_kwh_per_100km"] == "kWh per 100 km"
    assert units["wear.battery_price"] == "money"
    assert units["car.on_the_way_price_per_kwh"] == "money per kWh"
    assert units["plan.step_minutes"] == "min"
    assert all(row["unit"] and row["meaning"] for row in rows)


def test_parquet_says_the_same_as_csv_and_the_frame(study: Study) -> None:
    """Every number to the last digit; fields carry their unit."""
    from_csv = pd.read_csv(study.folder / "runs.csv")
    from_parquet = pd.read_parquet(study.folder / "runs.parquet")
    for found in (from_csv, from_parquet):
        assert list(found) == list(study.runs)
        for name in found:
            mine, theirs = study.runs[name], found[name]
            assert theirs.isna().tolist() == mine.isna().tolist()
            assert theirs.dropna().tolist() == mine.dropna().tolist()
    field = pq.read_schema(study.folder / "nights.parquet").field("discharge_kwh")
    assert field.metadata[b"unit"] == b"kWh"


def test_every_single_value_of_a_site_has_a_column(tmp_path: Path) -> None:
    """Every key of the tables that can be swept, but weight and law, which have columns of their own."""
    keys = {f"{table}.{key}" for table, schema in TABLES.items() for key in schema.model_fields} | {SOLAR_SCALE}
    found = site_values(read_site(write_site(tmp_path)))
    assert set(found) == keys - {"wear.weight", "wear.law", "connection.export_window", "charger.allow_high_minimum"}
    assert found["charger.discharge_min_kw"] == 1.2
    assert found["plan.evening"] == "17:30"
