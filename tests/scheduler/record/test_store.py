"""The record's store: plans, what was told, and a database that is never half of anything."""

from __future__ import annotations

import json
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from models.site.trips import Trip
from scheduler.record.database import RECORD_FILE, RecordDamaged
from scheduler.record.store import DrivenTrip, opened_record
from scheduler.textio.errors import InputFaults, NotWrittenError

EVENING = datetime(2026, 3, 2, 18, 20, tzinfo=UTC)


def plan_text(start: datetime = EVENING, revision: int = 0, **more: object) -> str:
    """Text of a plan.json with what a record reads of it."""
    document = {
        "start": start.isoformat(),
        "evening": EVENING.isoformat(),
        "end": (start + timedelta(hours=24)).isoformat(),
        "made_at": start.isoformat(),
        "revision": revision,
    }
    return json.dumps(document | more)


def test_plans_of_an_evening_come_in_order_and_whole(tmp_path: Path) -> None:
    later = EVENING + timedelta(hours=2)
    with opened_record(tmp_path) as record:
        record.add_plan(plan_text(later, 1), "second")
        record.add_plan(plan_text(note="Straße"), "first")
        assert [plan.schedule for plan in record.plans_of_evening(EVENING)] == ["first", "second"]
        assert record.evenings() == [EVENING]
        newest, first = record.plans()
        assert (newest.start, newest.revision, first.document["note"]) == (later, 1, "Straße")


def test_a_plan_made_again_is_not_set_any_more_but_the_same_one_stays(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        record.add_plan(plan_text(), "")
        record.mark_set(EVENING, EVENING + timedelta(minutes=3))
        record.add_plan(plan_text(), "")
        same = record.plan(EVENING)
        assert same is not None
        assert same.set_at == EVENING + timedelta(minutes=3)
        record.add_plan(plan_text(headline="another"), "")
        other = record.plan(EVENING)
        assert other is not None
        assert other.set_at is None


def test_setting_a_plan_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record, pytest.raises(InputFaults, match="there is no plan that starts at"):
        record.mark_set(EVENING, EVENING)


def test_states_and_trips_come_back_as_told(tmp_path: Path) -> None:
    trip = Trip(EVENING, EVENING + timedelta(hours=9), 96.0, "fast", 41.5)
    with opened_record(tmp_path) as record:
        record.tell_state(EVENING, "return", 71.0)
        record.tell_state(EVENING, "return", 72.5)
        record.tell_trip(DrivenTrip(trip, -3.0))
    with opened_record(tmp_path) as record:
        assert [state.soc_percent for state in record.states()] == [72.5]
        assert record.states(after=EVENING + timedelta(seconds=1)) == []
        assert record.trips() == [DrivenTrip(trip, -3.0)]


@pytest.mark.parametrize(("kind", "percent"), [("noon", 50.0), ("morning", 101.0)])
def test_what_no_car_can_show_is_not_kept(tmp_path: Path, kind: str, percent: float) -> None:
    with opened_record(tmp_path) as record:
        with pytest.raises(sqlite3.IntegrityError):
            record.tell_state(EVENING, kind, percent)  # type: ignore[arg-type]
        assert record.states() == []


def test_a_record_of_a_newer_version_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        record.connection.execute("PRAGMA user_version = 99")
    before = (tmp_path / RECORD_FILE).read_bytes()
    with pytest.raises(InputFaults, match="newer version: version 99"), opened_record(tmp_path):
        pass
    assert (tmp_path / RECORD_FILE).read_bytes() == before


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / RECORD_FILE) as other:
        other.execute("CREATE TABLE recipes (name TEXT)")
    other.close()
    with pytest.raises(InputFaults, match="database of another program"), opened_record(tmp_path):
        pass


def test_a_damaged_record_is_named(tmp_path: Path) -> None:
    (tmp_path / RECORD_FILE).write_bytes(b"no database at all, but long enough to be read as one" * 40)
    with pytest.raises(RecordDamaged, match=r"record\.sqlite: this record is damaged"), opened_record(tmp_path):
        pass


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(NotWrittenError, match="cannot be written"), opened_record(tmp_path / "none"):
        pass
