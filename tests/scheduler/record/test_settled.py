"""Settled nights in a record: kept whole with their flows, and given back as they were."""

from __future__ import annotations

import sqlite3
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from scheduler.record.settled import WAYS, flows_between, keep_settled, night_flows, settled_from, settled_nights
from scheduler.record.store import opened_record
from tests.builders.settled import night_flows_of, settled_night


def test_a_night_comes_back_as_it_was_kept_with_its_flows(tmp_path: Path) -> None:
    night = settled_night(chance_short=None, soc_told_percent=68.5, was_set=False)
    with opened_record(tmp_path) as record:
        keep_settled(record, night, {way: night_flows_of(night, number) for number, way in enumerate(WAYS)}, "meter")
    with opened_record(tmp_path) as record:
        assert settled_nights(record) == [night]
        assert settled_from(record) == {night.begin: "meter"}
        found = night_flows(record, night.begin, "charge-only")
        assert found.start.equals(night_flows_of(night).start)
        assert found.columns["import_kwh"].tolist() == [2.0] * 24
        assert len(night_flows(record, night.end).start) == 0


def test_flows_of_a_span_come_in_order_over_nights(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        for number in (1, 0):
            night = settled_night(number)
            keep_settled(record, night, {"plan": night_flows_of(night)}, "")
        first = settled_night().begin
        found = flows_between(record, "plan", first + timedelta(hours=20), first + timedelta(hours=30))
    assert found.start[0] == first + timedelta(hours=20)
    assert np.diff(found.start.as_unit("s").asi8).tolist() == [3600] * 9


def test_a_night_settled_again_replaces_figures_and_flows(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        for cost in (3.0, 2.0):
            night = settled_night(cost=cost)
            keep_settled(record, night, {way: night_flows_of(night, cost) for way in WAYS}, f"{cost}")
        assert [each.cost for each in settled_nights(record)] == [2.0]
        assert night_flows(record, night.begin).columns["import_kwh"].sum() == 48.0


def test_a_night_that_cannot_be_kept_leaves_the_one_before(tmp_path: Path) -> None:
    night = settled_night()
    with opened_record(tmp_path) as record:
        keep_settled(record, night, {"plan": night_flows_of(night)}, "first")
        with pytest.raises(sqlite3.IntegrityError):
            keep_settled(record, settled_night(cost=9.0), {"plan": night_flows_of(night, -1.0)}, "second")
        assert settled_nights(record) == [night]
        assert len(night_flows(record, night.begin).start) == 24
