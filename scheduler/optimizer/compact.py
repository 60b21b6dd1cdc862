"""The night's program as a tighter equivalent, written straight into the solver's matrix.

Same optimum as the plain statement (scheduler.optimizer.formulation; tests compare the two), with fewer variables and
a closer linear relaxation. What differs, with l_t = max(0, L_t - S_t) and s_t = max(0, S_t - L_t), one of which is 0:

    meter       Where import costs no less than export earns and nothing is worth curtailing, one excess y_t >= 0 stands
                for import, export and their balance. While the building draws: export y_t >= d_t - l_t v_t, import
                l_t + c_t - d_t + y_t. With a surplus: import y_t >= c_t - s_t u_t, and export is the surplus up to the
                limit, less c_t, plus d_t, y_t and what is charged of solar that could not be sent, z_t:
                z_t <= (s_t - limit) u_t, z_t <= c_t. The modes in those bounds are what the plain statement's
                relaxation lacks. Elsewhere g_t, x_t and q_t are as there, and the bounds are cuts.
    power caps  The grid's limits are in the most power of each interval; a least power over it forbids the mode.
    wear        Energy leaves segment j by o_jt >= s_jt - s_j,t+1 alone: moving energy between segments costs and never
                gains, so what enters need not be a variable. Where a trip ends, energy may enter and leave at once,
                and both are variables, as in the plain statement.
    window      Where the car can be neither under its floor nor over its ceiling, those are bounds.
    steadiness  Its variables and laws are added once the money is known (scheduler.optimizer.smoothing).
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
