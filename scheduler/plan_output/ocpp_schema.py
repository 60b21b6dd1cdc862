"""What makes a SetChargingProfile payload valid: its schema, and the rules that a schema cannot state.

The schema is the one that the `ocpp` package carries (Open Charge Alliance; CC BY-ND, so it is read there and not
copied). Without that package only the rules are checked.
"""

from __future__ import annotations

import importlib.resources
import importlib.util
import itertools
import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

MOST_PERIODS = 1024
NEEDED = {
    "Idle": (),
    "CentralSetpoint": ("setpoint", "limit", "dischargeLimit"),
    "LocalLoadBalancing": ("limit", "dischargeLimit"),
}
"""Operation modes that a plan uses, and the fields that each needs here."""


def broken_rules(document: Mapping[str, Any]) -> list[str]:
    """Return everything in a payload that breaks the schema, or else the rules beyond it; empty if it is valid."""
    broken = list(_schema_errors(document))
    if broken:
        return broken
    try:
        return list(_rule_errors(document))
    except (KeyError, IndexError, TypeError, AttributeError) as error:  # only without the schema, which says it better
        return [f"the payload is incomplete or of the wrong shape: {error}"]


def _schema_errors(document: Mapping[str, Any]) -> Iterator[str]:
    if importlib.util.find_spec("ocpp") is None or importlib.util.find_spec("jsonschema") is None:
        return
    import jsonschema  # an extra

    file = importlib.resources.files("ocpp") / "v21" / "schemas" / "SetChargingProfileRequest.json"
    validator = jsonschema.Draft7Validator(json.loads(file.read_text(encoding="utf-8")))
    for error in validator.iter_errors(document):
        yield f"{'.'.join(str(part) for part in error.absolute_path) or 'the payload'}: {error.message[:200]}"


def _rule_errors(document: Mapping[str, Any]) -> Iterator[str]:
    profile = document["chargingProfile"]
    if profile["chargingProfileKind"] != "Absolute":
        yield f"chargingProfileKind: found {profile['chargingProfileKind']}; a plan is Absolute"
    for schedule in profile["chargingSchedule"]:
        yield from _start_errors(schedule)
        periods = schedule["chargingSchedulePeriod"]
        begins = [period["startPeriod"] for period in periods]
        if begins[0] != 0:
            yield f"startPeriod: the first is {begins[0]}, not 0"
        if any(later <= earlier for earlier, later in itertools.pairwise(begins)):
            yield "startPeriod: the periods do not rise"
        if schedule.get("duration", 0) <= begins[-1]:
            yield "duration: the last period begins after it"
        if schedule["chargingRateUnit"] != "W":
            yield f"chargingRateUnit: found {schedule['chargingRateUnit']}; setpoints here are in W"
        for number, period in enumerate(periods):
            yield from (f"period {number}: {error}" for error in _period_errors(period))


def _start_errors(schedule: Mapping[str, Any]) -> Iterator[str]:
    try:
        start = datetime.fromisoformat(schedule["startSchedule"])
    except KeyError:
        yield "startSchedule: missing; an absolute schedule needs one"
    except ValueError:
        yield "startSchedule: it is not a valid time"
    else:
        if start.utcoffset() is None:
            yield "startSchedule: it has no offset"


def _period_errors(period: Mapping[str, Any]) -> Iterator[str]:
    mode = period.get("operationMode")
    if mode not in NEEDED:
        yield f"operationMode {mode} is not one that a plan uses"
        return
    missing = [name for name in NEEDED[mode] if name not in period]
    if missing:
        yield f"{mode} needs {', '.join(missing)}"
        return
    if mode == "Idle" and period.get("setpoint", 0) != 0:
        yield "Idle has a setpoint"
    if mode != "Idle" and "numberPhases" not in period:
        yield f"{mode} needs numberPhases, for without it three are meant"
    limit, discharge_limit = period.get("limit", 0), period.get("dischargeLimit", 0)
    if limit < 0:
        yield f"limit {limit} is under 0"
    if discharge_limit > 0:
        yield f"dischargeLimit {discharge_limit} is over 0"
    if mode == "CentralSetpoint" and not discharge_limit <= period["setpoint"] <= limit:
        yield f"setpoint {period['setpoint']} is outside {discharge_limit} to {limit}"
