"""The charger's powers and modes in the compact formulation (scheduler.optimizer.compact)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.site.charger import Charger
from models.site.connection import import_cap_kw
from scheduler.nights.night import Night
from scheduler.optimizer.matrix_builder import MONEY, MatrixBuilder
from scheduler.optimizer.objectives import OBJECTIVES, charger_start_worth, hours_waited

WHOLE = 1e-9
"""How far a power may be off a whole current that it still counts as [A]."""


@dataclass(frozen=True, slots=True, eq=False)
class Powers:
    """Columns of the charger, whether it can run, and the most power [kW], each of shape (n,); the least power [kW]."""

    charge: IntArray
    discharge: IntArray
    charging: IntArray
    discharging: IntArray
    can_charge: BoolArray
    can_discharge: BoolArray
    least_charge_kw: float
    least_discharge_kw: float
    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray


def charger_powers(writer: MatrixBuilder, night: Night, may_discharge: bool) -> Powers:
    """Add powers and modes within the caps of charger, grid and offer; return their columns and limits."""
    charger, n = night.charger, night.intervals
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    surplus = np.maximum(0.0, night.solar_kw - night.load_kw)
    import_cap = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
    most_charge = np.minimum(night.most_charge_kw, import_cap - draw + surplus)
    if charger.discharge_to == "building":
        most_discharge = np.minimum(charger.discharge_max_kw, draw)
    else:
        limit = night.export_limit_kw
        most_discharge = np.minimum(charger.discharge_max_kw, draw + limit - np.minimum(surplus, limit))
        if night.solar_can_be_limited:
            most_discharge = np.minimum(charger.discharge_max_kw, night.load_kw + limit)
    least_charge, least_discharge = charger.charge_min_kw, charger.discharge_min_kw
    if night.setting.set_by == "current":
        least_charge, most_charge = whole_currents(charger, least_charge, most_charge)
        if charger.discharge_to != "building":
            least_discharge, most_discharge = whole_currents(charger, least_discharge, most_discharge)
    can_charge = night.at_home & (most_charge >= least_charge)
    can_discharge = night.at_home & (most_discharge >= least_discharge) & may_discharge
    most_charge = np.where(can_charge, most_charge, 0.0)
    most_discharge = np.where(can_discharge, np.maximum(most_discharge, 0.0), 0.0)
    powers = Powers(
        charge=writer.add_columns("charge_kw", n, 0.0, most_charge),
        discharge=writer.add_columns("discharge_kw", n, 0.0, most_discharge),
        charging=writer.add_columns("charging", n, 0.0, can_charge.astype(np.float64), whole=True),
        discharging=writer.add_columns("discharging", n, 0.0, can_discharge.astype(np.float64), whole=True),
        can_charge=can_charge,
        can_discharge=can_discharge,
        least_charge_kw=least_charge,
        least_discharge_kw=least_discharge,
        most_charge_kw=most_charge,
        most_discharge_kw=most_discharge,
    )
    for power, mode, may, least, most in (
        (powers.charge, powers.charging, can_charge, least_charge, most_charge),
        (powers.discharge, powers.discharging, can_discharge, least_discharge, most_discharge),
    ):
        writer.add_rows([(power[may], 1.0), (mode[may], -least)], lower=0.0)
        writer.add_rows([(power[may], 1.0), (mode[may], -most[may])], upper=0.0)
    both = can_charge & can_discharge
    writer.add_rows([(powers.charging[both], 1.0), (powers.discharging[both], 1.0)], upper=1.0)
    if night.car.discharge_limit_kwh is not None:
        writer.add_row(powers.discharge, night.hours, upper=night.car.discharge_limit_kwh, name="discharge_total")
    return powers


def whole_currents(charger: Charger, least_kw: float, most_kw: FloatArray) -> tuple[float, FloatArray]:
    """Return the least power and the most powers [kW], moved inwards to whole currents."""
    amps_per_kw = charger.amps(1.0)
    least = float(np.ceil(least_kw * amps_per_kw - WHOLE)) / amps_per_kw
    return least, np.floor(most_kw * amps_per_kw + WHOLE) / amps_per_kw


def starts(writer: MatrixBuilder, night: Night, powers: Powers) -> None:
    """Add starts of charging and discharging, where the charger can run."""
    for name, mode, may in (
        ("charge_start", powers.charging, powers.can_charge),
        ("discharge_start", powers.discharging, powers.can_discharge),
    ):
        at = np.flatnonzero(may)
        start = writer.add_columns(name, len(at), 0.0, 1.0)
        writer.add_rows([(start, 1.0), (mode[at], -1.0), (mode[at - 1], (at > 0).astype(np.float64))], lower=0.0)
        writer.cost(MONEY, start, charger_start_worth(night))


def timing(writer: MatrixBuilder, night: Night, powers: Powers) -> None:
    """Add the objective of charging and discharging early."""
    waited = night.hours * hours_waited(night)
    last = OBJECTIVES.index("ready_soonest")
    writer.cost(last, powers.charge, waited)
    writer.cost(last, powers.discharge, waited)
