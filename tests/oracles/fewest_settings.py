"""The fewest settings of a schedule that costs no more than so much: an integer program for `scipy.optimize.milp`.

Every block is counted where it begins, or where its action or power changes. A block has one power, or covers the whole
draw of the building; covering up to less than the charger can give is left out, so that a schedule may ask for fewer
settings than this. Built on the matrix that is written independently of the scheduler.
"""

from __future__ import annotations

import numpy as np

from models.base.arrays import IntArray
from scheduler.nights.night import Night
from tests.oracles.independent_matrix import Columns, Matrix, add_laws_and_money

SAME_KW = 0.05
"""Powers closer than this are one setting [kW]."""


def fewest_settings(night: Night, most_money: float) -> int:
    """Fewest settings of any schedule that leaves no trip short and costs at most so much [money].

    Raises
    ------
    RuntimeError : there is no such schedule, or the solver gave up.
    """
    matrix = Matrix()
    columns, money, constant = add_laws_and_money(matrix, night)
    matrix.row(money.items(), most=most_money - constant)
    for column in (*columns.on_the_way, *columns.missing_at_departure, *columns.missing_when_ready):
        matrix.upper[column] = 0.0
    ones = np.ones(night.intervals)
    counted = [matrix.columns(ones, binary=True) for _ in range(2)]
    nothing = matrix.columns(0 * ones, binary=True)
    _one_power(matrix, columns.charge, columns.charging, counted[0], nothing, night.charger.charge_max_kw)
    covering = _covering(matrix, columns, night)
    _one_power(matrix, columns.discharge, columns.discharging, counted[1], covering, night.charger.discharge_max_kw)
    cost = np.zeros(len(matrix.lower))
    cost[np.concatenate(counted)] = 1.0
    return round(float(matrix.minimise(cost).fun))


def _one_power(
    matrix: Matrix, power: IntArray, mode: IntArray, counted: IntArray, covering: IntArray, most: float
) -> None:
    """Count a block where a direction begins, and where its power changes other than by covering the building."""
    for t in range(len(power)):
        if t == 0:
            matrix.row([(counted[0], 1), (mode[0], -1)], least=0)
            continue
        matrix.row([(counted[t], 1), (mode[t], -1), (mode[t - 1], 1)], least=0)
        both = matrix.columns([1], binary=True)[0]
        for before in (covering[t], covering[t - 1]):
            matrix.row([(both, 1), (before, -1)], most=0)
        for sign in (1.0, -1.0):
            change = [(power[t], sign), (power[t - 1], -sign)]
            free = [(counted[t], -most), (both, -most), (mode[t], most), (mode[t - 1], most)]
            matrix.row([*change, *free], most=SAME_KW + 2 * most)


def _covering(matrix: Matrix, columns: Columns, night: Night) -> IntArray:
    """Add whether each interval covers the whole draw of the building, as far as the charger can."""
    draw = np.minimum(np.maximum(0.0, night.load_kw - night.solar_kw), night.charger.discharge_max_kw)
    may = (draw >= night.charger.discharge_min_kw - SAME_KW) & (draw > 0)
    covering, most = matrix.columns(may.astype(np.float64), binary=True), night.charger.discharge_max_kw
    for t in range(night.intervals):
        matrix.row([(covering[t], 1), (columns.discharging[t], -1)], most=0)
        for sign in (1.0, -1.0):
            matrix.row([(columns.discharge[t], sign), (covering[t], most)], most=SAME_KW + most + sign * draw[t])
    return covering
