"""Damaged plans are refused with one clear fault, never a traceback, and never become a calendar or a profile."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from scheduler.plan_output import ocpp_schema as ocpp_rules
from scheduler.plan_output.export import hand_over
from scheduler.plan_output.ocpp_file import ocpp21_document
from scheduler.plan_output.ocpp_schema import broken_rules
from scheduler.plans.saved_plan import newest_plan, read_saved_plan
from scheduler.textio.errors import InputFaults
from tests.builders.plans import saved_demo_plan


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The demo evening's plan, which a test may spoil."""
    return saved_demo_plan(tmp_path)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda d: d.update(timezone="Mars/Base"), "timezone"),
        (lambda d: d.update(timezone="../zone"), "timezone"),
        (lambda d: d.update(start=1772468400), "start"),
        (lambda d: d.update(start="1772468400"), "start"),
        (lambda d: d.update(site="half a character \ud800"), "it is not JSON"),
        (lambda d: d.update(evening="0001-01-01T00:00:00+05:00"), "evening"),
        (lambda d: d.update(evening="2026-03-02T20:20:00+02:00"), "it begins before its evening"),
        (lambda d: d.update(cancelled_trips=10**9), "cancelled_trips"),
        (lambda d: d["trips"][0].update({"return": "9999-12-31T23:30:00-05:00"}), "trips.0.return"),
        (lambda d: d["trips"][0].update({"return": d["trips"][0]["depart"]}), "a trip returns before it departs"),
        (lambda d: d["trips"][0].update(ready_at="2026-03-03T06:00:00"), "a time has no offset"),
        (lambda d: d["blocks"].reverse(), "blocks do not follow each other"),
        (lambda d: d["blocks"][1].update(start=d["blocks"][0]["start"]), "blocks do not follow each other"),
        (lambda d: d.update(past_blocks=d["blocks"][-1:]), "a past block is not over"),
        (lambda d: d["blocks"][0].update(kw=99.0), "a block exceeds the charger's maximum power"),
        (lambda d: d["limits"].update(charge_max_kw=2.0), "the charger's maximum power"),
    ],
)
@pytest.mark.parametrize("kind", ["calendar", "ocpp21"])
def test_a_document_that_contradicts_itself_is_refused(
    folder: Path, kind: Any, spoil: Callable[[dict[str, Any]], object], said: str
) -> None:
    """Time zones and instants that are none, blocks and trips out of order, powers beyond the charger."""
    document = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    spoil(document)
    (folder / "plan.json").write_text(json.dumps(document), encoding="utf-8")
    with pytest.raises(InputFaults) as faults:
        hand_over(folder, kind)
    assert said in str(faults.value)
    assert not list(folder.glob("*.ics")) + list(folder.glob("set-*"))


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("idle", "id\rle", "schedule.csv line"),
        ("idle", "i" * 140_000, "it is not CSV"),
        ("idle", "asleep", 'schedule.csv line 10, state: this schedule is damaged: found "asleep"'),
        (",discharge,", ",charge,", "schedule.csv line 2: this schedule is damaged: state, powers and setpoint"),
        (",discharge,", ",idle,", "schedule.csv line 2: this schedule is damaged: state, powers and setpoint"),
        ("-2.", "2.", "schedule.csv line 2: this schedule is damaged: state, powers and setpoint"),
    ],
    ids=["carriage-return", "huge", "unknown-state", "wrong-way", "idle-with-power", "wrong-sign"],
)
def test_a_schedule_that_contradicts_itself_is_refused(folder: Path, old: str, new: str, said: str) -> None:
    """Damaged CSV and rows whose state, powers and setpoint disagree: the file, the line, and why."""
    file = folder / "schedule.csv"
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_bytes(text.replace(old, new, 1).encode())
    with pytest.raises(InputFaults) as faults:
        read_saved_plan(folder)
    assert said in str(faults.value)


def test_limits_are_never_widened_to_fit_a_setpoint(folder: Path) -> None:
    """Charging 7.2 kW where 7 kW may be imported, and giving 2.9 kW where nothing may be exported: no profile."""
    plan = read_saved_plan(folder)
    for limit in ("import_limit_kw", "export_limit_kw"):
        small = plan.limits.model_copy(update={limit: 0.5 if limit == "import_limit_kw" else 0.0})
        with pytest.raises(InputFaults, match="is over what was approved"):
            ocpp21_document(plan.model_copy(update={"limits": small}))


def test_a_folder_named_after_no_instant_is_no_plan(folder: Path) -> None:
    """Digits that are no date are passed over, whatever lies within."""
    shutil.copytree(folder, folder.parent / "2026-99-99T9999")
    assert newest_plan(folder.parent) == folder


@pytest.mark.parametrize("document", [{}, {"chargingProfile": {}}, {"chargingProfile": 1}])
def test_an_incomplete_payload_is_said_without_the_schemas_package(
    monkeypatch: pytest.MonkeyPatch, document: dict[str, Any]
) -> None:
    """The rules alone say that a payload is incomplete, too."""
    monkeypatch.setattr(ocpp_rules.importlib.util, "find_spec", lambda name: None)
    assert "incomplete or of the wrong shape" in " ".join(broken_rules(document))
