"""A plan as the payload of SetChargingProfile, OCPP 2.1 Edition 1. A file only: nothing here contacts a charger.

Modes, as the standard's operation modes are understood here (from memory; the schema names them and their fields):

- charging and discharging at a power: `CentralSetpoint` with `setpoint` in W, negative for discharging;
- covering the building: `LocalLoadBalancing`, with a charging `limit` of 0 and the cap as `dischargeLimit`;
- taking the surplus: `LocalLoadBalancing` too, with the charger's most as `limit` and a `dischargeLimit` of 0, or with
  the block's power where it also covers the building;
- idle, and away: `Idle`.

For a state of charge at which a block ends (`stop_percent`, `until_percent`) there is one field: `limitAtSoC` of the
schedule, for charging alone. It is written where every charging block has one, with the highest. Where discharging ends
has no field, nor have the draw and the surplus from which on a block follows them (`from_kw`, `surplus_from_kw`):
`stops_not_carried` says so.

`limit` and `dischargeLimit` keep a period within what was approved: the charger's maximum, and at the meter what the
import and export limits leave beside the building's expected draw. They are never widened to fit a setpoint: a plan
beyond them is refused. The profile is a TxDefaultProfile, which holds for whatever session is running; a TxProfile
would need a session's number. It has the evening's day as its id, so that the profile of a replan takes the first
one's place.
"""

from __future__ import annotations

import json
from datetime import date, datetime
from math import ceil
from typing import Any
from zoneinfo import ZoneInfo

from scheduler.inputs.control_mode import CHARGING
from scheduler.optimizer.block import end_text, from_text
from scheduler.optimizer.find_blocks import SAME_POWER_KW
from scheduler.plan_output.ocpp_schema import MOST_PERIODS
from scheduler.plans.saved_plan import SAME_KW, SavedBlock, SavedPlan, SavedRow
from scheduler.textio.errors import single_fault

FIRST_DAY = date(2020, 1, 1)
EVSE = 1
WATTS_DECIMALS = 1
"""Decimals that the standard allows for a limit in W."""


def ocpp21_text(plan: SavedPlan) -> str:
    """Return the payload as JSON text.

    Raises
    ------
    InputFaults : the plan has more periods than a profile may, or a power beyond what was approved.
    """
    return json.dumps(ocpp21_document(plan), indent=2) + "\n"


def ocpp21_document(plan: SavedPlan) -> dict[str, Any]:
    """Return the payload as lists and dictionaries: powers in W, times with offset, periods in s from the start."""
    periods: list[dict[str, Any]] = []
    for row in plan.rows:
        period = _period(plan, row)
        if not periods or {**periods[-1], "startPeriod": 0} != {**period, "startPeriod": 0}:
            periods.append(period)
    if len(periods) > MOST_PERIODS:
        message = f"it has {len(periods)} different powers; allowed in one profile are {MOST_PERIODS}"
        raise single_fault(plan.folder, message)
    evening = plan.evening.astimezone(ZoneInfo(plan.timezone)).date()
    number = (evening - FIRST_DAY).days
    return {
        "evseId": EVSE,
        "chargingProfile": {
            "id": number,
            "stackLevel": 0,
            "chargingProfilePurpose": "TxDefaultProfile",
            "chargingProfileKind": "Absolute",
            "validFrom": _instant(plan, plan.start),
            "validTo": _instant(plan, plan.end),
            "chargingSchedule": [
                {
                    "id": number,
                    "startSchedule": _instant(plan, plan.start),
                    "duration": _seconds(plan, plan.end),
                    "chargingRateUnit": "W",
                    **_limit_at_soc(plan),
                    "chargingSchedulePeriod": periods,
                }
            ],
        },
    }


def stops_not_carried(plan: SavedPlan) -> str | None:
    """Return what the profile does not carry of a plan's blocks, in a sentence each; None if it carries all."""
    timezone = ZoneInfo(plan.timezone)
    lost = {
        "a state of charge at which discharging ends; see to it by hand": [
            (block.start, end_text(block.stop_percent, None)) for block in plan.blocks
        ],
        "the draw or the surplus from which on a block follows it": [
            (block.start, from_text(block.from_kw, block.surplus_from_kw)) for block in plan.blocks
        ],
    }
    said = []
    for field, texts in lost.items():
        found = [f"{start.astimezone(timezone):%H:%M}{text}" for start, text in texts if text]
        if found:
            said.append(f"The profile has no field for {field}: from {', '.join(found)}.")
    return " ".join(said) or None


def _limit_at_soc(plan: SavedPlan) -> dict[str, Any]:
    """Return the schedule's field for the state of charge beyond which nothing is charged, if all charging has one."""
    ends = [block.until_percent for block in plan.blocks if block.action in CHARGING]
    known = [end for end in ends if end is not None]
    if not known or len(known) < len(ends):
        return {}
    return {"limitAtSoC": {"soc": ceil(max(known)), "limit": 0.0}}


def _period(plan: SavedPlan, row: SavedRow) -> dict[str, Any]:
    start = {"startPeriod": _seconds(plan, row.start)}
    limits, phases = plan.limits, plan.limits.phases
    block = next((block for block in plan.blocks if block.start <= row.start < block.end), None)
    if block is not None and block.action in ("surplus", "balance") and row.state != "away":
        gives_kw = min(block.kw, limits.discharge_max_kw) if block.action == "balance" else 0.0
        return {
            **start,
            "operationMode": "LocalLoadBalancing",
            "numberPhases": phases,
            "limit": _watts(min(block.kw, limits.charge_max_kw)),
            "dischargeLimit": _watts(-gives_kw),
        }
    covers = block is not None and block.action == "cover" and row.state != "away"
    if not covers:
        row = _until_the_limit(plan, row, block)
    if row.state not in ("charge", "discharge") and not covers:
        return {**start, "operationMode": "Idle"}
    draw = row.load_kw - row.solar_kw
    most_charge = min(limits.charge_max_kw, max(0.0, limits.import_limit_kw - draw))
    if covers or (row.state == "discharge" and limits.discharge_to == "building"):
        cap = max(_cap_of(plan, row), row.discharge_kw)
        _within(plan, row, limits.discharge_max_kw, cap)
        return {
            **start,
            "operationMode": "LocalLoadBalancing",
            "numberPhases": phases,
            "limit": 0.0,
            "dischargeLimit": _watts(-min(cap, limits.discharge_max_kw)),
        }
    export_limit = limits.export_limit_kw
    if limits.export_limits_kw is not None:
        export_limit = limits.export_limits_kw[plan.rows.index(row)]
    most_discharge = min(limits.discharge_max_kw, max(0.0, export_limit + draw + row.curtailed_kw))
    if limits.discharge_to == "building":
        most_discharge = min(limits.discharge_max_kw, max(0.0, draw))
    return {
        **start,
        "operationMode": "CentralSetpoint",
        "numberPhases": phases,
        "limit": _watts(_within(plan, row, most_charge, row.charge_kw)),
        "dischargeLimit": _watts(-_within(plan, row, most_discharge, row.discharge_kw)),
        "setpoint": _watts(row.setpoint_kw),
    }


def _until_the_limit(plan: SavedPlan, row: SavedRow, block: SavedBlock | None) -> SavedRow:
    """Return an interval at its block's power where the profile's limit ends the block at its state of charge.

    The plan has the mean power until then, which is less where the block ends within the interval by the forecast.
    """
    if block is None or block.action != "charge" or block.until_percent is None or row.state == "away":
        return row
    limit = _limit_at_soc(plan).get("limitAtSoC")
    if limit is None or limit["soc"] != ceil(block.until_percent) or abs(block.kw - row.charge_kw) <= SAME_POWER_KW:
        return row
    kw = min(block.kw, max(row.charge_kw, plan.limits.import_limit_kw - row.load_kw + row.solar_kw))
    return row.model_copy(update={"state": "charge", "charge_kw": kw, "setpoint_kw": kw})


def _within(plan: SavedPlan, row: SavedRow, most_kw: float, power_kw: float) -> float:
    """Return the limit of a period [kW]; the power itself where rounding puts it just beyond."""
    if power_kw > most_kw + SAME_KW:
        message = f"{power_kw:.3f} kW from {row.start.isoformat()} is over what was approved and the charger can: "
        raise single_fault(plan.folder, f"{message}{most_kw:.3f} kW")
    return max(most_kw, power_kw)


def _cap_of(plan: SavedPlan, row: SavedRow) -> float:
    """Return the power of the block that covers the building in this row [kW]."""
    return next((block.kw for block in plan.blocks if block.start <= row.start < block.end), row.discharge_kw)


def _seconds(plan: SavedPlan, instant: datetime) -> int:
    return round((instant - plan.start).total_seconds())


def _instant(plan: SavedPlan, instant: datetime) -> str:
    return instant.astimezone(ZoneInfo(plan.timezone)).isoformat(timespec="seconds")


def _watts(kw: float) -> float:
    return round(1000 * kw, WATTS_DECIMALS) + 0.0
