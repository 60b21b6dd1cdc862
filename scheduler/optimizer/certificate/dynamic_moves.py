"""What one interval may do to the stored energy, and what the meter makes of it: straight pieces of money.

In each mode the change of stored energy and the power are one to one, and money at the meter is piecewise linear in
the power: import and export each have their slope, what cannot be exported is curtailed, and solar that can be
limited is curtailed where that is cheapest. Importing and exporting at once never arises.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.site.connection import import_cap_kw
from scheduler.nights.night import Night

CHARGE, DISCHARGE = 0, 1
SAME_KW = 1e-9
"""Powers closer than this are one [kW]."""


@dataclass(frozen=True, slots=True, eq=False)
class Caps:
    """Least and most power of each mode, and whether the mode is open; every array of shape (n,)."""

    most_charge_kw: FloatArray
    most_discharge_kw: FloatArray
    may_charge: BoolArray
    may_discharge: BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """Straight pieces of one interval: mode, and money over the change of stored energy; arrays of shape (pieces,).

    Attributes
    ----------
    mode : CHARGE or DISCHARGE.
    start_kwh : change of stored energy at which the piece begins [kWh]. width_kwh : its length [kWh].
    base : money at its beginning. slope : money per kWh of change.
    given_kwh : energy out of the charger at its beginning [kWh]. given_slope : and per kWh of change [-].
    """

    mode: IntArray
    start_kwh: FloatArray
    width_kwh: FloatArray
    base: FloatArray
    slope: FloatArray
    given_kwh: FloatArray
    given_slope: FloatArray


def caps_of(night: Night, may_discharge: bool) -> Caps:
    """Return powers within the caps of charger, grid and offer [kW], shape (n,) each."""
    charger = night.charger
    draw = np.maximum(0.0, night.load_kw - night.solar_kw)
    surplus = np.maximum(0.0, night.solar_kw - night.load_kw)
    import_cap = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
    most_charge = np.minimum(night.most_charge_kw, import_cap - draw + surplus)
    limit = night.export_limit_kw
    if charger.discharge_to == "building":
        most_discharge = np.minimum(charger.discharge_max_kw, draw)
    elif night.solar_can_be_limited:
        most_discharge = np.minimum(charger.discharge_max_kw, night.load_kw + limit)
    else:
        most_discharge = np.minimum(charger.discharge_max_kw, draw + limit - np.minimum(surplus, limit))
    return Caps(
        most_charge,
        most_discharge,
        night.at_home & (most_charge >= charger.charge_min_kw),
        night.at_home & (most_discharge >= charger.discharge_min_kw) & may_discharge,
    )


def moves_of(night: Night, caps: Caps) -> tuple[tuple[Moves | None, ...], FloatArray]:
    """Return the pieces of each interval, and what idling in each costs [money], shape (n,).

    The pieces of an interval are None where the charger can do nothing.
    """
    charger, hours = night.charger, night.hours
    meter = _Meter(night)
    into, out = charger.charge_efficiency, 1 / charger.discharge_efficiency
    found: list[Moves | None] = []
    idle = np.array([meter.values(t, [float(meter.net[t])], False)[0] for t in range(night.intervals)]) * hours
    for t in range(night.intervals):
        rows: list[tuple[float, ...]] = []
        h, net = float(hours[t]), float(meter.net[t])
        if caps.may_charge[t]:
            ends = (net + charger.charge_min_kw, net + float(caps.most_charge_kw[t]))
            for left, right, low, high in meter.pieces(t, *ends, True):
                start = h * (into * (left - net) - charger.fixed_loss_kw)
                rows.append((CHARGE, start, h * into * (right - left), h * low, h * high, 0.0, 0.0))
        if caps.may_discharge[t]:
            ends = (net - float(caps.most_discharge_kw[t]), net - charger.discharge_min_kw)
            for left, right, low, high in meter.pieces(t, *ends, False):
                start = -h * (out * (net - left) + charger.fixed_loss_kw)
                given = h * (net - left)
                rows.append((DISCHARGE, start, h * out * (right - left), h * low, h * high, given, -1 / out))
        if not rows:
            found.append(None)
            continue
        mode, start_kwh, width, low_money, high_money, given_kwh, given_slope = np.array(rows).T
        slope = np.where(width > 0, (high_money - low_money) / np.where(width > 0, width, 1.0), 0.0)
        found.append(Moves(mode.astype(np.int64), start_kwh, width, low_money, slope, given_kwh, given_slope))
    return tuple(found), np.asarray(idle)


class _Meter:
    """Money per hour at the meter by the draw before curtailment."""

    def __init__(self, night: Night) -> None:
        self.net = night.load_kw - night.solar_kw
        self.limit, self.solar = night.export_limit_kw, night.solar_kw
        self.cap = import_cap_kw(night.connection, night.load_kw, night.solar_kw)
        self.import_price, self.export_price = night.import_price, night.export_price
        self.limitable = (night.solar_kw > 0) & night.solar_can_be_limited
        self.only_surplus = night.only_solar & (night.solar_kw > night.load_kw)

    def money(self, t: int, draw_kw: FloatArray, charging: bool) -> FloatArray:
        """Return the least money per hour at draws before curtailment [kW], its shape, where solar can be limited."""
        least = np.maximum(draw_kw, -self.limit[t])
        most = self._most(t, draw_kw, charging, least)
        options = np.stack([self._at(t, least), self._at(t, np.clip(0.0, least, most)), self._at(t, most)])
        return np.asarray(options.min(axis=0))

    def values(self, t: int, draws_kw: list[float], charging: bool) -> list[float]:
        """Return money as a list; plain numbers where solar cannot be limited, since arrays of two take longer."""
        if self.limitable[t]:
            return [float(value) for value in self.money(t, np.array(draws_kw), charging)]
        limit, bought, sold = float(self.limit[t]), float(self.import_price[t]), float(self.export_price[t])
        return [bought * draw if draw > 0 else sold * max(draw, -limit) for draw in draws_kw]

    def pieces(self, t: int, low_kw: float, high_kw: float, charging: bool) -> list[tuple[float, float, float, float]]:
        """Return straight pieces between two draws: from and to [kW], and the money per hour at both."""
        if high_kw - low_kw < SAME_KW:
            value = self.values(t, [high_kw], charging)[0]
            return [(high_kw, high_kw, value, value)]
        kinks = {-float(self.limit[t]), 0.0}
        if self.limitable[t]:
            solar, cap = float(self.solar[t]), float(self.cap[t])
            kinks |= {-solar, cap - solar, -solar - float(self.limit[t])}
        inside = sorted(kink for kink in kinks if low_kw + SAME_KW < kink < high_kw - SAME_KW)
        points = [low_kw, *inside, high_kw]
        if self.limitable[t]:
            points = self._with_crossings(t, points, charging)
        values = self.values(t, points, charging)
        return [(a, b, u, v) for (a, b), (u, v) in zip(pairwise(points), pairwise(values), strict=True)]

    def _at(self, t: int, draw_kw: FloatArray) -> FloatArray:
        money = np.where(draw_kw > 0, self.import_price[t] * draw_kw, self.export_price[t] * draw_kw)
        return np.asarray(money, dtype=np.float64)

    def _most(self, t: int, draw_kw: FloatArray, charging: bool, least: FloatArray) -> FloatArray:
        most = np.minimum(draw_kw + self.solar[t], self.cap[t])
        if charging and self.only_surplus[t]:
            most = np.minimum(most, 0.0)
        return np.asarray(np.maximum(most, least), dtype=np.float64)

    def _with_crossings(self, t: int, points: list[float], charging: bool) -> list[float]:
        """Return the points [kW], and where another amount of curtailment begins to be the cheapest."""
        found = list(points)
        for a, b in pairwise(points):
            ends = np.array([a, b])
            least = np.maximum(ends, -self.limit[t])
            most = self._most(t, ends, charging, least)
            lines = [self._at(t, least), self._at(t, np.clip(0.0, least, most)), self._at(t, most)]
            for first in range(3):
                for second in range(first):
                    left, right = lines[first] - lines[second]
                    if left * right < 0:
                        found.append(a + (b - a) * float(left / (left - right)))
        return sorted(found)
