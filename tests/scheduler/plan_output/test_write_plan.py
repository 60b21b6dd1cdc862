"""The plan's files: their columns, keys and sums, and that they are written whole or not at all."""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import json
from datetime import datetime
from pathlib import Path

import pytest

from scheduler.plan_output.plan_json import plan_document, plan_text
from scheduler.plan_output.schedule_csv import COLUMNS, schedule_text
from scheduler.plan_output.write_plan import folder_name, write_plan
from scheduler.plans.plan import Plan
from scheduler.textio.errors import NotWrittenError
from tests.builders.plans import DEMO, demo_plan


@pytest.fixture(scope="module")
def plan() -> Plan:
    """The demo night."""
    return demo_plan()


def rows_of(plan: Plan) -> list[dict[str, str]]:
    """The schedule's rows."""
    return list(csv.DictReader(io.StringIO(schedule_text(plan))))


def test_the_schedule_has_the_columns_other_programs_read(plan: Plan) -> None:
    """Columns, their order and the states are those of the file format."""
    expected = (
        "start,end,hours,state,charge_kw,discharge_kw,setpoint_kw,setpoint_amps,load_kw,solar_kw,curtailed_kw,"
        "import_kw,export_kw,soc_start_percent,soc_end_percent,import_price_per_kwh,export_price_per_kwh,"
        "import_cost,export_credit,wear_cost"
    )
    assert ",".join(COLUMNS) == expected == schedule_text(plan).splitlines()[0]
    assert {row["state"] for row in rows_of(plan)} == {"charge", "discharge", "idle", "away"}


def test_every_row_holds_by_itself_and_rows_sum_to_the_totals(plan: Plan) -> None:
    """From the file alone: the meter's balance, the sign of the setpoint, amps, money by row and in all."""
    document = plan_document(plan)
    sums = {"import_cost": 0.0, "export_credit": 0.0, "wear_cost": 0.0}
    for row in rows_of(plan):
        value = {name: float(row[name]) for name in COLUMNS if name not in ("start", "end", "state")}
        net = value["load_kw"] + value["charge_kw"] - value["discharge_kw"] - value["solar_kw"] + value["curtailed_kw"]
        assert value["import_kw"] - value["export_kw"] == pytest.approx(net, abs=1e-8)
        assert value["setpoint_kw"] == pytest.approx(value["charge_kw"] - value["discharge_kw"], abs=1e-8)
        assert value["setpoint_amps"] == pytest.approx(value["setpoint_kw"] * 1000 / (230 * 3), abs=1e-6)
        cost = value["hours"] * value["import_kw"] * value["import_price_per_kwh"]
        assert value["import_cost"] == pytest.approx(cost, abs=1e-7)
        for name in sums:
            sums[name] += value[name]
    costs = document["costs"]
    assert sums["import_cost"] == pytest.approx(costs["import"], abs=1e-6)
    assert sums["export_credit"] == pytest.approx(costs["export"], abs=1e-6)
    assert sums["wear_cost"] == pytest.approx(costs["wear"], abs=1e-6)


def test_the_document_has_the_keys_other_programs_read(plan: Plan) -> None:
    """Every key of the file format is there, and its sums are what the format says they are."""
    document = json.loads(plan_text(plan))
    wanted = (
        "format program_version made_at inputs status site offer currency timezone start end soc_start_percent "
        "soc_end_percent home_at outside_degc trips costs stored_energy_price_per_kwh alternatives saving "
        "discharge_value solver blocks warnings"
    )
    assert set(wanted.split()) <= set(document)
    trip_keys = (
        "depart return distance_km pace energy_kwh consumption_factor target_percent planned_percent missing_kwh "
        "on_the_way_kwh ready_at chance_short nearly_least_percent chance_short_unwatched chance_on_the_way"
    )
    assert set(document["trips"][0]) == set(trip_keys.split())
    block_keys = "start end action kw amps stop_percent until_percent from_kw surplus_from_kw look_at reason"
    assert set(document["blocks"][0]) == set(block_keys.split())
    alternatives = document["alternatives"]
    assert set(alternatives) == {"charge-on-return", "charge-only"}
    for costs in (document["costs"], *(each["costs"] for each in alternatives.values())):
        assert costs["cash"] == pytest.approx(costs["import"] - costs["export"] + costs["on_the_way"], abs=1e-9)
        parts = costs["cash"] + document["wear_weight"] * costs["wear"] + costs["outside_window"] + costs["starts"]
        assert costs["total"] == pytest.approx(parts - costs["stored_energy"], abs=1e-9)
    total = document["costs"]["total"]
    assert document["saving"] == pytest.approx(alternatives["charge-on-return"]["costs"]["total"] - total, abs=1e-9)
    assert document["discharge_value"] == pytest.approx(alternatives["charge-only"]["costs"]["total"] - total, abs=1e-9)


def test_instants_are_local_with_their_offset(plan: Plan) -> None:
    """Files show local time with its offset, and the departure is ready before it is held from."""
    document = plan_document(plan)
    assert document["start"] == "2026-03-02T18:20:00+02:00"
    trip = document["trips"][0]
    assert trip["depart"] == "2026-03-03T07:30:00+02:00"
    assert datetime.fromisoformat(trip["ready_at"]) <= datetime.fromisoformat("2026-03-03T07:00:00+02:00")


def test_inputs_are_known_by_their_hash(plan: Plan) -> None:
    """Each file that was read is listed with its SHA-256."""
    inputs = plan_document(plan)["inputs"]
    assert inputs["site.toml"] == hashlib.sha256((DEMO / "site.toml").read_bytes()).hexdigest()
    assert set(inputs) == {"site.toml", "offers/evening-feed-in.toml", "load.csv", "solar.csv", "trips.csv"}


def test_the_same_instant_again_replaces_the_plan(plan: Plan, tmp_path: Path) -> None:
    """A second plan of the same instant takes the first one's place, and nothing else is left in the folder."""
    folder = write_plan(plan, tmp_path)
    (folder / "plan.json").write_text("old", encoding="utf-8")
    assert write_plan(plan, tmp_path) == folder
    assert (folder / "plan.json").read_text(encoding="utf-8") == plan_text(plan)
    assert [each.name for each in tmp_path.iterdir()] == ["2026-03-02T1820"]


def test_a_full_disk_leaves_the_old_plan(plan: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When writing fails half-way the old plan is as it was, nothing is left beside it, and the line says why."""
    folder = write_plan(plan, tmp_path)
    before = {file.name: file.read_bytes() for file in folder.iterdir()}
    write_text = Path.write_text

    def no_space(path: Path, text: str, **options: str) -> int:
        if path.name == "plan.json":
            raise OSError(errno.ENOSPC, "No space left on device")
        return write_text(path, text, **options)

    monkeypatch.setattr(Path, "write_text", no_space)
    with pytest.raises(NotWrittenError, match="cannot be written: No space left on device; nothing was changed"):
        write_plan(plan, tmp_path)
    assert {file.name: file.read_bytes() for file in folder.iterdir()} == before
    assert [each.name for each in tmp_path.iterdir()] == [folder.name]


def test_a_folder_that_is_no_plan_is_not_replaced(plan: Plan, tmp_path: Path) -> None:
    """A folder of the owner's that happens to have the name is left alone."""
    mine = tmp_path / "2026-03-02T1820"
    mine.mkdir()
    (mine / "notes.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(NotWrittenError, match="is not a plan"):
        write_plan(plan, tmp_path)
    assert (mine / "notes.txt").read_text(encoding="utf-8") == "mine"


def test_two_plans_of_a_doubled_hour_have_folders_of_their_own() -> None:
    """When the clock shows a time twice the second plan does not replace the first (Dublin, 25 October 2026)."""
    first, second = (datetime.fromisoformat(f"2026-10-25T01:30{offset}") for offset in ("+01:00", "+00:00"))
    assert folder_name(first, "Europe/Dublin") == "2026-10-25T0130"
    assert folder_name(second, "Europe/Dublin") == "2026-10-25T0130+0000"
