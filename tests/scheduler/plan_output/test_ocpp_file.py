"""The charging profile: its periods, modes and limits by hand arithmetic, and spoiled documents refused.

Source: the JSON schema of SetChargingProfile of OCPP 2.1 Edition 1 as the `ocpp` package carries it (Open Charge
Alliance), read there. Field use by mode beyond the schema is from memory.
"""

from __future__ import annotations

import copy
import importlib.resources
import importlib.util
import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from scheduler.nights.parse_request import RequestOptions
from scheduler.plan_output import ocpp_schema as ocpp_rules
from scheduler.plan_output.ocpp_file import ocpp21_document, ocpp21_text, stops_not_carried
from scheduler.plan_output.ocpp_schema import MOST_PERIODS, NEEDED, broken_rules
from scheduler.plan_output.write_plan import write_plan
from scheduler.plans.plan_tonight import plan_tonight
from scheduler.plans.saved_plan import SavedPlan, SavedRow, read_saved_plan
from scheduler.textio.errors import InputFaults
from tests.builders.plans import DEMO, saved_demo_plan

SCHEMA = importlib.resources.files("ocpp") / "v21" / "schemas" / "SetChargingProfileRequest.json"


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> SavedPlan:
    """The demo evening's plan: 14 kW may be imported, 5 kW exported; the charger does 7.4 kW either way."""
    return read_saved_plan(saved_demo_plan(tmp_path_factory.mktemp("plans")))


def row(plan: SavedPlan, minutes: tuple[int, int], setpoint_kw: float, load_kw: float = 2.0) -> SavedRow:
    """An interval so many minutes from the plan's start, without solar."""
    state = "charge" if setpoint_kw > 0 else "discharge" if setpoint_kw < 0 else "idle"
    return plan.rows[0].model_copy(
        update={
            "start": plan.start + timedelta(minutes=minutes[0]),
            "end": plan.start + timedelta(minutes=minutes[1]),
            "state": state,
            "charge_kw": max(0.0, setpoint_kw),
            "discharge_kw": max(0.0, -setpoint_kw),
            "setpoint_kw": setpoint_kw,
            "load_kw": load_kw,
            "solar_kw": 0.0,
            "curtailed_kw": 0.0,
        }
    )


def of_rows(plan: SavedPlan, rows: list[SavedRow]) -> SavedPlan:
    """The plan with other intervals."""
    return plan.model_copy(update={"rows": rows, "end": rows[-1].end})


def schedule_of(document: dict[str, Any]) -> dict[str, Any]:
    """The one schedule of a payload."""
    return document["chargingProfile"]["chargingSchedule"][0]  # type: ignore[no-any-return]


def periods_of(document: dict[str, Any]) -> list[dict[str, Any]]:
    """Its periods."""
    return schedule_of(document)["chargingSchedulePeriod"]  # type: ignore[no-any-return]


def test_the_text_is_the_document(plan: SavedPlan) -> None:
    """The file is the payload as JSON and nothing else, valid by schema and rules."""
    document = json.loads(ocpp21_text(plan))
    assert document == ocpp21_document(plan)
    assert set(document) == {"evseId", "chargingProfile"}
    assert broken_rules(document) == []


def test_the_modes_and_fields_that_a_plan_uses_are_the_standards() -> None:
    """Each operation mode is in the schema's enumeration, and each field that it needs is a period's property."""
    definitions = json.loads(SCHEMA.read_text(encoding="utf-8"))["definitions"]
    assert set(NEEDED) <= set(definitions["OperationModeEnumType"]["enum"])
    fields = {field for needed in NEEDED.values() for field in needed}
    assert fields <= set(definitions["ChargingSchedulePeriodType"]["properties"])
    most = definitions["ChargingScheduleType"]["properties"]["chargingSchedulePeriod"]["maxItems"]
    assert most == MOST_PERIODS


def test_a_default_profile_needs_no_session(plan: SavedPlan) -> None:
    """It holds for whatever session is running, from the plan's start to its end, and names none."""
    profile = ocpp21_document(plan)["chargingProfile"]
    assert (profile["chargingProfilePurpose"], profile["chargingProfileKind"]) == ("TxDefaultProfile", "Absolute")
    assert "transactionId" not in profile
    assert datetime.fromisoformat(profile["validFrom"]) == plan.start
    assert datetime.fromisoformat(profile["validTo"]) == plan.end


def test_setpoints_are_signed_watts_within_both_limits(plan: SavedPlan) -> None:
    """Charging 7.2 kW beside 9 kW of load, and giving 4 kW beside 2 kW and 0.5 kW of load.

    By hand: an import limit of 17 kW leaves 17 − 9 = 8 > 7.4 kW for charging; the export limit of 5 kW lets the car
    give 5 + 2 = 7 kW and 5 + 0.5 = 5.5 kW, less than the charger's 7.4 kW.
    """
    limits = plan.limits.model_copy(update={"import_limit_kw": 17.0})
    rows = [row(plan, (0, 60), 7.2, 9.0), row(plan, (60, 120), -4.0, 2.0), row(plan, (120, 180), -4.0, 0.5)]
    document = ocpp21_document(of_rows(plan.model_copy(update={"limits": limits}), rows))
    assert broken_rules(document) == []
    found = [(each["setpoint"], each["limit"], each["dischargeLimit"]) for each in periods_of(document)]
    assert found == [(7200.0, 7400.0, -7400.0), (-4000.0, 7400.0, -7000.0), (-4000.0, 7400.0, -5500.0)]
    assert {each["operationMode"] for each in periods_of(document)} == {"CentralSetpoint"}
    assert {each["numberPhases"] for each in periods_of(document)} == {3}


def test_the_import_limit_binds_beside_the_load(plan: SavedPlan) -> None:
    """With 10 kW of load under 14 kW, charging may have 4 kW, and the setpoint of 3 kW lies inside."""
    (period,) = periods_of(ocpp21_document(of_rows(plan, [row(plan, (0, 60), 3.0, 10.0)])))
    assert (period["setpoint"], period["limit"]) == (3000.0, 4000.0)


def test_equal_neighbours_are_one_period(plan: SavedPlan) -> None:
    """Every interval cut in two gives the very same payload; idle and away beside each other are one idle period."""
    halves = []
    for each in plan.rows:
        middle = each.start + (each.end - each.start) / 2
        halves += [each.model_copy(update={"end": middle}), each.model_copy(update={"start": middle})]
    assert ocpp21_document(of_rows(plan, halves)) == ocpp21_document(plan)
    away = row(plan, (60, 120), 0.0).model_copy(update={"state": "away"})
    idle = [row(plan, (0, 60), 0.0), away, row(plan, (120, 180), 0.0)]
    assert periods_of(ocpp21_document(of_rows(plan, idle))) == [{"startPeriod": 0, "operationMode": "Idle"}]


def test_as_many_periods_as_the_standard_allows_and_no_more(plan: SavedPlan) -> None:
    """1024 different powers are a valid profile; one more is one clear fault."""
    rows = [row(plan, (minute, minute + 1), 2.0 + minute % 2) for minute in range(MOST_PERIODS + 1)]
    plan = plan.model_copy(update={"blocks": []})
    document = ocpp21_document(of_rows(plan, rows[:-1]))
    assert len(periods_of(document)) == MOST_PERIODS
    assert broken_rules(document) == []
    with pytest.raises(InputFaults, match=f"{MOST_PERIODS + 1} different powers; allowed in one profile are 1024"):
        ocpp21_document(of_rows(plan, rows))


@pytest.mark.parametrize(("now", "hours"), [("2025-10-25T18:00", 24), ("2026-03-28T18:00", 24)])
def test_seconds_pass_evenly_over_a_clock_change(tmp_path: Path, now: str, hours: int) -> None:
    """Periods count the seconds that pass, whatever the wall clock does (Helsinki, both changes, tz database)."""
    plan = read_saved_plan(write_plan(plan_tonight(DEMO, RequestOptions(50, now=now, stay_home=True)), tmp_path))
    schedule = schedule_of(ocpp21_document(plan))
    assert schedule["duration"] == hours * 3600
    begin = datetime.fromisoformat(schedule["startSchedule"])
    starts = {begin + timedelta(seconds=each["startPeriod"]) for each in schedule["chargingSchedulePeriod"]}
    assert starts <= {each.start for each in plan.rows}
    assert plan.start.utcoffset() != plan.end.utcoffset()


def test_the_profile_is_numbered_by_the_evenings_local_day(plan: SavedPlan) -> None:
    """The next evening has the next number; an hour later the same evening, the same one."""
    number = ocpp21_document(plan)["chargingProfile"]["id"]
    later = plan.model_copy(update={"evening": plan.evening + timedelta(hours=1)})
    tomorrow = plan.model_copy(update={"evening": plan.evening + timedelta(days=1)})
    assert ocpp21_document(later)["chargingProfile"]["id"] == number
    assert ocpp21_document(tomorrow)["chargingProfile"]["id"] == number + 1


Spoil = Callable[[dict[str, Any]], object]


def test_covering_follows_the_building_up_to_the_cap(plan: SavedPlan) -> None:
    """From 21:00, 160 minutes after the start, the demo covers the building up to the charger's 7.4 kW."""
    (period,) = (each for each in periods_of(ocpp21_document(plan)) if each["startPeriod"] == 160 * 60)
    assert (period["operationMode"], period["limit"], period["dischargeLimit"]) == ("LocalLoadBalancing", 0.0, -7400.0)


def test_taking_the_surplus_charges_only_what_is_left_over(plan: SavedPlan) -> None:
    """Idle by the forecast for an hour that takes the surplus: it follows the building, and never discharges.

    Unless it is to cover the building too.
    """
    block = plan.blocks[0].model_copy(update={"action": "surplus", "kw": 7.4, "end": plan.start + timedelta(hours=1)})
    taking = of_rows(plan, [row(plan, (0, 60), 0.0), row(plan, (60, 120), 0.0)]).model_copy(update={"blocks": [block]})
    document = ocpp21_document(taking)
    first, second = periods_of(document)
    assert (first["operationMode"], first["limit"], first["dischargeLimit"]) == ("LocalLoadBalancing", 7400.0, 0.0)
    assert second["operationMode"] == "Idle"
    assert broken_rules(document) == []
    both = block.model_copy(update={"action": "balance"})
    first, _ = periods_of(document := ocpp21_document(taking.model_copy(update={"blocks": [both]})))
    assert (first["operationMode"], first["limit"], first["dischargeLimit"]) == ("LocalLoadBalancing", 7400.0, -7400.0)
    assert broken_rules(document) == []


def test_covering_goes_on_where_the_forecast_draws_too_little(plan: SavedPlan) -> None:
    """Two hours of a covering block, idle by the forecast in the second; the car is away in the third."""
    block = plan.blocks[0].model_copy(update={"action": "cover", "kw": 5.0, "end": plan.start + timedelta(hours=3)})
    rows = [row(plan, (0, 60), -2.0), row(plan, (60, 120), 0.0), row(plan, (120, 180), 0.0)]
    rows[2] = rows[2].model_copy(update={"state": "away"})
    document = ocpp21_document(of_rows(plan, rows).model_copy(update={"blocks": [block]}))
    first, second = periods_of(document)
    assert (first["operationMode"], first["startPeriod"], first["dischargeLimit"]) == ("LocalLoadBalancing", 0, -5000.0)
    assert (second["operationMode"], second["startPeriod"]) == ("Idle", 120 * 60)


def test_a_block_that_ends_within_an_hour_charges_at_its_power(plan: SavedPlan) -> None:
    """Until 60 % at 7 kW: planned at 7 kW, 2 kW and not at all, which is a mean; the limit at 60 % ends it.

    Where another block charges further, the limit would not end it: the planned powers stay.
    """
    charges = {"action": "charge", "stop_percent": None, "from_kw": None, "surplus_from_kw": None}
    hours = [plan.start + timedelta(hours=at) for at in range(5)]
    ends = {"start": hours[0], "end": hours[3], "kw": 7.0, "until_percent": 60.0}
    first = plan.blocks[0].model_copy(update={**charges, **ends})
    rows = [row(plan, (60 * at, 60 * at + 60), kw) for at, kw in enumerate((7.0, 2.0, 0.0, 3.0))]
    document = ocpp21_document(of_rows(plan, rows[:3]).model_copy(update={"blocks": [first]}))
    (period,) = periods_of(document)
    assert (period["setpoint"], schedule_of(document)["limitAtSoC"]["soc"]) == (7000.0, 60)
    further = {"start": hours[3], "end": hours[4], "kw": 3.0, "until_percent": 75.0}
    second = plan.blocks[0].model_copy(update={**charges, **further})
    both = periods_of(ocpp21_document(of_rows(plan, rows).model_copy(update={"blocks": [first, second]})))
    assert [each.get("setpoint") for each in both] == [7000.0, 2000.0, None, 3000.0]


def test_only_the_end_of_charging_has_a_field(plan: SavedPlan) -> None:
    """Charging ends at the highest of the ends; where discharging ends is said, with its time."""
    charging = [block for block in plan.blocks if block.action == "charge"]
    plain = {"stop_percent": None, "from_kw": None, "surplus_from_kw": None}
    others = [block.model_copy(update=plain) for block in plan.blocks if block.action != "charge"]
    ends = [block.model_copy(update={"until_percent": 71.4}) for block in charging]
    document = ocpp21_document(plan.model_copy(update={"blocks": [*others, *ends]}))
    assert schedule_of(document)["limitAtSoC"] == {"soc": 72, "limit": 0.0}
    assert broken_rules(document) == []
    ceiling = [block.model_copy(update={"until_percent": None}) for block in charging]
    assert "limitAtSoC" not in schedule_of(ocpp21_document(plan.model_copy(update={"blocks": [*others, *ceiling]})))
    assert stops_not_carried(plan.model_copy(update={"blocks": others})) is None
    assert f"18:20 until {plan.blocks[0].stop_percent:.3g} % is left" in str(stops_not_carried(plan))
    low = [plan.blocks[0].model_copy(update={"stop_percent": None, "from_kw": 0.3})]
    assert "18:20 from a draw of 0.3 kW" in str(stops_not_carried(plan.model_copy(update={"blocks": low})))


BEYOND_THE_SCHEMA: list[tuple[Spoil, str]] = [
    (lambda d: d["chargingProfile"].update(chargingProfileKind="Recurring"), "a plan is Absolute"),
    (lambda d: schedule_of(d).pop("duration"), "the last period begins after it"),
    (lambda d: schedule_of(d).update(duration=0), "the last period begins after it"),
    (lambda d: schedule_of(d).update(startSchedule="this evening"), "it is not a valid time"),
    (lambda d: periods_of(d).reverse(), "the periods do not rise"),
    (lambda d: periods_of(d).insert(1, periods_of(d)[0]), "the periods do not rise"),
    (lambda d: periods_of(d)[0].update(startPeriod=-60), "the first is -60, not 0"),
    (lambda d: periods_of(d)[0].pop("limit"), "CentralSetpoint needs limit"),
    (lambda d: periods_of(d)[0].pop("dischargeLimit"), "CentralSetpoint needs dischargeLimit"),
    (lambda d: periods_of(d)[0].pop("operationMode"), "operationMode None is not one that a plan uses"),
    (lambda d: periods_of(d)[0].update(operationMode="ChargingOnly"), "not one that a plan uses"),
    (lambda d: periods_of(d)[0].update(setpoint=7400.1), "setpoint 7400.1 is outside"),
    (lambda d: periods_of(d)[0].update(dischargeLimit=0), "is outside 0"),
    (lambda d: periods_of(d)[0].update(limit=-1.0), "limit -1.0 is under 0"),
    (lambda d: periods_of(d)[0].update(operationMode="Idle"), "Idle has a setpoint"),
    (
        lambda d: periods_of(d).__setitem__(
            0, {"startPeriod": 0, "operationMode": "LocalLoadBalancing", "limit": 0.0, "numberPhases": 3}
        ),
        "LocalLoadBalancing needs dischargeLimit",
    ),
]
"""Spoiled payloads that the schema lets pass, and what is said of each."""

AGAINST_THE_SCHEMA: list[tuple[Spoil, str]] = [
    (lambda d: d.pop("chargingProfile"), "chargingProfile"),
    (lambda d: d["chargingProfile"].pop("stackLevel"), "stackLevel"),
    (lambda d: d["chargingProfile"].update(transactionId="x" * 37), "transactionId"),
    (lambda d: d["chargingProfile"].update(chargingSchedule=[schedule_of(d)] * 4), "chargingSchedule"),
    (lambda d: schedule_of(d).pop("chargingRateUnit"), "chargingRateUnit"),
    (lambda d: schedule_of(d).update(duration="a day"), "duration"),
    (lambda d: periods_of(d)[0].pop("startPeriod"), "startPeriod"),
    (lambda d: periods_of(d)[0].update(startPeriod=0.5), "startPeriod"),
    (lambda d: periods_of(d)[0].update(numberPhases=4), "numberPhases"),
    (lambda d: periods_of(d)[0].update(setpoint="-4105"), "setpoint"),
    (lambda d: periods_of(d)[0].update(dischargeLimit=1.0), "dischargeLimit"),
    (lambda d: periods_of(d)[0].update(set_point=0), "set_point"),
]
"""Spoiled payloads that the schema refuses, and the name that is said."""


@pytest.mark.parametrize(("spoil", "said"), [*BEYOND_THE_SCHEMA, *AGAINST_THE_SCHEMA])
def test_a_spoiled_payload_is_refused_by_name(plan: SavedPlan, spoil: Spoil, said: str) -> None:
    """By the schema or by the rules that it cannot state."""
    document = copy.deepcopy(ocpp21_document(plan))
    spoil(document)
    assert said in " ".join(broken_rules(document))


@pytest.mark.parametrize(("spoil", "said"), BEYOND_THE_SCHEMA)
def test_the_rules_hold_without_the_schemas_package(
    plan: SavedPlan, monkeypatch: pytest.MonkeyPatch, spoil: Spoil, said: str
) -> None:
    """Where the `ocpp` package is not installed a good payload passes and a spoiled one is still refused."""
    monkeypatch.setattr(ocpp_rules.importlib.util, "find_spec", lambda name: None)
    document = copy.deepcopy(ocpp21_document(plan))
    assert broken_rules(document) == []
    spoil(document)
    assert said in " ".join(broken_rules(document))
