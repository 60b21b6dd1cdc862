"""Saved plans: read back strictly, one clear fault for whatever is wrong, and the newest of a folder of plans."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from scheduler.plans.saved_plan import newest_plan, read_saved_plan
from scheduler.textio.errors import InputFaults
from tests.builders.plans import DEMO, saved_demo_plan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The demo evening's plan, which a test may spoil."""
    return saved_demo_plan(tmp_path)


def change(folder: Path, spoil: Callable[[dict[str, Any]], object]) -> None:
    """Write plan.json anew, changed."""
    file = folder / "plan.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    spoil(document)
    file.write_text(json.dumps(document), encoding="utf-8")


def the_fault(folder: Path) -> str:
    """The one fault that reading the folder gives."""
    with pytest.raises(InputFaults) as faults:
        read_saved_plan(folder)
    (fault,) = faults.value.faults
    return str(fault)


def test_what_is_read_is_what_was_written(folder: Path) -> None:
    """Names, instants, status and cautions are those of the document; the record cannot be changed."""
    document = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    saved = read_saved_plan(folder)
    assert [saved.site, saved.offer, saved.currency, saved.timezone, saved.status, saved.cautions] == [
        document[key] for key in ("site", "offer", "currency", "timezone", "status", "cautions")
    ]
    assert [each.isoformat() for each in (saved.start, saved.end, saved.evening)] == [
        document[key] for key in ("start", "end", "evening")
    ]
    assert (saved.revision, saved.past_blocks, saved.cancelled_blocks, saved.cancelled_trips) == (0, [], 0, 0)
    assert saved.folder == folder
    with pytest.raises(ValidationError):
        saved.site = "another"  # type: ignore[misc]


def test_a_plan_may_say_more_than_is_wanted(folder: Path) -> None:
    """A key that this version does not know is ignored."""
    change(folder, lambda document: document.update(weather="fair"))
    assert read_saved_plan(folder).revision == 0


@pytest.mark.parametrize("name", ["plan.json", "schedule.csv"])
@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda file: file.unlink(), "there is no such file"),
        (lambda file: file.write_bytes(b""), "the file is empty"),
        (lambda file: file.write_bytes("Kääntö".encode("latin-1")), "this is not UTF-8 text"),
        (lambda file: (file.unlink(), file.mkdir()), "this is a folder; expected a file"),
    ],
    ids=["missing", "empty", "not-utf-8", "a-folder"],
)
def test_a_file_that_cannot_be_read_is_named(
    folder: Path, name: str, spoil: Callable[[Path], object], said: str
) -> None:
    """Each of the two files missing, empty, in another encoding or a folder: the file and why."""
    spoil(folder / name)
    fault = the_fault(folder)
    assert name in fault
    assert said in fault


def test_what_is_not_a_folder_is_said(folder: Path) -> None:
    """A missing folder, and a file in its place."""
    assert "there is no such folder" in the_fault(folder / "missing")
    assert "expected a folder" in the_fault(folder / "plan.json")


REQUIRED = (
    "site offer currency timezone start end status headline set_by evening revision blocks past_blocks trips limits "
    "cautions"
)


@pytest.mark.parametrize("key", REQUIRED.split())
def test_each_required_key_is_missed_by_its_name(folder: Path, key: str) -> None:
    """No default stands in for a key that is not there."""
    change(folder, lambda document: document.pop(key))
    assert f"{key}: this plan is damaged: missing" in the_fault(folder)


@pytest.mark.parametrize("text", ["[1]", "null", '"plan"', "{", '{"format": 1,}', "[" * 100_000])
def test_what_is_not_a_document_is_said(folder: Path, text: str) -> None:
    """A list, nothing, a text, a cut or wrong document, and one nested beyond reading."""
    (folder / "plan.json").write_text(text, encoding="utf-8")
    fault = the_fault(folder)
    assert "this plan is damaged: it is not" in fault
    assert "JSON" in fault


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda d: d.update(site=7), "site: this plan is damaged: found 7"),
        (lambda d: d.update(revision="0"), 'revision: this plan is damaged: found "0"'),
        (lambda d: d.update(revision=True), "revision: this plan is damaged: found true"),
        (lambda d: d.update(cancelled_blocks=-1), "cancelled_blocks: this plan is damaged: found -1"),
        (lambda d: d.update(status="perhaps"), 'status: this plan is damaged: found "perhaps"'),
        (lambda d: d.update(blocks={}), "blocks: this plan is damaged: found a table"),
        (lambda d: d.update(start="this evening"), 'start: this plan is damaged: found "this evening"'),
        (lambda d: d["blocks"][1].update(kw=-1), "blocks.1.kw: this plan is damaged: found -1"),
        (lambda d: d["blocks"][0].update(amps="5.9"), 'blocks.0.amps: this plan is damaged: found "5.9"'),
        (lambda d: d["trips"][0].pop("return"), "trips.0.return: this plan is damaged: missing"),
        (lambda d: d["trips"][0].update(distance_km=float("inf")), "trips.0.distance_km: this plan is damaged: found"),
        (lambda d: d["limits"].update(phases=4), "limits.phases: this plan is damaged: found 4"),
        (lambda d: d["limits"].pop("export_limit_kw"), "limits.export_limit_kw: this plan is damaged: missing"),
        (lambda d: d["blocks"][0].update(end="2027-01-01T00:00:00+02:00"), "a block lies outside it"),
    ],
)
def test_a_wrong_value_is_told_with_its_key(folder: Path, spoil: Callable[[dict[str, Any]], object], said: str) -> None:
    """Wrong types, impossible values and missing keys inside lists: where, and what was found."""
    change(folder, spoil)
    fault = the_fault(folder)
    assert "plan.json" in fault
    assert said in fault


def keep(plans: Path, name: str, start: str) -> Path:
    """A folder with as much of a plan as tells its first instant."""
    folder = plans / name
    folder.mkdir(parents=True)
    (folder / "plan.json").write_text(json.dumps({"format": 1, "start": start}), encoding="utf-8")
    return folder


def test_the_newest_plan_is_newest_by_its_instant(tmp_path: Path) -> None:
    """In a doubled hour (Helsinki, 25 October 2026) 03:10 the second time is after 03:40 the first time."""
    keep(tmp_path, "2026-10-24T1820", "2026-10-24T18:20:00+03:00")
    second = keep(tmp_path, "2026-10-25T0310+0200", "2026-10-25T03:10:00+02:00")
    keep(tmp_path, "2026-10-25T0340", "2026-10-25T03:40:00+03:00")
    assert newest_plan(tmp_path) == second


def test_folders_that_are_not_plans_are_ignored(tmp_path: Path) -> None:
    """Another name, a half-written folder beside, no plan.json within, a plain file."""
    wanted = keep(tmp_path, "2026-03-02T1820", "2026-03-02T18:20:00+02:00")
    keep(tmp_path, "2026-03-05T1820 copy", "2026-03-05T18:20:00+02:00")
    keep(tmp_path, ".2026-03-05T1820-x1", "2026-03-05T18:20:00+02:00")
    (tmp_path / "2026-03-06T1820").mkdir()
    (tmp_path / "2026-03-07T1820").write_text("no folder", encoding="utf-8")
    assert newest_plan(tmp_path) == wanted


def test_a_damaged_newest_plan_is_not_ignored(tmp_path: Path) -> None:
    """An older plan does not quietly take its place: the damaged one is given, and reading it says what is wrong."""
    keep(tmp_path, "2026-03-02T1820", "2026-03-02T18:20:00+02:00")
    damaged = keep(tmp_path, "2026-03-03T1820", "")
    (damaged / "plan.json").write_text("{", encoding="utf-8")
    assert newest_plan(tmp_path) == damaged
    assert "it is not JSON" in the_fault(damaged)


def test_without_a_plan_one_is_asked_for(tmp_path: Path) -> None:
    """A missing and an empty folder: one clear fault."""
    for plans in (tmp_path, tmp_path / "missing"):
        with pytest.raises(InputFaults, match="there is no plan here"):
            newest_plan(plans)


def test_reading_a_plan_needs_none_of_the_solving() -> None:
    """Neither pandas nor Pyomo nor HiGHS is imported for it."""
    code = "import sys, scheduler.plans.saved_plan; print(sorted({'pandas', 'pyomo', 'highspy'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=DEMO.parents[1])
    assert done.stdout.strip() == "[]"
