"""The night's program in its compact formulation, written straight into the solver's matrix.

It has the optimum of the reference formulation (tests compare the two), with fewer variables and a closer linear
relaxation. README.md beside this file says part by part what differs and why that may be.
"""

from __future__ import annotations

from scheduler.nights.night import Night
from scheduler.optimizer.compact_battery import battery
from scheduler.optimizer.compact_charger import charger_powers, starts, timing
from scheduler.optimizer.compact_manual import set_by_hand
from scheduler.optimizer.compact_meter import meter
from scheduler.optimizer.matrix_builder import Matrix, MatrixBuilder


def compact_matrix(night: Night, may_discharge: bool = True) -> Matrix:
    """Return the night's program; with may_discharge False every v_t is 0."""
    writer = MatrixBuilder()
    powers = charger_powers(writer, night, may_discharge)
    meter(writer, night, powers)
    battery(writer, night, powers)
    starts(writer, night, powers)
    timing(writer, night, powers)
    if night.setting.by_hand:
        set_by_hand(writer, night, powers)
    return writer.matrix()
