"""Setpoints: what the charger, and where it can be limited the solar, is told to do in each interval."""

from __future__ import annotations

from dataclasses import dataclass

from models.arrays import BoolArray, FloatArray
from models.connection import cheapest_curtailment_kw, import_cap_kw, needed_curtailment_kw, net_draw_kw
from scheduler.block import Block
from scheduler.night import Night


@dataclass(frozen=True, slots=True, eq=False)
class Setpoints:
    """Decisions for n intervals; all a replay needs.

    Attributes
    ----------
    charge_kw, discharge_kw : mean power at the AC side over the interval [kW], shape (n,).
    charge_share, discharge_share : part of the interval in which the charger charges, and discharges [0 to 1],
        shape (n,). Only a charger left to itself uses a part (the alternative `charge-on-return`); a plan's are 0 or 1.
    curtailed_kw : solar curtailed [kW], shape (n,).
    """

    charge_kw: FloatArray
    discharge_kw: FloatArray
    charge_share: FloatArray
    discharge_share: FloatArray
    curtailed_kw: FloatArray

    @property
    def gives_energy(self) -> bool:
        """Whether it discharges at all."""
        return bool((self.discharge_kw > 0).any())

    @property
    def charging(self) -> BoolArray:
        """Whether it charges in the interval, shape (n,)."""
        return self.charge_share > 0

    @property
    def discharging(self) -> BoolArray:
        """Whether it discharges in the interval, shape (n,)."""
        return self.discharge_share > 0


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What the solver claims; replay judges it.

    Attributes
    ----------
    setpoints : the decisions.
    stored_kwh : claimed stored energy at each boundary [kWh], shape (n + 1,).
    on_the_way_kwh, missing_kwh, missing_when_ready_kwh : claimed for each trip [kWh], shape (trips,).
    money : claimed value of the objective [money].
    status : "optimal", or what stopped the solver with a plan at hand.
    gap : bound on how much cheaper a plan could be [money].
    seconds : time in formulation and solver [s].
    blocks : what a person sets, of a plan set by hand; None for a schedule.
    """

    setpoints: Setpoints
    stored_kwh: FloatArray
    on_the_way_kwh: FloatArray
    missing_kwh: FloatArray
    missing_when_ready_kwh: FloatArray
    money: float
    status: str
    gap: float
    seconds: float
    blocks: tuple[Block, ...] | None = None


def setpoints_from_powers(
    night: Night,
    charge_kw: FloatArray,
    discharge_kw: FloatArray,
    charge_share: FloatArray,
    discharge_share: FloatArray,
) -> Setpoints:
    """Complete the charger's powers with the curtailment that follows from them.

    Where solar cannot be limited it is what can neither be used nor exported; where it can, the cheapest.
    """
    net_kw = net_draw_kw(night.load_kw, night.solar_kw, charge_kw, discharge_kw)
    if night.solar_can_be_limited:
        curtailed_kw = cheapest_curtailment_kw(
            night.connection,
            net_kw,
            night.solar_kw,
            import_cap_kw(night.connection, night.load_kw, night.solar_kw),
            night.import_price,
            night.export_price,
        )
    else:
        curtailed_kw = needed_curtailment_kw(night.connection, net_kw, night.solar_kw)
    return Setpoints(charge_kw, discharge_kw, charge_share, discharge_share, curtailed_kw)
