"""Plans of a site's folder and of its commands come into the record, each once, and never at a plan's expense."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest

from scheduler.plans.saved_plan import NOT_RECORDED_FILE
from scheduler.record.database import RECORD_FILE
from scheduler.record.keep_plan import keep_hand_over, keep_plan
from scheduler.record.store import opened_record
from scheduler.record.take_in import TakenIn, take_in_plans
from tests.builders.recorded import evening_texts
from tests.builders.sites import TIMEZONE, write_site

NAME = "Brook Cottage"


def folder_of(site: Path, number: int = 0) -> Path:
    """Write the folder of an evening's plan."""
    folder = site / "plans" / f"2026-03-0{3 + number}T1800"
    folder.mkdir(parents=True)
    for name, text in zip(("plan.json", "schedule.csv"), evening_texts(number), strict=True):
        (folder / name).write_text(text, encoding="utf-8", newline="")
    return folder


def test_folders_are_taken_in_once_and_stay_as_they_are(tmp_path: Path) -> None:
    site = write_site(tmp_path)
    folders = [folder_of(site, number) for number in range(2)]
    before = {file: file.read_bytes() for folder in folders for file in folder.iterdir()}
    with opened_record(site) as record:
        assert take_in_plans(record, site, NAME, TIMEZONE) == TakenIn(2)
        first = record.evenings()[0]
        record.mark_set(first, first)
        assert take_in_plans(record, site, NAME, TIMEZONE) == TakenIn(0)
        plan = record.plan(first)
        assert plan is not None
        assert plan.set_at == first
        assert plan.document == json.loads(evening_texts(0)[0])
        assert plan.schedule == evening_texts(0)[1]
    assert {file: file.read_bytes() for folder in folders for file in folder.iterdir()} == before


def test_damaged_plans_those_of_another_site_and_studies_are_passed_over(tmp_path: Path) -> None:
    site = write_site(tmp_path)
    whole, damaged, study = (folder_of(site, number) for number in range(3))
    (damaged / "plan.json").write_text('{"format": 1', encoding="utf-8")
    (study / NOT_RECORDED_FILE).write_text("")
    (site / "plans" / "notes").mkdir()
    with opened_record(site) as record:
        assert take_in_plans(record, site, "Another", TIMEZONE) == TakenIn(0, (damaged,))
        assert take_in_plans(record, site, NAME, TIMEZONE) == TakenIn(1, (damaged,))
        assert [plan.start.day for plan in record.plans()] == [3]
    assert whole.is_dir()


def test_a_site_without_a_folder_of_plans_has_none_to_take_in(tmp_path: Path) -> None:
    with opened_record(write_site(tmp_path)) as record:
        assert take_in_plans(record, tmp_path, NAME, TIMEZONE) == TakenIn()


def test_the_first_plan_that_is_kept_takes_in_those_of_before(tmp_path: Path) -> None:
    site = write_site(tmp_path)
    folder_of(site)
    assert keep_plan(site, folder_of(site, 1)) is None
    with opened_record(site) as record:
        assert [plan.start.day for plan in record.plans()] == [4, 3]


@pytest.mark.parametrize("how", ["damaged", "folder", "newer"])
def test_a_record_that_cannot_be_written_is_one_line(tmp_path: Path, how: str) -> None:
    site = write_site(tmp_path)
    if how == "folder":
        (site / RECORD_FILE).mkdir()
    elif how == "damaged":
        (site / RECORD_FILE).write_bytes(b"no database" * 100)
    else:
        with opened_record(site) as record:
            record.connection.execute("PRAGMA user_version = 99")
    said = keep_plan(site, folder_of(site))
    assert said is not None
    assert said.startswith("Not in the site's record: ")
    assert "\n" not in said


def test_a_hand_over_is_noted_of_a_plan_in_its_sites_folder_only(tmp_path: Path) -> None:
    site = write_site(tmp_path / "home")
    folder = folder_of(site)
    elsewhere = tmp_path / "elsewhere" / "2026-03-03T1800"
    elsewhere.mkdir(parents=True)
    for file in folder.iterdir():
        (elsewhere / file.name).write_bytes(file.read_bytes())
    assert keep_hand_over(elsewhere) is None
    assert not (site / RECORD_FILE).exists()
    assert keep_hand_over(folder) is None
    with opened_record(site) as record:
        (plan,) = record.plans()
        assert plan.handed_over_at is not None
        assert plan.set_at is None


def test_a_plan_that_the_database_refuses_is_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the database says, the plan stands."""

    def refuse(*words: object) -> None:
        raise sqlite3.IntegrityError("CHECK constraint failed")

    site = write_site(tmp_path)
    monkeypatch.setattr("scheduler.record.store.insert_plan", refuse)
    said = keep_plan(site, folder_of(site))
    assert said == "Not in the site's record: CHECK constraint failed"
