"""The record as tables: tidy, whole or not at all, and no cell that a spreadsheet would run."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.site.trips import Trip
from scheduler.record.demo import DEMO_FOLDER, demo_record
from scheduler.record.export import export_record, export_texts, plain_text, written_text
from scheduler.record.settled import WAYS, flows_between, keep_settled, settled_nights
from scheduler.record.store import DrivenTrip, opened_record
from scheduler.record.totals import totals
from scheduler.textio.errors import InputFaults, NotWrittenError
from tests.builders.recorded import evening_texts
from tests.builders.settled import FIRST_EVENING, night_flows_of, settled_night

ZONE = "Europe/Helsinki"


def filled_record(folder: Path, why: str = "All went about as forecast.") -> Path:
    """Write a record with a plan, two settled nights, a state of charge and a trip; gives its folder."""
    with opened_record(folder) as record:
        record.add_plan(*evening_texts())
        for number in range(2):
            night = settled_night(number, why=why, chance_short=None if number else 0.1)
            keep_settled(record, night, {way: night_flows_of(night, 0.25 + number) for way in WAYS}, "{}")
        record.tell_state(FIRST_EVENING, "evening", 71.5)
        record.tell_trip(DrivenTrip(Trip(FIRST_EVENING, settled_night().end, 96.0, "fast", 41.5), -3.0))
    return folder


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_the_tables_hold_what_is_on_record_at_local_time(tmp_path: Path) -> None:
    with opened_record(filled_record(tmp_path)) as record:
        files = export_record(record, tmp_path / "out", ZONE)
    assert [file.name for file in files] == ["plans.csv", "nights.csv", "flows.csv", "states.csv", "trips.csv"]
    plans, nights, flows, states, trips = map(rows_of, files)
    document = json.loads(evening_texts()[0])
    assert plans[0]["start"] == "2026-03-03T20:00:00+02:00"
    assert float(plans[0]["planned_saving"]) == pytest.approx(document["saving"], abs=1e-8)
    assert [night["chance_short"] for night in nights] == ["0.100000000", ""]
    assert [float(night["earned_on_return"]) for night in nights] == [2.0, 2.0]
    assert len(flows) == 2 * 3 * 24
    assert sum(float(row["import_kwh"]) for row in flows if row["way"] == "plan") == pytest.approx(24 * 1.5)
    assert states == [{"at": "2026-03-02T18:20:00+02:00", "kind": "evening", "soc_percent": "71.500000000"}]
    assert (trips[0]["pace"], float(trips[0]["outside_degc"])) == ("fast", -3.0)


@pytest.mark.parametrize("begins", ["=", "+", "-", "@", "\t"])
def test_text_is_never_a_formula(tmp_path: Path, begins: str) -> None:
    with opened_record(filled_record(tmp_path, f"{begins}2+3|cmd")) as record:
        (nights,) = (rows_of(file) for file in export_record(record, tmp_path, ZONE) if file.name == "nights.csv")
    assert nights[0]["why"] == f"'{begins}2+3|cmd"


@given(st.text(max_size=20))
def test_a_cell_gives_its_text_back(text: str) -> None:
    cell = plain_text(text)
    assert not cell.startswith(("=", "+", "-", "@"))
    if not text.startswith("'"):
        assert written_text(cell) == text


def test_tables_that_cannot_be_written_leave_those_of_before(tmp_path: Path) -> None:
    with opened_record(filled_record(tmp_path)) as record:
        files = export_record(record, tmp_path / "out", ZONE)
        before = {file: file.read_bytes() for file in files[:-1]}
        files[-1].unlink()
        files[-1].mkdir()
        keep_settled(record, settled_night(5), {}, "{}")
        with pytest.raises(NotWrittenError, match=r"trips\.csv cannot be written"):
            export_record(record, tmp_path / "out", ZONE)
    assert {file: file.read_bytes() for file in files[:-1]} == before


def demo_of(folder: Path) -> Path:
    """Write the tables of a record as a site's demo; gives the site's folder."""
    site = folder / "site"
    with opened_record(filled_record(folder, "=1+1")) as record:
        (site / DEMO_FOLDER).mkdir(parents=True)
        export_record(record, site / DEMO_FOLDER, ZONE)
    return site


def test_a_demo_is_read_back_as_it_was_exported(tmp_path: Path) -> None:
    site = demo_of(tmp_path)
    with opened_record(tmp_path) as record, demo_record(site) as demo:
        assert settled_nights(demo) == settled_nights(record)
        assert totals(settled_nights(demo)) == totals(settled_nights(record))
        for way in WAYS:
            ours, theirs = flows_between(demo, way), flows_between(record, way)
            assert ours.start.equals(theirs.start)
            assert ours.columns["import_kwh"].tolist() == theirs.columns["import_kwh"].tolist()
        assert demo.states() == record.states()
        assert demo.trips() == record.trips()
        texts = export_texts(demo, ZONE), export_texts(record, ZONE)
        assert texts[0] | {"plans.csv": ""} == texts[1] | {"plans.csv": ""}
    assert not list(site.glob("record*"))


@pytest.mark.parametrize("file", ["nights.csv", "flows.csv", "states.csv", "trips.csv"])
def test_a_damaged_demo_is_named_with_its_line(tmp_path: Path, file: str) -> None:
    site = demo_of(tmp_path)
    lines = (site / DEMO_FOLDER / file).read_text(encoding="utf-8").splitlines()
    (site / DEMO_FOLDER / file).write_text("\n".join([lines[0], lines[1].replace("2026", "soon")]), encoding="utf-8")
    said = rf"{file} line 2: this row of the demo's record is damaged"
    with pytest.raises(InputFaults, match=said), demo_record(site):
        pass
