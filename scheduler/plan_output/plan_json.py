"""`plan.json`: the plan for other programs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path
from typing import Any

from scheduler.nights.night import SAME_KWH
from scheduler.plans.departures import TripOutcome
from scheduler.plans.kept_energy import kept_energy_text
from scheduler.plans.plan import CAUTIONS, Plan
from scheduler.plans.replay import Costs
from scheduler.plans.sampled_choice import TYPICAL
from scheduler.plans.tonight import first_sentences, tonight_until
from scheduler.textio.format import local_iso

FORMAT = 1


def plan_text(plan: Plan) -> str:
    """Return the plan as JSON text."""
    return json.dumps(plan_document(plan), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plan_document(plan: Plan) -> dict[str, Any]:
    """Return the plan as plain lists, dictionaries, text and numbers; keys carry units."""
    night, replayed, inputs = plan.night, plan.replayed, plan.inputs
    timezone = night.timezone
    begin, end = (night.boundaries[at].to_pydatetime() for at in (0, -1))
    car = night.car
    return {
        "format": FORMAT,
        "program_version": version("overnight-scheduler"),
        "made_at": local_iso(plan.made_at, timezone),
        "inputs": {shown_path(file, inputs.site.folder): sha256 for file, sha256 in inputs.hashes.items()},
        "status": "target-missed" if plan.target_missed else "optimal",
        "site": inputs.site.name,
        "offer": inputs.offer.name,
        "currency": inputs.offer.currency,
        "timezone": timezone,
        "start": local_iso(begin, timezone),
        "end": local_iso(end, timezone),
        "soc_start_percent": car.percent(float(replayed.stored_kwh[0])),
        "highest_soc_today_percent": plan.evening.highest_soc_today_percent,
        "highest_soc_today_from": plan.evening.highest_soc_today_from,
        "home_at": _home_at(plan),
        "outside_degc": plan.evening.outside_degc,
        "soc_end_percent": car.percent(float(replayed.stored_kwh[-1])),
        "trips": [{**_trip(outcome, timezone), **_chance(plan, number)} for number, outcome in enumerate(plan.trips)],
        **_forecast(plan),
        "costs": costs_document(replayed.costs),
        "stored_energy_price_per_kwh": night.price_left_at(float(replayed.stored_kwh[-1])),
        "stored_energy_value": _stored_energy_value(plan),
        "wear_weight": night.wear_weight,
        "wear_law": inputs.site.wear.law,
        "calendar_law": inputs.site.wear.calendar_law,
        "cycle_wear_by_law": {name: dict(by_law) for name, by_law in plan.wear_by_law.items()},
        "other_wear_laws": [
            {"law": other.law, "given_kwh": other.given_kwh, "regret": other.regret} for other in plan.other_laws
        ],
        "alternatives": {name: {"costs": costs_document(costs)} for name, costs in plan.alternatives.items()},
        "saving": plan.saving,
        "discharge_value": plan.discharge_value,
        "set_by": night.setting.set_by,
        "setting_cost": plan.setting_cost,
        "solver": {
            "status": plan.answer.status,
            "way": plan.answer.way,
            "gap": plan.answer.gap,
            "bound": plan.answer.bound,
            "seconds": plan.answer.seconds,
        },
        "headline": plan.headline,
        "first_sentences": list(first_sentences(plan)),
        "tonight_until": local_iso(tonight_until(plan), timezone),
        "so_far": _so_far(plan),
        **_replan(plan),
        "limits": _limits(plan),
        "blocks": [
            {
                "start": local_iso(night.boundaries[block.first].to_pydatetime(), timezone),
                "end": local_iso(night.boundaries[block.last].to_pydatetime(), timezone),
                "action": block.action,
                "kw": block.kw,
                "amps": block.amps,
                "stop_percent": block.stop_percent,
                "until_percent": block.until_percent,
                "from_kw": block.from_kw,
                "surplus_from_kw": block.surplus_from_kw,
                "look_at": None if look_at is None else local_iso(look_at, timezone),
                "reason": reason,
            }
            for block, look_at, reason in zip(plan.blocks, plan.look_at, plan.reasons, strict=True)
        ],
        "warnings": list(plan.warnings),
        "cautions": list(CAUTIONS),
    }


def costs_document(costs: Costs) -> dict[str, float | None]:
    """Return costs by name [money]; `wear`, of cycles and calendar ageing together, is unweighted; emissions [kg]."""
    return {
        "import": costs.import_,
        "export": costs.export,
        "on_the_way": costs.on_the_way,
        "demand": costs.demand,
        "wear": costs.wear,
        "cycle_wear": costs.cycle_wear,
        "calendar_wear": costs.calendar_wear,
        "outside_window": costs.outside_window,
        "starts": costs.starts,
        "settings": costs.settings,
        "emissions": costs.emissions,
        "stored_energy": costs.stored_energy,
        "cash": costs.cash,
        "total": costs.total,
        "bought_kg": costs.bought_kg,
        "avoided_kg": costs.avoided_kg,
    }


def _home_at(plan: Plan) -> dict[str, str] | None:
    """Return when the car comes home, at the earliest and at the latest; None if it is home."""
    timezone, latest = plan.night.timezone, plan.evening.home_at
    if latest is None:
        return None
    earliest = plan.evening.home_at_earliest or latest
    return {"earliest": local_iso(earliest, timezone), "latest": local_iso(latest, timezone)}


def _trip(outcome: TripOutcome, timezone: str) -> dict[str, Any]:
    trip = outcome.trip
    return {
        "depart": local_iso(trip.trip.depart_at, timezone),
        "return": local_iso(trip.trip.return_at, timezone),
        "distance_km": trip.trip.distance_km,
        "pace": trip.trip.pace,
        "energy_kwh": trip.energy_kwh,
        "consumption_factor": {
            "middle": trip.consumption.middle,
            "low": trip.consumption.low,
            "high": trip.consumption.high,
        },
        "target_percent": outcome.target_percent,
        "planned_percent": outcome.planned_percent,
        "missing_kwh": outcome.missing_kwh,
        "on_the_way_kwh": outcome.on_the_way_kwh,
        "ready_at": None if outcome.ready_at is None else local_iso(outcome.ready_at, timezone),
    }


def _chance(plan: Plan, number: int) -> dict[str, Any]:
    """Return what past days say of a departure; None where they are too few."""
    if plan.outlook is None:
        return dict.fromkeys(("chance_short", "nearly_least_percent", "chance_short_unwatched", "chance_on_the_way"))
    found = plan.outlook.trips[number]
    return {
        "chance_short": found.chance,
        "nearly_least_percent": found.nearly_least_percent,
        "chance_short_unwatched": found.chance_unwatched,
        "chance_on_the_way": found.chance_on_the_way,
    }


def _forecast(plan: Plan) -> dict[str, Any]:
    """Return what load and solar were forecast from, and what the plan comes to on past days."""
    found, choice = plan.outlook, plan.choice
    return {
        "forecast": plan.evening.forecast,
        "planned_on": TYPICAL if choice is None else choice.name,
        "sampled": None
        if found is None
        else {
            "days": found.days,
            "total": found.total.tolist(),
            "cash": found.cash.tolist(),
            "saving": found.saving.tolist(),
            "gained": None if choice is None else choice.gained,
            "changed": None if choice is None else choice.changed,
            "draws_prices": found.draws_prices,
            "draws_returns": found.draws_returns,
        },
    }


def _replan(plan: Plan) -> dict[str, Any]:
    """Return which evening and revision this is, and what earlier revisions left."""
    timezone, replanned = plan.night.timezone, plan.replanned
    if replanned is None:
        begin = plan.night.boundaries[0].to_pydatetime()
        return {"evening": local_iso(begin, timezone), "revision": 0, "past_blocks": [], "past_trips": []}
    return {
        "evening": local_iso(replanned.evening, timezone),
        "revision": replanned.revision,
        "past_blocks": [
            {
                **block.model_dump(exclude={"start", "end", "look_at"}),
                "start": local_iso(block.start, timezone),
                "end": local_iso(block.end, timezone),
            }
            for block in replanned.past_blocks
        ],
        "past_trips": [
            {
                "depart": local_iso(trip.depart, timezone),
                "return": local_iso(trip.return_at, timezone),
                "distance_km": trip.distance_km,
                "pace": trip.pace,
                "target_percent": trip.target_percent,
                "planned_percent": trip.planned_percent,
                "ready_at": None if trip.ready_at is None else local_iso(trip.ready_at, timezone),
            }
            for trip in replanned.past_trips
        ],
        "cancelled_blocks": replanned.cancelled_blocks,
        "cancelled_trips": replanned.cancelled_trips,
        "replan": {
            "of": replanned.of,
            "changes": list(replanned.changes),
            "carrying_on": replanned.carrying_on,
            "carrying_on_total": replanned.carrying_on_total,
        },
    }


def _stored_energy_value(plan: Plan) -> dict[str, Any]:
    """Return what energy left at the end is worth, from empty to full in straight pieces, and where that comes from."""
    night, value = plan.night, plan.night.stored_energy
    edges = [*value.edges_kwh.tolist(), night.car.battery_kwh]
    end = float(plan.replayed.stored_kwh[-1])
    use = value.use_at(max(end, night.car.floor_kwh + SAME_KWH))
    return {
        "soc_percent": [night.car.percent(kwh) for kwh in edges],
        "worth": [value.worth(kwh) for kwh in edges],
        "from": None
        if use is None
        else {
            "use": use.kind,
            "price_per_kwh": use.price_per_kwh,
            "at": local_iso(use.at, night.timezone),
        },
        "text": kept_energy_text(plan.inputs, night, end),
    }


def _so_far(plan: Plan) -> dict[str, Any]:
    """Return what the meter had counted when the plan was made, as far as given, by number of the offer's band."""
    evening = plan.evening

    def by_band(counted: Mapping[int, float] | None) -> dict[str, float] | None:
        return None if counted is None else {str(band): kwh for band, kwh in counted.items()}

    return {
        "peak_kw": evening.peak_so_far_kw,
        "imported_kwh": by_band(evening.imported_so_far_kwh),
        "exported_kwh": by_band(evening.exported_so_far_kwh),
    }


def _limits(plan: Plan) -> dict[str, Any]:
    """Return what was approved and what the charger can do, for programs that hand the plan on."""
    connection, charger = plan.night.connection, plan.night.charger
    return {
        "import_limit_kw": connection.import_limit_kw,
        "export_limit_kw": connection.export_limit_kw,
        "export_limits_kw": plan.night.export_limit_kw.tolist() if connection.export_windows else None,
        "charge_min_kw": charger.charge_min_kw,
        "charge_max_kw": charger.charge_max_kw,
        "discharge_min_kw": charger.discharge_min_kw,
        "discharge_max_kw": charger.discharge_max_kw,
        "discharge_to": charger.discharge_to,
        "volts": charger.volts,
        "phases": charger.phases,
        "can_follow_surplus": charger.can_follow_surplus,
        "can_stop_at_percent": charger.can_stop_at_percent,
    }


def shown_path(file: Path, folder: Path) -> str:
    """Return the name of a file in results: its path below the folder, or the whole path of a file elsewhere."""
    whole, inside = file.resolve(), folder.resolve()
    return whole.relative_to(inside).as_posix() if whole.is_relative_to(inside) else str(file)
