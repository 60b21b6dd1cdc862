"""Nothing is lost: not by SIGKILL at random moments, a full disk, two programs at once, another version, or damage."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from scheduler.plan_output.write_plan import REPORT_FILE
from scheduler.record.database import RECORD_FILE, RecordDamaged, check_sound
from scheduler.record.export import export_texts
from scheduler.record.report import RecordOptions, what_came_of_it
from scheduler.record.schema import MIGRATIONS, VERSION
from scheduler.record.settled import WAYS, keep_settled, night_flows, settled_nights
from scheduler.record.store import Record, opened_record
from scheduler.record.take_in import PLANS_FOLDER
from scheduler.textio.errors import InputFaults, NotWrittenError
from tests.builders.killed import EVENINGS, EXPORTED, version_one
from tests.builders.places import ROOT
from tests.builders.recorded import evening_texts, evenings_on_record
from tests.builders.settled import night_flows_of, settled_night

MOMENTS = 3
"""Random moments of each work; tests/benchmarks/kills.py has many more."""
NOW = datetime(2026, 3, 9, 20, tzinfo=UTC)


def check_whole(record: Record) -> None:
    """Every evening is there whole or not at all."""
    check_sound(record.connection, record.file)
    for plan in record.plans():
        number = plan.start.day - 3
        if number < EVENINGS:
            assert set(plan.document) == set(json.loads(evening_texts(number)[0]))
        assert plan.schedule.splitlines()[-1].count(",") == plan.schedule.splitlines()[0].count(",")
    for night in settled_nights(record):
        for way in WAYS:
            flows = night_flows(record, night.begin, way)
            assert 60 * int(flows.minutes.sum()) == (night.end - night.begin).total_seconds()


@pytest.mark.parametrize("work", ["plan", "settle", "migrate", "export"])
def test_a_kill_at_any_moment_leaves_each_evening_whole_or_absent(tmp_path: Path, work: str) -> None:
    command = [sys.executable, "-m", "tests.builders.killed", work, str(tmp_path), "20260302", str(MOMENTS)]
    run = subprocess.run(command, cwd=ROOT, check=False, capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    for number in range(MOMENTS):
        site = tmp_path / str(number)
        with opened_record(site) as record:
            check_whole(record)
            days = {plan.start.day for plan in record.plans()}
            assert {3, 4} <= days <= {3, 4, 5}
            assert record.connection.execute("PRAGMA user_version").fetchone()[0] == VERSION
        folders = list((site / PLANS_FOLDER).glob("2*")) if work == "plan" else []
        for folder in folders:
            assert {"plan.json", "schedule.csv", REPORT_FILE} == {file.name for file in folder.iterdir()}
        assert not (5 in days and not folders and work == "plan")
        if work == "export":
            for name, text in export_of(tmp_path / "whole").items():
                found = (site / EXPORTED / name).read_text(encoding="utf-8")
                assert found in (text, (tmp_path / "begin" / EXPORTED / name).read_text(encoding="utf-8"))


def export_of(site: Path) -> dict[str, str]:
    with opened_record(site) as record:
        return export_texts(record, "Europe/Dublin")


def test_a_full_disk_is_told_and_keeps_what_was_there(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        night = settled_night()
        keep_settled(record, night, {"plan": night_flows_of(night)}, "{}")
        pages = record.connection.execute("PRAGMA page_count").fetchone()[0]
        record.connection.execute(f"PRAGMA max_page_count = {pages}")
        for write in (
            lambda: record.add_plan(*evening_texts()),
            lambda: keep_settled(
                record, settled_night(cost=9.0), {way: night_flows_of(night) for way in WAYS}, "x" * 9_000
            ),
        ):
            with pytest.raises(NotWrittenError, match=r"disk is full; nothing was changed"):
                write()
        assert settled_nights(record) == [night]
        assert record.plans() == []
        check_sound(record.connection, record.file)


LIMITED = """
import resource, sys
from pathlib import Path
from scheduler.record.keep_plan import keep_plan
resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))
print(keep_plan(Path(sys.argv[1]), Path(sys.argv[2])) or "kept")
"""


def test_a_plan_stands_where_the_disk_is_full_for_the_record(tmp_path: Path) -> None:
    """The system lets no file of this process grow beyond 4 kB: the record cannot be written, and says so."""
    site = tmp_path
    folder = site / PLANS_FOLDER / "2026-03-03T1800"
    with opened_record(site) as record:
        evenings_on_record(site, record, 1)
    folder.mkdir(parents=True)
    for name, text in zip(("plan.json", "schedule.csv"), evening_texts(1), strict=True):
        (folder / name).write_text(text, encoding="utf-8", newline="")
    run = subprocess.run(
        [sys.executable, "-c", LIMITED, str(site), str(folder)], cwd=ROOT, check=True, capture_output=True, text=True
    )
    (line,) = run.stdout.splitlines()
    assert line.startswith("Not in the site's record: ")
    assert "cannot be written" in line
    assert (folder / "plan.json").read_text(encoding="utf-8") == evening_texts(1)[0]
    with opened_record(site) as record:
        check_whole(record)
        assert len(record.plans()) == 1


ADD = """
import json, sys
from pathlib import Path
from datetime import datetime, timedelta
from scheduler.record.store import opened_record
from tests.builders.settled import settled_night
from scheduler.record.settled import keep_settled
site, first = Path(sys.argv[1]), int(sys.argv[2])
for number in range(first, first + 12):
    begin = settled_night(number).begin
    text = json.dumps({"start": begin.isoformat(), "evening": begin.isoformat(), "revision": 0,
        "end": (begin + timedelta(hours=24)).isoformat(), "made_at": begin.isoformat()})
    with opened_record(site) as record:
        record.add_plan(text, "")
        keep_settled(record, settled_night(number), {}, "{}")
        record.mark_set(begin, begin)
"""


def test_two_programs_at_once_both_write_all(tmp_path: Path) -> None:
    """Each begins with no record there, so that both make it."""
    programs = [
        subprocess.Popen([sys.executable, "-c", ADD, str(tmp_path), str(first)], cwd=ROOT, stderr=subprocess.PIPE)
        for first in (0, 100)
    ]
    for program in programs:
        assert program.communicate()[1] == b""
        assert program.returncode == 0
    with opened_record(tmp_path) as record:
        check_sound(record.connection, record.file)
        assert len(record.plans()) == 24
        assert all(plan.set_at is not None for plan in record.plans())
        assert len(settled_nights(record)) == 24


def test_a_reader_sees_the_nights_of_before_while_another_writes(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        keep_settled(record, settled_night(), {}, "{}")
        record.connection.execute("BEGIN IMMEDIATE")
        record.connection.execute("DELETE FROM nights")
        with opened_record(tmp_path) as reader:
            assert settled_nights(reader) == [settled_night()]
        record.connection.execute("ROLLBACK")


def test_a_record_of_version_1_is_brought_to_this_one_and_a_copy_kept(tmp_path: Path) -> None:
    version_one(tmp_path)
    with opened_record(tmp_path) as record:
        check_whole(record)
        assert [plan.start.day for plan in record.plans()] == [4, 3]
        assert settled_nights(record) == []
        keep_settled(record, settled_night(), {}, "{}")
    copy = tmp_path / f"{RECORD_FILE}.version-1"
    with closing(sqlite3.connect(copy)) as kept:
        assert kept.execute("PRAGMA user_version").fetchone()[0] == 1
        assert kept.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        assert kept.execute("SELECT count(*) FROM plans").fetchone()[0] == EVENINGS
        assert kept.execute("SELECT count(*) FROM sqlite_schema WHERE name = 'nights'").fetchone()[0] == 0


def test_a_step_that_fails_leaves_the_version_of_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    version_one(tmp_path)
    steps = (
        *MIGRATIONS[:1],
        "CREATE TABLE more (x INTEGER) STRICT;\nCREATE TABLE plans (x INTEGER) STRICT;\n",
    )
    monkeypatch.setattr("scheduler.record.database.MIGRATIONS", steps)
    with pytest.raises(NotWrittenError, match="already exists; nothing was changed"), opened_record(tmp_path):
        pass
    monkeypatch.undo()
    with opened_record(tmp_path) as record:
        assert len(record.plans()) == EVENINGS
        assert settled_nights(record) == []


def test_a_new_record_keeps_no_copy(tmp_path: Path) -> None:
    with opened_record(tmp_path):
        pass
    assert [file.name for file in tmp_path.glob("*version*")] == []


@pytest.fixture
def damaged(tmp_path: Path) -> Path:
    """A site whose record has been written over in the middle, and one of whose two plans is in its folder."""
    with opened_record(tmp_path) as record:
        evenings_on_record(tmp_path, record, 2)
    folder = tmp_path / PLANS_FOLDER / "2026-03-03T1800"
    folder.mkdir(parents=True)
    for name, text in zip(("plan.json", "schedule.csv"), evening_texts(0), strict=True):
        (folder / name).write_text(text, encoding="utf-8", newline="")
    file = tmp_path / RECORD_FILE
    content = bytearray(file.read_bytes())
    middle = len(content) // 2
    content[8192 : middle + 8192] = b"\xa5" * middle
    file.write_bytes(bytes(content))
    return tmp_path


def test_a_damaged_record_is_named_and_left_alone(damaged: Path) -> None:
    before = (damaged / RECORD_FILE).read_bytes()
    with pytest.raises(RecordDamaged, match=r"record\.sqlite: this record is damaged"):
        what_came_of_it(RecordOptions(damaged))
    assert (damaged / RECORD_FILE).read_bytes() == before


def test_a_damaged_record_is_set_aside_by_the_owners_word_and_begun_again(damaged: Path) -> None:
    before = (damaged / RECORD_FILE).read_bytes()
    found = what_came_of_it(RecordOptions(damaged, set_aside=True), now=NOW)
    aside = damaged / f"{RECORD_FILE}.set-aside-2026-03-09T200000Z"
    assert aside.read_bytes() == before
    assert found.taken_in.taken == 1
    assert "The damaged record is now record.sqlite.set-aside-2026-03-09T200000Z" in found.notes[0]
    with opened_record(damaged) as record:
        check_whole(record)
        assert [plan.start.day for plan in record.plans()] == [3]


def test_a_sound_record_is_not_set_aside(tmp_path: Path) -> None:
    with opened_record(tmp_path) as record:
        evenings_on_record(tmp_path, record, 1)
    with pytest.raises(InputFaults, match="this record is not damaged"):
        what_came_of_it(RecordOptions(tmp_path, set_aside=True))
    assert [file.name for file in tmp_path.glob("*aside*")] == []
    shutil.rmtree(tmp_path / "offers")
    with opened_record(tmp_path) as record:
        assert record.plans()[0].start + timedelta(hours=24) == record.plans()[0].end
