"""The grid connection: what the network operator approved, and what crosses the meter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.base.clock import local_clock
from models.base.time_window import TimeWindow


@dataclass(frozen=True, slots=True)
class Connection:
    """An approved grid connection.

    Attributes
    ----------
    import_limit_kw : most power drawn from the grid [kW].
    export_limit_kw : most power fed to the grid [kW]; 0: no export.
    export_windows : times at which another export limit holds; the last that matches counts.
    """

    import_limit_kw: float
    export_limit_kw: float
    export_windows: tuple[ExportWindow, ...] = ()


@dataclass(frozen=True, slots=True)
class ExportWindow:
    """An export limit for a stretch of local time [kW]."""

    window: TimeWindow
    export_limit_kw: float


def export_limits_kw(connection: Connection, instants: pd.DatetimeIndex, timezone: str) -> FloatArray:
    """Export limit at instants [kW], shape (n,).

    Parameters
    ----------
    instants : timezone-aware, shape (n,). timezone : IANA name of the site's zone.
    """
    limit = np.full(len(instants), connection.export_limit_kw)
    if connection.export_windows:
        clock = local_clock(instants, timezone)
        days, months = (clock.day_of_week, clock.day_of_week_before), (clock.month, clock.month_before)
        for each in connection.export_windows:
            limit[each.window.covers(clock.minute, days, months)] = each.export_limit_kw
    return limit


def net_draw_kw(
    load_kw: FloatArray, solar_kw: FloatArray, charge_kw: FloatArray, discharge_kw: FloatArray
) -> FloatArray:
    """Power wanted from the grid before any curtailment [kW], shape (n,); negative: a surplus."""
    return load_kw + charge_kw - discharge_kw - solar_kw


def import_cap_kw(connection: Connection, load_kw: FloatArray, solar_kw: FloatArray) -> FloatArray:
    """Most power the site may draw [kW], shape (n,): the approved limit, or the building's own draw above it."""
    return np.maximum(connection.import_limit_kw, load_kw - solar_kw)


def needed_curtailment_kw(export_limit_kw: FloatArray, net_kw: FloatArray, solar_kw: FloatArray) -> FloatArray:
    """Solar that can neither be used nor exported [kW], shape (n,), given the draw before curtailment."""
    return np.minimum(np.maximum(0.0, -net_kw - export_limit_kw), np.maximum(solar_kw, 0.0))


def solar_charge_limit_kw(
    load_kw: FloatArray, solar_kw: FloatArray, only_solar: BoolArray, most_kw: float
) -> FloatArray:
    """Most charging power [kW], shape (n,): `most_kw`, or the solar surplus where nothing may come from the grid."""
    return np.where(only_solar, np.minimum(most_kw, np.maximum(0.0, solar_kw - load_kw)), most_kw)


def cheapest_curtailment_kw(
    export_limit_kw: FloatArray,
    net_kw: FloatArray,
    solar_kw: FloatArray,
    import_cap: FloatArray,
    import_price: FloatArray,
    export_price: FloatArray,
) -> FloatArray:
    """Curtailed solar [kW], shape (n,), that costs least where solar can be limited; the least of equals.

    The cost is piecewise linear in the curtailed power with its one kink where the site neither imports nor
    exports, so one of three points is cheapest: only what must be, down to no export, and all that the import
    cap leaves room for.

    Parameters
    ----------
    export_limit_kw : [kW]. net_kw : draw before curtailment [kW]. import_cap : most power the site may draw [kW].
    import_price, export_price : [money per kWh]. All of shape (n,).
    """
    least = needed_curtailment_kw(export_limit_kw, net_kw, solar_kw)
    most = np.maximum(least, np.minimum(solar_kw, import_cap - net_kw))
    points = np.stack([least, np.clip(-net_kw, least, most), most])
    draw = net_kw + points
    cost = np.where(draw > 0, import_price * draw, export_price * draw)
    # argmin gives the first of equals; a rounding error must not make more curtailment look cheaper
    cheapest: FloatArray = np.take_along_axis(points, np.argmin(np.round(cost, 12), axis=0)[None, :], axis=0)[0]
    return cheapest


def grid_flows_kw(net_kw: FloatArray, curtailed_kw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Import and export at the meter [kW], each of shape (n,) and never both above zero."""
    draw = net_kw + curtailed_kw
    return np.maximum(draw, 0.0), np.maximum(-draw, 0.0)
