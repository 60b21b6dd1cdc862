"""What a run of a sweep comes to: one tidy row, and a dictionary of its columns with their units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.counted_wear import counted_wear
from models.soc_trace import SocTrace
from models.wear_law import CAPACITY_LOST_AT_END
from models.wear_laws import WEAR_LAWS, wear_law
from scheduler.comparison import DAYS_A_YEAR
from scheduler.inputs import Inputs
from scheduler.rolled_flows import RolledFlows, rolled_bill
from scheduler.rolled_run import RolledRun
from scheduler.sweep_grid import GridPoint
from scheduler.wear_tonight import battery_temp_degc


@dataclass(frozen=True, slots=True)
class SweepColumn:
    """A column of runs.csv: its name, unit and meaning."""

    name: str
    unit: str
    meaning: str


RUN_COLUMNS = (
    SweepColumn("run", "-", "number of the run, from 0, in the order of the grid"),
    SweepColumn("offer", "-", "name of the offer"),
    SweepColumn("law", "-", "wear law that priced the plans"),
    SweepColumn("weight", "-", "factor on wear in the objective"),
    SweepColumn("first_day", "local day", "first day, included"),
    SweepColumn("last_day", "local day", "last day, included"),
    SweepColumn("days", "d", "how many days"),
    SweepColumn("forecast", "-", "what each evening knew: typical days, or what really came (recorded)"),
    SweepColumn("bill", "money", "from the meter, fees and taxes included"),
    SweepColumn("on_the_way_cost", "money", "of charging away from home"),
    SweepColumn("cash", "money", "bill and charging away from home"),
    SweepColumn("stored_energy", "money", "worth of what the battery gained, at the mean stored-energy price"),
    SweepColumn("wear_cost", "money", "unweighted, by the law that priced the plans, ageing by time included"),
    SweepColumn("in_all", "money", "cash + wear_cost - stored_energy"),
    SweepColumn("equivalent_full_cycles", "-", "energy out of the battery, driving included, over its capacity"),
    SweepColumn("charged_kwh", "kWh", "AC energy into the charger"),
    SweepColumn("discharged_kwh", "kWh", "AC energy out of the car at home"),
    SweepColumn("imported_kwh", "kWh", "at the meter"),
    SweepColumn("exported_kwh", "kWh", "at the meter"),
    SweepColumn("nights_discharged", "-", "nights in which the car gave energy"),
    SweepColumn("missed_departures", "-", "trips that began under their departure target"),
    *(
        SweepColumn(f"cycle_life_used_percent_{law}", "%", f'of the battery\'s life, by counted cycles and law "{law}"')
        for law in WEAR_LAWS
    ),
    *(
        SweepColumn(f"life_used_percent_{law}", "%", f'the same with ageing by time, where law "{law}" knows it')
        for law in WEAR_LAWS
    ),
    *(
        SweepColumn(
            f"capacity_lost_percent_a_year_{law}",
            "% a year",
            f'life used a year by law "{law}", ageing by time included, times the 20 % that a life loses',
        )
        for law in WEAR_LAWS
    ),
)
"""Columns of every sweep; those of --set follow, by the name of their key."""


def run_row(number: int, point: GridPoint, run: RolledRun, flows: RolledFlows) -> dict[str, object]:
    """The row of one run, by the names of RUN_COLUMNS and of the keys that were set."""
    inputs = run.inputs
    bill = rolled_bill(flows, inputs, run.first, run.last).total
    days = (run.last - run.first).days + 1
    on_the_way, wear = float(flows.on_the_way_cost.sum()), float(flows.wear_cost.sum())
    gained = (float(flows.stored_kwh[-1]) - flows.stored_before_kwh) * flows.stored_energy_price
    row: dict[str, object] = {
        "run": number,
        "offer": inputs.offer.name,
        "law": point.law,
        "weight": point.weight,
        "first_day": run.first.isoformat(),
        "last_day": run.last.isoformat(),
        "days": days,
        "forecast": run.forecast,
        "bill": bill,
        "on_the_way_cost": on_the_way,
        "cash": bill + on_the_way,
        "stored_energy": gained,
        "wear_cost": wear,
        "in_all": bill + on_the_way + wear - gained,
        "equivalent_full_cycles": float(flows.out_of_battery_kwh.sum()) / inputs.site.car.battery_kwh,
        "charged_kwh": float(flows.energy["charge_kwh"].sum()),
        "discharged_kwh": float(flows.energy["discharge_kwh"].sum()),
        "imported_kwh": float(flows.energy["import_kwh"].sum()),
        "exported_kwh": float(flows.energy["export_kwh"].sum()),
        "nights_discharged": flows.nights_discharged,
        "missed_departures": flows.missed_departures,
    }
    row |= _life_used(inputs, flows, days)
    row |= {".".join(key): value for key, value in point.changes}
    return row


def soc_trace(inputs: Inputs, flows: RolledFlows) -> SocTrace:
    """State of charge of rolled days at every boundary, at the battery's temperature of the month."""
    end = flows.start[-1] + pd.Timedelta(minutes=int(flows.minutes[-1]))
    instants = pd.DatetimeIndex(flows.start.append(pd.DatetimeIndex([end]))).as_unit("s")
    stored = np.concatenate(([flows.stored_before_kwh], flows.stored_kwh))
    month = np.asarray(instants.tz_convert(inputs.site.timezone).month)
    firsts = {int(one): instants[int(np.argmax(month == one))] for one in np.unique(month)}
    temps = {one: battery_temp_degc(inputs.site, first) for one, first in firsts.items()}
    temp = np.array([temps[int(one)] for one in month])
    return SocTrace(instants, np.clip(stored / inputs.site.car.battery_kwh, 0.0, 1.0), temp)


def _life_used(inputs: Inputs, flows: RolledFlows, days: int) -> Mapping[str, float]:
    """Life used by counted cycles and time, by every law."""
    settings = inputs.site.wear.law_settings
    laws = [wear_law(name, settings) for name in WEAR_LAWS]
    counted = counted_wear(soc_trace(inputs, flows), laws, None).by_law
    cycles = {f"cycle_life_used_percent_{each.law}": 100 * each.used.by_cycles for each in counted}
    whole = {f"life_used_percent_{each.law}": 100 * each.used.total for each in counted}
    a_year = DAYS_A_YEAR / days
    lost = {
        f"capacity_lost_percent_a_year_{each.law}": 100 * CAPACITY_LOST_AT_END * each.used.total * a_year
        for each in counted
    }
    return cycles | whole | lost
