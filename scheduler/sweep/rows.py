"""The result of a run of a sweep, as one tidy row."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from models.wear.counted import counted_wear
from models.wear.law import CAPACITY_LOST_AT_END, DAYS_A_YEAR
from models.wear.laws import WEAR_LAWS, wear_law
from scheduler.inputs.site_inputs import Inputs
from scheduler.inputs.site_values import site_values
from scheduler.rolling.counted_wear import counted_wear_cost, soc_trace
from scheduler.rolling.emissions import KG_A_TONNE, rolled_emissions
from scheduler.rolling.flows import RolledFlows, rolled_bill
from scheduler.rolling.full_horizon import FullHorizon, outside_window_kwh_hours, starts_of
from scheduler.rolling.run import RolledRun
from scheduler.sweep.grid import GridPoint

LEAST_SHARE = 0.01
"""A worth of discharging below this share of the cost counts as none [-]."""

Value = float | int | bool | str | None
Row = dict[str, Value]

PLAN, CHARGE_ONLY, CHARGE_ON_RETURN = "plan", "charge-only", "charge-on-return"


def run_row(point: GridPoint, run: RolledRun, flows: RolledFlows) -> Row:
    """Return the row of one run by itself, by the names of RUN_COLUMNS and of the site's keys."""
    inputs = run.inputs
    bill = rolled_bill(flows, inputs, run.first, run.last).total
    days = (run.last - run.first).days + 1
    on_the_way, wear = float(flows.on_the_way_cost.sum()), float(flows.wear_cost.sum())
    gained_kwh = float(flows.stored_kwh[-1]) - flows.stored_before_kwh
    emissions = rolled_emissions(inputs, flows)
    row: Row = {
        "policy": point.policy,
        "site": inputs.site.name,
        "offer": inputs.offer.name,
        "currency": inputs.offer.currency,
        "law": point.law,
        "weight": point.weight,
        "first_day": run.first.isoformat(),
        "last_day": run.last.isoformat(),
        "days": days,
        "forecast": run.forecast,
        "trips": run.trips,
        "bill": bill,
        "on_the_way_cost": on_the_way,
        "cash": bill + on_the_way,
        "emissions_kg": None if emissions is None else emissions.net_kg,
        "gained_kwh": gained_kwh,
        "stored_energy_price": flows.stored_energy_price,
        "wear_cost": wear,
        "counted_wear_cost": counted_wear_cost(inputs, flows),
        "equivalent_full_cycles": float(flows.out_of_battery_kwh.sum()) / inputs.site.car.battery_kwh,
        "charged_kwh": float(flows.energy["charge_kwh"].sum()),
        "discharged_kwh": float(flows.energy["discharge_kwh"].sum()),
        "imported_kwh": float(flows.energy["import_kwh"].sum()),
        "exported_kwh": float(flows.energy["export_kwh"].sum()),
        "nights": len(flows.night_start),
        "nights_discharged": flows.nights_discharged,
        "starts": starts_of(flows),
        "outside_window_kwh_hours": outside_window_kwh_hours(flows, inputs),
        "stored_at_end_kwh": float(flows.stored_kwh[-1]),
        "departures": int(flows.night["departures"].sum()),
        "missed_departures": flows.missed_departures,
    }
    row |= _life_used(inputs, flows, days)
    row |= site_values(inputs.site)
    return row


def with_savings(rows: Sequence[Row], bounds: Mapping[Value, FullHorizon] | None = None) -> list[Row]:
    """Return the rows with what each saves against its group's references.

    This is worked out when the tables are written, from all rows at once, so that it cannot depend on the order in
    which runs were made. A group has one offer, one law and one value of each site key. Stored energy counts at the
    stored-energy price of the group's charge-only row for all, so that no row gains from a higher price of its own;
    without tiered prices the two are the same.

    Parameters
    ----------
    rows : of run_row for every run, with "group", the number of its group.
    bounds : the full horizon of each group by its number; None: not asked for.

    Returns
    -------
    The rows in the same order, with totals and savings [money a year].
    """
    on_return = {row["group"]: row for row in rows if row["policy"] == CHARGE_ON_RETURN}
    only = {row["group"]: row for row in rows if row["policy"] == CHARGE_ONLY}
    prices = {group: _number(row, "stored_energy_price") for group, row in only.items()}
    bounds = bounds or {}
    least: dict[Value, float] = {}
    for row in rows:
        whole = bounds.get(row["group"])
        if whole is not None:
            over = _program_total(row, whole) - whole.bound
            least[row["group"]] = min(least.get(row["group"], whole.gap), max(0.0, over))
    found = []
    for row in rows:
        group, price = row["group"], prices[row["group"]]
        a_year = DAYS_A_YEAR / _number(row, "days")
        cash, total = _cash(row, price), _total(row, price)
        more: Row = {
            "stored_energy": _number(row, "gained_kwh") * price,
            "in_all": total,
            "in_all_counted": total - _number(row, "wear_cost") + _number(row, "counted_wear_cost"),
            "capacity_lost_percent_a_year": row[f"capacity_lost_percent_a_year_{row['law']}"],
            "cash_saved_a_year": (_cash(on_return[group], price) - cash) * a_year,
            "cash_saved_by_discharging_a_year": (_cash(only[group], price) - cash) * a_year,
            "saving_a_year": (_total(on_return[group], price) - total) * a_year,
            "discharge_value_a_year": (_total(only[group], price) - total) * a_year,
        }
        more |= _of_full_horizon(row, only[group], bounds.get(group), least.get(group))
        found.append(row | more | {"stored_energy_price": price})
    return found


def _of_full_horizon(row: Row, only: Row, whole: FullHorizon | None, gap: float | None) -> Row:
    """Return the bound of a run's group, and what share of the most that discharging can be worth the run keeps."""
    if whole is None:
        names = ("bound", "gap", "part_bound", "share")
        return dict.fromkeys([f"full_horizon_{name}" for name in names])
    total, charged = (_program_total(each, whole) for each in (row, only))
    value = charged - whole.bound
    return {
        "full_horizon_bound": whole.bound,
        "full_horizon_gap": gap,
        "full_horizon_part_bound": whole.part_bound,
        "full_horizon_share": (charged - total) / value if value > LEAST_SHARE * abs(charged) else None,
    }


def _program_total(row: Row, whole: FullHorizon) -> float:
    """Return a run's total as the bound counts it: with starts and time outside the window [money]."""
    soft = _number(row, "starts") * _number(row, "charger.start_worth_kwh")
    soft += _number(row, "outside_window_kwh_hours") * _number(row, "car.outside_window_factor")
    emitted = _number(row, "plan.emissions_price_per_tonne") * float(row["emissions_kg"] or 0.0) / KG_A_TONNE
    paid = _number(row, "cash") + emitted + _number(row, "wear_cost") + whole.highest_price * soft
    end, worth = _number(row, "stored_at_end_kwh"), whole.stored_energy.worth
    return paid - worth(end) + worth(end - _number(row, "gained_kwh"))


def _life_used(inputs: Inputs, flows: RolledFlows, days: int) -> dict[str, float]:
    """Return the life used by counted cycles and by calendar ageing, by every law, by name of column [%]."""
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
    own = {
        f"own_capacity_lost_percent_a_year_{each.law}": 100 * each.used.capacity_lost * a_year
        for each in counted
        if each.used.capacity_lost is not None
    }
    return cycles | whole | lost | own


def _cash(row: Row, price: float) -> float:
    return _number(row, "cash") - _number(row, "gained_kwh") * price


def _total(row: Row, price: float) -> float:
    return _cash(row, price) + _number(row, "wear_cost")


def _number(row: Row, name: str) -> float:
    value = row[name]
    assert isinstance(value, int | float)
    return value
