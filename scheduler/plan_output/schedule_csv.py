"""`schedule.csv`: one row per interval, full precision."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scheduler.plans.plan import Plan
from scheduler.render.table import Cell, Column, Table, csv_text
from scheduler.textio.format import local_iso

COLUMNS = (
    "start",
    "end",
    "hours",
    "state",
    "charge_kw",
    "discharge_kw",
    "setpoint_kw",
    "setpoint_amps",
    "load_kw",
    "solar_kw",
    "curtailed_kw",
    "import_kw",
    "export_kw",
    "soc_start_percent",
    "soc_end_percent",
    "import_price_per_kwh",
    "export_price_per_kwh",
    "import_cost",
    "export_credit",
    "wear_cost",
)


def schedule_text(plan: Plan) -> str:
    """Return the schedule as CSV text; setpoints are positive for charging and negative for discharging."""
    night, setpoints, replayed = plan.night, plan.answer.setpoints, plan.replayed
    setpoint_kw = setpoints.charge_kw - setpoints.discharge_kw
    soc = 100 * replayed.stored_kwh / night.car.battery_kwh
    states = np.select(
        [~night.at_home, setpoints.charging, setpoints.discharging], ["away", "charge", "discharge"], "idle"
    )
    numbers = {
        "hours": night.hours,
        "charge_kw": setpoints.charge_kw,
        "discharge_kw": setpoints.discharge_kw,
        "setpoint_kw": setpoint_kw,
        "setpoint_amps": setpoint_kw * night.charger.amps(1.0),
        "load_kw": night.load_kw,
        "solar_kw": night.solar_kw,
        "curtailed_kw": setpoints.curtailed_kw,
        "import_kw": replayed.import_kw,
        "export_kw": replayed.export_kw,
        "soc_start_percent": soc[:-1],
        "soc_end_percent": soc[1:],
        "import_price_per_kwh": replayed.import_price,
        "export_price_per_kwh": replayed.export_price,
        "import_cost": replayed.import_cost,
        "export_credit": replayed.export_credit,
        "wear_cost": replayed.wear_cost,
    }
    instants = [local_iso(instant.to_pydatetime(), night.timezone) for instant in night.boundaries]
    columns: dict[str, Sequence[Cell]] = {name: values.tolist() for name, values in numbers.items()}
    columns |= {"start": instants[:-1], "end": instants[1:], "state": states.tolist()}
    rows = zip(*(columns[name] for name in COLUMNS), strict=True)
    return csv_text(Table(tuple(Column(name) for name in COLUMNS), tuple(rows)))
