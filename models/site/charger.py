"""The bidirectional charger: its power limits, its losses, and its setpoints in amps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from models.base.arrays import FloatArray

DischargeTo = Literal["building-and-grid", "building"]


@dataclass(frozen=True, slots=True)
class Charger:
    """A bidirectional charger; all powers are at its AC side.

    Attributes
    ----------
    charge_min_kw, charge_max_kw : lowest and highest charging power [kW].
    discharge_min_kw, discharge_max_kw : lowest and highest discharging power [kW].
    charge_efficiency_percent, discharge_efficiency_percent : efficiency for the power beyond the fixed loss [%].
    fixed_loss_kw : loss at the battery side whenever the charger charges or discharges [kW].
    discharge_to : "building-and-grid", or "building" for a charger that never exceeds the building's draw.
    start_worth_kwh : a start is avoided if that costs less than this much energy at the highest price [kWh].
    volts, phases : voltage [V] and number of phases [-], for setpoints in amps.
    can_stop_at_percent : whether charger or car ends a block by itself at a state of charge that was set.
    can_follow_surplus : whether it can charge with the power that the roof gives beyond the building's draw.

    Examples
    --------
    >>> charger = Charger(1.4, 7.4, 1.2, 7.4, 95, 95, 0.08, "building-and-grid", 0.1, 230, 1)
    >>> round(charger.max_into_battery_kw, 2)
    6.95
    >>> round(charger.amps(7.4), 1)
    32.2
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
    can_stop_at_percent: bool = False
    can_follow_surplus: bool = False

    @property
    def charge_efficiency(self) -> float:
        """Return the share of the charging power, fixed loss aside, that reaches the battery [-]."""
        return self.charge_efficiency_percent / 100

    @property
    def discharge_efficiency(self) -> float:
        """Return the share of the power from the battery, fixed loss aside, that reaches the AC side [-]."""
        return self.discharge_efficiency_percent / 100

    @property
    def max_into_battery_kw(self) -> float:
        """Return the power into the battery at the highest charging power [kW]."""
        return self.charge_efficiency * self.charge_max_kw - self.fixed_loss_kw

    def amps(self, power_kw: float) -> float:
        """Return the current per phase [A] of a power [kW] at the charger's voltage and number of phases."""
        return power_kw * 1000 / (self.volts * self.phases)


def into_battery_kwh(charger: Charger, hours: FloatArray, charge_kw: FloatArray, share_on: FloatArray) -> FloatArray:
    """Return the energy into the battery in each interval [kWh], shape (n,).

    Parameters
    ----------
    charger : efficiencies and fixed loss.
    hours : length of each interval [h], shape (n,).
    charge_kw : mean charging power at the AC side in each interval [kW], shape (n,).
    share_on : share of each interval in which the charger charges, and so has its fixed loss [0 to 1], shape (n,).

    Examples
    --------
    >>> import numpy as np
    >>> charger = Charger(1.4, 7.4, 1.2, 7.4, 95, 95, 0.08, "building-and-grid", 0.1, 230, 1)
    >>> into_battery_kwh(charger, np.array([1.0]), np.array([7.4]), np.array([1.0])).round(2).tolist()
    [6.95]
    """
    return hours * (charger.charge_efficiency * charge_kw - charger.fixed_loss_kw * share_on)


def out_of_battery_kwh(
    charger: Charger, hours: FloatArray, discharge_kw: FloatArray, share_on: FloatArray
) -> FloatArray:
    """Return the energy out of the battery in each interval [kWh], shape (n,).

    Parameters
    ----------
    charger : efficiencies and fixed loss.
    hours : length of each interval [h], shape (n,).
    discharge_kw : mean discharging power at the AC side in each interval [kW], shape (n,).
    share_on : share of each interval in which the charger discharges, and so has its fixed loss [0 to 1], shape (n,).

    Examples
    --------
    >>> import numpy as np
    >>> charger = Charger(1.4, 7.4, 1.2, 7.4, 95, 95, 0.08, "building-and-grid", 0.1, 230, 1)
    >>> out_of_battery_kwh(charger, np.array([2.0]), np.array([1.9]), np.array([1.0])).round(2).tolist()
    [4.16]
    """
    return hours * (discharge_kw / charger.discharge_efficiency + charger.fixed_loss_kw * share_on)
