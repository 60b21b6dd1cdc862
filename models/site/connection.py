"""The grid connection: the approved limits, curtailment of solar, and the flows at the meter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from models.base.arrays import BoolArray, FloatArray
from models.base.clock import local_clock
from models.base.time_window import TimeWindow


@dataclass(frozen=True, slots=True)
class Connection:
    """A grid connection as the network operator approved it.

    Attributes
    ----------
    import_limit_kw : highest power drawn from the grid [kW].
    export_limit_kw : highest power fed into the grid [kW]; 0 for no export.
    export_windows : windows of time with another export limit; where several match, the last one holds.
    """

    import_limit_kw: float
    export_limit_kw: float
    export_windows: tuple[ExportWindow, ...] = ()


@dataclass(frozen=True, slots=True)
class ExportWindow:
    """An export limit for a window of local time.

    Attributes
    ----------
    window : when the limit holds.
    export_limit_kw : highest power fed into the grid [kW].
    """

    window: TimeWindow
    export_limit_kw: float


def export_limits_kw(connection: Connection, instants: pd.DatetimeIndex, timezone: str) -> FloatArray:
    """Return the export limit at given instants [kW], shape (n,).

    Parameters
    ----------
    connection : the general limit and its windows.
    instants : timezone-aware, shape (n,).
    timezone : IANA name of the site's time zone.

    Examples
    --------
    >>> noon = ExportWindow(TimeWindow(10 * 60, 15 * 60), 0.0)
    >>> at = pd.DatetimeIndex(["2026-06-01T08:00Z", "2026-06-01T12:00Z"])
    >>> export_limits_kw(Connection(14.0, 5.0, (noon,)), at, "Europe/Dublin").tolist()
    [5.0, 0.0]
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
    """Return the power wanted from the grid before curtailment [kW], shape (n,); negative for a surplus.

    Parameters
    ----------
    load_kw, solar_kw, charge_kw, discharge_kw : [kW], each of shape (n,).

    Examples
    --------
    >>> net_draw_kw(np.array([0.8]), np.array([3.0]), np.array([0.0]), np.array([2.0])).round(1).tolist()
    [-4.2]
    """
    return load_kw + charge_kw - discharge_kw - solar_kw


def import_cap_kw(connection: Connection, load_kw: FloatArray, solar_kw: FloatArray) -> FloatArray:
    """Return the highest power the site may draw [kW], shape (n,).

    That is the approved limit, or the building's own net draw where it is over the limit already.

    Parameters
    ----------
    connection : the approved limits.
    load_kw, solar_kw : the building's load and solar [kW], each of shape (n,).

    Examples
    --------
    >>> import_cap_kw(Connection(14.0, 5.0), np.array([2.0, 16.0]), np.zeros(2)).tolist()
    [14.0, 16.0]
    """
    return np.maximum(connection.import_limit_kw, load_kw - solar_kw)


def needed_curtailment_kw(export_limit_kw: FloatArray, net_kw: FloatArray, solar_kw: FloatArray) -> FloatArray:
    """Return the solar power that can be neither used nor exported [kW], shape (n,).

    Parameters
    ----------
    export_limit_kw : [kW], shape (n,).
    net_kw : net draw before curtailment [kW], shape (n,).
    solar_kw : [kW], shape (n,).

    Examples
    --------
    >>> needed_curtailment_kw(np.array([5.0]), np.array([-6.5]), np.array([7.0])).tolist()
    [1.5]
    """
    return np.minimum(np.maximum(0.0, -net_kw - export_limit_kw), np.maximum(solar_kw, 0.0))


def solar_charge_limit_kw(
    load_kw: FloatArray, solar_kw: FloatArray, only_solar: BoolArray, charge_max_kw: float
) -> FloatArray:
    """Return the highest charging power [kW], shape (n,).

    That is `charge_max_kw`, or the solar surplus if that is less, in intervals where the car must not be charged from
    the grid.

    Parameters
    ----------
    load_kw, solar_kw : the building's load and solar [kW], each of shape (n,).
    only_solar : whether charging from the grid is forbidden in the interval, shape (n,).
    charge_max_kw : the charger's highest charging power [kW].

    Examples
    --------
    >>> load, solar = np.array([1.0, 1.0]), np.array([3.5, 3.5])
    >>> solar_charge_limit_kw(load, solar, np.array([True, False]), 7.4).tolist()
    [2.5, 7.4]
    """
    return np.where(only_solar, np.minimum(charge_max_kw, np.maximum(0.0, solar_kw - load_kw)), charge_max_kw)


def cheapest_curtailment_kw(
    export_limit_kw: FloatArray,
    net_kw: FloatArray,
    solar_kw: FloatArray,
    import_cap: FloatArray,
    import_price: FloatArray,
    export_price: FloatArray,
) -> FloatArray:
    """Return the cheapest curtailment where solar can be limited [kW], shape (n,); the least of equally cheap ones.

    The cost is piecewise linear in the curtailed power, with a single kink where the site neither imports nor exports.
    So one of three points is cheapest: the least possible curtailment, just enough for no export, or as much as the
    import cap allows.

    Parameters
    ----------
    export_limit_kw : [kW], shape (n,).
    net_kw : net draw before curtailment [kW], shape (n,).
    solar_kw : [kW], shape (n,).
    import_cap : highest power the site may draw [kW], shape (n,).
    import_price, export_price : [money per kWh], each of shape (n,).

    Examples
    --------
    With a surplus of 3 kW, a negative export price makes it cheapest to export nothing:

    >>> limit, net, solar, cap = (np.array([kw]) for kw in (5.0, -3.0, 4.0, 14.0))
    >>> cheapest_curtailment_kw(limit, net, solar, cap, np.array([0.30]), np.array([-0.05])).tolist()
    [3.0]
    """
    least = needed_curtailment_kw(export_limit_kw, net_kw, solar_kw)
    most = np.maximum(least, np.minimum(solar_kw, import_cap - net_kw))
    points = np.stack([least, np.clip(-net_kw, least, most), most])
    draw = net_kw + points
    cost = np.where(draw > 0, import_price * draw, export_price * draw)
    # argmin takes the first of equal costs; a rounding error must not make more curtailment look cheaper
    cheapest: FloatArray = np.take_along_axis(points, np.argmin(np.round(cost, 12), axis=0)[None, :], axis=0)[0]
    return cheapest


def grid_flows_kw(net_kw: FloatArray, curtailed_kw: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return import and export at the meter [kW], each of shape (n,) and never both above zero.

    Parameters
    ----------
    net_kw : net draw before curtailment [kW], shape (n,).
    curtailed_kw : curtailed solar [kW], shape (n,).

    Examples
    --------
    >>> imported, exported = grid_flows_kw(np.array([2.0, -3.0]), np.array([0.0, 1.0]))
    >>> imported.tolist(), exported.tolist()
    ([2.0, 0.0], [0.0, 2.0])
    """
    draw = net_kw + curtailed_kw
    return np.maximum(draw, 0.0), np.maximum(-draw, 0.0)
