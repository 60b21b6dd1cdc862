"""The bidirectional charger: its power limits, its losses, its setpoints in amps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.base.arrays import FloatArray

DischargeTo = Literal["building-and-grid", "building"]


@dataclass(frozen=True, slots=True)
class Charger:
    """A bidirectional charger. All powers are at its AC side.

    Attributes
    ----------
    charge_min_kw, charge_max_kw : least and most charging power [kW].
    discharge_min_kw, discharge_max_kw : least and most discharging power [kW].
    charge_efficiency_percent, discharge_efficiency_percent : of the power beyond the fixed loss [%].
    fixed_loss_kw : taken from the battery side whenever it charges or discharges [kW].
    discharge_to : "building-and-grid", or "building": it never exceeds the building's draw.
    start_worth_kwh : a start is avoided if that costs less than this much energy at the dearest price [kWh].
    volts, phases : for setpoints in amps [V, -].
    """

    charge_min_kw: float
    charge_max_kw: float
    discharge_min_kw: float
    discharge_max_kw: float
    charge_efficiency_percent: float
    discharge_efficiency_percent: float
    fixed_loss_kw: float
    discharge_to: DischargeTo
    start_worth_kwh: float
    volts: float
    phases: int

    @property
    def charge_efficiency(self) -> float:
        """Share of the charging power, beyond the fixed loss, that reaches the battery [-]."""
        return self.charge_efficiency_percent / 100

    @property
    def discharge_efficiency(self) -> float:
        """Share of the power drawn from the battery, beyond the fixed loss, that reaches the AC side [-]."""
        return self.discharge_efficiency_percent / 100

    @property
    def fastest_fill_kw(self) -> float:
        """Power into the battery at full charging power [kW]."""
        return self.charge_efficiency * self.charge_max_kw - self.fixed_loss_kw

    def amps(self, power_kw: float) -> float:
        """Current per phase [A] that a power [kW] takes at the charger's volts and phases."""
        return power_kw * 1000 / (self.volts * self.phases)


def into_battery_kwh(charger: Charger, hours: FloatArray, charge_kw: FloatArray, share_on: FloatArray) -> FloatArray:
    """Energy into the battery [kWh] per interval, shape (n,).

    Parameters
    ----------
    hours : length of each interval [h], shape (n,).
    charge_kw : mean charging power at the AC side over each interval [kW], shape (n,).
    share_on : part of each interval in which it charges [0 to 1], shape (n,); the fixed loss lasts as long.
    """
    return hours * (charger.charge_efficiency * charge_kw - charger.fixed_loss_kw * share_on)


def out_of_battery_kwh(
    charger: Charger, hours: FloatArray, discharge_kw: FloatArray, share_on: FloatArray
) -> FloatArray:
    """Energy out of the battery [kWh] per interval, shape (n,); parameters as in into_battery_kwh."""
    return hours * (discharge_kw / charger.discharge_efficiency + charger.fixed_loss_kw * share_on)
