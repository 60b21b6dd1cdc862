"""Handing a plan over: a calendar read back by two parsers, a charging profile held against the standard's schema.

Sources: RFC 5545 through `icalendar` and, independently, `vobject`; the JSON schema of SetChargingProfile of OCPP 2.1
Edition 1 as the `ocpp` package carries it (Open Charge Alliance).
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import icalendar
import pytest
import vobject
from typer.testing import CliRunner

from scheduler.cli.app import app
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.plan_output.calendar_file import calendar_text
from scheduler.plan_output.ocpp_file import ocpp21_document
from scheduler.plan_output.ocpp_schema import broken_rules
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan_tonight import plan_tonight, solve_and_verify
from scheduler.plans.replan import replan_tonight
from scheduler.plans.saved_plan import SavedBlock, SavedPlan, read_saved_plan
from tests.builders.plans import DEMO, saved_demo_plan

MADE_AT = datetime(2026, 3, 2, 16, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo evening's first plan, and a replan for a car that stays at home."""
    folder = tmp_path_factory.mktemp("plans")
    saved_demo_plan(folder)
    write_plan(replan_tonight(DEMO, RequestOptions(22, now="2026-03-02T20:37", stay_home=True), folder), folder)
    return folder


@pytest.fixture(scope="module")
def first(plans: Path) -> SavedPlan:
    """The evening's first plan."""
    return read_saved_plan(plans / "2026-03-02T1820")


@pytest.fixture(scope="module")
def second(plans: Path) -> SavedPlan:
    """Its replan."""
    return read_saved_plan(plans / "2026-03-02T2037")


def events(plan: SavedPlan) -> list[icalendar.Event]:
    """The calendar's events as icalendar reads them back."""
    return list(icalendar.Calendar.from_ical(calendar_text(plan, MADE_AT)).walk("VEVENT"))


def tonight(plan: SavedPlan) -> list[SavedBlock]:
    """The blocks that begin before the next usual evening."""
    assert plan.tonight_until is not None
    return [block for block in plan.blocks if block.start < plan.tonight_until]


def test_each_block_and_trip_is_an_event_at_its_instant(first: SavedPlan) -> None:
    """Starts, ends and summaries are those of the plan, in UTC; a second parser reads the same instants."""
    found = events(first)
    wanted = [(block.start, block.end) for block in tonight(first)] + [
        (trip.depart, trip.return_at) for trip in first.trips
    ]
    assert [(event["dtstart"].dt, event["dtend"].dt) for event in found] == wanted
    assert f"{first.blocks[0].kw:.1f} kW" in found[0]["summary"]
    other = vobject.readOne(calendar_text(first, MADE_AT).decode())
    assert [(event.dtstart.value, event.dtend.value) for event in other.vevent_list] == wanted
    assert other.vevent_list[0].description.value.startswith(first.blocks[0].reason)


def test_there_is_an_alarm_before_each_thing_to_do(first: SavedPlan) -> None:
    """Before each block, when the car is to be looked at, before the charger is to be idle, before each departure."""
    for number, event in enumerate(events(first)):
        alarms = [(alarm["trigger"].dt, alarm["trigger"].params.get("RELATED")) for alarm in event.walk("VALARM")]
        if number >= len(tonight(first)):
            assert alarms == [(timedelta(minutes=-30), "START")]
            continue
        assert alarms[0] == (timedelta(minutes=-5), "START")
        block = first.blocks[number]
        looks = [] if block.look_at is None else [(block.look_at - block.end, "END")]
        followed = any(other.start == block.end for other in first.blocks)
        assert alarms[1:] == [*looks, *([] if followed else [(timedelta(minutes=-5), "END")])]


def test_lines_end_and_fold_as_the_standard_says(first: SavedPlan) -> None:
    """RFC 5545, 3.1: CRLF, and no line over 75 octets."""
    lines = calendar_text(first, MADE_AT).split(b"\r\n")
    assert lines[-1] == b""
    assert max(len(line) for line in lines) <= 75
    assert not any(b"\n" in line for line in lines)


def test_a_replan_moves_events_and_doubles_none(first: SavedPlan, second: SavedPlan) -> None:
    """The past block keeps its UID, every UID occurs once, the sequence rises, and what is gone is cancelled."""
    before, after = events(first), events(second)
    uids = [str(event["uid"]) for event in after]
    assert len(set(uids)) == len(uids)
    assert uids[0] == str(before[0]["uid"])
    assert {str(event["uid"]) for event in before} <= set(uids)
    assert {event["sequence"] for event in before} == {0}
    assert {event["sequence"] for event in after} == {1}
    trip = next(event for event in after if str(event["uid"]) == str(before[-1]["uid"]))
    assert trip["status"] == "CANCELLED"
    assert not trip.walk("VALARM")


def test_the_calendar_of_a_clock_change_night_has_the_right_instants(tmp_path: Path) -> None:
    """Helsinki, 25 to 26 October 2025 (tz database): an event lasts as long as its block does, in hours passed."""
    folder = write_plan(plan_tonight(DEMO, RequestOptions(50, now="2025-10-25T18:00", stay_home=True)), tmp_path)
    plan = read_saved_plan(folder)
    for event, block in zip(events(plan), tonight(plan), strict=True):
        assert event["dtend"].dt - event["dtstart"].dt == block.end.astimezone(UTC) - block.start.astimezone(UTC)


def test_a_profile_is_valid_and_says_what_the_plan_does(first: SavedPlan) -> None:
    """By the schema and the rules; at every row's time the setpoint is the row's, or the period is idle."""
    document = ocpp21_document(first)
    assert broken_rules(document) == []
    (schedule,) = document["chargingProfile"]["chargingSchedule"]
    assert datetime.fromisoformat(schedule["startSchedule"]) == first.start
    assert schedule["duration"] == (first.end - first.start).total_seconds()
    for row in first.rows:
        seconds = (row.start - first.start).total_seconds()
        period = [each for each in schedule["chargingSchedulePeriod"] if each["startPeriod"] <= seconds][-1]
        charges = [block for block in first.blocks if block.until_percent and block.start <= row.start < block.end]
        if row.state in ("idle", "away") and not charges:
            assert period["operationMode"] == "Idle"
        elif any(block.action == "cover" and block.start <= row.start < block.end for block in first.blocks):
            assert period["operationMode"] == "LocalLoadBalancing"
            assert (period["limit"], -period["dischargeLimit"]) == (0.0, pytest.approx(7400.0))
        else:
            (block,) = (block for block in first.blocks if block.start <= row.start < block.end)
            # the demo's charging ends at its limitAtSoC: until then at the block's power, not at the hour's mean
            kw = row.setpoint_kw if block.until_percent is None else block.kw
            assert period["setpoint"] == pytest.approx(1000 * kw, abs=0.06)
            assert 0 <= period["limit"] <= 1000 * first.limits.charge_max_kw
            assert -1000 * first.limits.discharge_max_kw <= period["dischargeLimit"] <= 0


def test_a_replan_has_the_same_profile_number(first: SavedPlan, second: SavedPlan) -> None:
    """So that it takes the first profile's place."""
    assert ocpp21_document(first)["chargingProfile"]["id"] == ocpp21_document(second)["chargingProfile"]["id"]


def test_a_charger_for_the_building_alone_balances_the_load(tmp_path: Path) -> None:
    """Covering the building is load balancing with no charging and the cap as the discharge limit."""
    inputs = read_inputs(DEMO)
    charger = replace(inputs.site.charger, discharge_to="building")
    inputs = replace(inputs, site=replace(inputs.site, charger=charger))
    evening = parse_request(RequestOptions(71, now="2026-03-02T18:20", stay_home=True), inputs)
    night, warnings = build_night(inputs, evening)
    plan = read_saved_plan(write_plan(solve_and_verify(inputs, evening, night, warnings), tmp_path))
    document = ocpp21_document(plan)
    assert broken_rules(document) == []
    covering = [
        period
        for period in document["chargingProfile"]["chargingSchedule"][0]["chargingSchedulePeriod"]
        if period["operationMode"] == "LocalLoadBalancing"
    ]
    assert covering
    assert all(period["limit"] == 0 and period["dischargeLimit"] < 0 for period in covering)


Spoil = Callable[[dict[str, Any]], object]


def schedule_of(document: dict[str, Any]) -> dict[str, Any]:
    """The one schedule of a payload."""
    return document["chargingProfile"]["chargingSchedule"][0]  # type: ignore[no-any-return]


def period_of(document: dict[str, Any], number: int = 0) -> dict[str, Any]:
    """A period of it."""
    return schedule_of(document)["chargingSchedulePeriod"][number]  # type: ignore[no-any-return]


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda d: d.pop("evseId"), "evseId"),
        (lambda d: d.update(evseId="one"), "evseId"),
        (lambda d: d.update(extra=1), "extra"),
        (lambda d: d["chargingProfile"].update(chargingProfilePurpose="Tonight"), "Tonight"),
        (lambda d: d["chargingProfile"].update(stackLevel=-1), "stackLevel"),
        (lambda d: d["chargingProfile"].update(chargingProfileKind="Relative"), "a plan is Absolute"),
        (lambda d: schedule_of(d).update(chargingRateUnit="kW"), "kW"),
        (lambda d: schedule_of(d).update(chargingRateUnit="A"), "setpoints here are in W"),
        (lambda d: schedule_of(d).update(chargingSchedulePeriod=[]), "chargingSchedulePeriod"),
        (
            lambda d: schedule_of(d).update(
                chargingSchedulePeriod=[{"startPeriod": n, "operationMode": "Idle"} for n in range(1025)]
            ),
            "chargingSchedulePeriod",
        ),
        (lambda d: schedule_of(d).pop("startSchedule"), "an absolute schedule needs one"),
        (lambda d: schedule_of(d).update(startSchedule="2026-03-02T18:20:00"), "it has no offset"),
        (lambda d: schedule_of(d).update(duration=60), "the last period begins after it"),
        (lambda d: period_of(d).update(startPeriod=5), "the first is 5, not 0"),
        (lambda d: period_of(d, 1).update(startPeriod=0), "the periods do not rise"),
        (lambda d: period_of(d).update(dischargeLimit=7400), "dischargeLimit"),
        (lambda d: period_of(d).pop("setpoint"), "CentralSetpoint needs setpoint"),
        (lambda d: period_of(d).pop("numberPhases"), "needs numberPhases"),
        (lambda d: period_of(d).update(setpoint=-9000.0), "setpoint -9000.0 is outside"),
        (lambda d: period_of(d).update(operationMode="ExternalLimits"), "not one that a plan uses"),
        (lambda d: period_of(d).update(operationMode="Sleep"), "Sleep"),
    ],
)
@pytest.mark.needs("ocpp")
def test_a_spoiled_profile_is_refused(first: SavedPlan, spoil: Spoil, said: str) -> None:
    """By the standard's schema or by the rules beyond it, each named."""
    document = copy.deepcopy(ocpp21_document(first))
    spoil(document)
    assert said in " ".join(broken_rules(document))


def overnight(*words: str | Path) -> Any:
    """Run the command."""
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.parametrize(("kind", "name"), [("calendar", "calendar.ics"), ("ocpp21", "set-charging-profile.json")])
def test_the_command_writes_beside_the_plan_or_where_it_is_told(
    plans: Path, tmp_path: Path, kind: str, name: str
) -> None:
    """The default name is beside the plan; the caution that no charger was contacted is said."""
    result = overnight("hand-over", plans / "2026-03-02T1820", "--as", kind)
    assert result.exit_code == 0, result.output
    assert "no charger was contacted" in result.stdout
    assert (plans / "2026-03-02T1820" / name).is_file()
    overnight("hand-over", plans / "2026-03-02T1820", "--as", kind, "--out", tmp_path / "deep" / "file")
    assert [each.name for each in (tmp_path / "deep").iterdir()] == ["file"]
    if kind == "ocpp21":
        assert json.loads((tmp_path / "deep" / "file").read_text())["evseId"] == 1


@pytest.mark.parametrize("spoil", ["missing", "damaged", "newer"])
def test_a_plan_that_cannot_be_read_is_not_handed_over(plans: Path, tmp_path: Path, spoil: str) -> None:
    """A missing, damaged or newer plan: one clear line, exit 2, nothing written."""
    folder = tmp_path / "plan"
    if spoil != "missing":
        folder.mkdir()
        text = (plans / "2026-03-02T1820" / "plan.json").read_text(encoding="utf-8")
        text = text[:500] if spoil == "damaged" else text.replace('"format": 1', '"format": 7')
        (folder / "plan.json").write_text(text, encoding="utf-8")
    result = overnight("hand-over", folder, "--as", "calendar", "--out", tmp_path / "calendar.ics")
    assert result.exit_code == 2
    assert len(result.stderr.strip().splitlines()) == 1
    assert not (tmp_path / "calendar.ics").exists()


def test_a_folder_in_the_files_place_is_said(plans: Path, tmp_path: Path) -> None:
    """--out is a file, not a folder."""
    result = overnight("hand-over", plans / "2026-03-02T1820", "--as", "calendar", "--out", tmp_path)
    assert result.exit_code == 2
    assert "give a file with --out" in result.stderr
