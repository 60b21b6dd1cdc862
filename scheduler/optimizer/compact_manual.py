"""Plans set by hand in the compact formulation: few blocks, none too short, each one power or one whole current.

For each direction, with power P_t, mode U_t and the begin of a block β_t; the end of one before t needs no column,
ε_t = β_t + U_t-1 - U_t. m is the least power, M_t the most power of an interval, M'_t the least of the M of those
intervals that a block must reach over that begins with t, and M''_t of one that ends with t:

    block_begins_when, block_only_when_set
                        β_t >= U_t - U_t-1,  β_t <= U_t                             (so 0 <= ε_t <= U_t-1)
    one_power_no_rise   P_t - P_t-1 <= M'_t β_t - m ε_t
    one_power_no_fall   P_t-1 - P_t <= M''_t-1 ε_t - m β_t
    long_enough_stays, long_enough_alone
                        sum of β_s over the intervals s <= t that begin less than the least length before t  <= U_t:
                        in any stretch of that length one block begins at most, and it is still set at the end
    few_blocks          sum of β over both directions <= max_blocks
    whole_amps          P_t = (volts · phases / 1000) · a_t, a_t whole; m and M_t are then whole currents too

Where it counts when or how often a person sets the charger, for each boundary b between two intervals at home, with the
ends ε of both directions, e_b between its bounds lo and hi, and z, z' the ends at ceiling and floor:

    charge_ends_once, discharge_ends_once   z_b <= ε_b,  z'_b <= ε'_b
    full_where_it_ends                      e_b >= lo + (full - lo) z_b
    empty_where_it_ends                     e_b <= hi - (hi - empty) z'_b
    ends_by_hand_else                       s_b >= ε_b + ε'_b - β_b - β'_b - z_b - z'_b
    few_settings_at_night                   sum of β and s outside the waking hours <= most_outside

The names are those of the reference formulation, where each but few_blocks begins with charge_ or discharge_.

A charger that serves the building alone follows it up to a cap k_t, the P_t of discharging; its U_t is "a cap is set",
w_t. Where it follows, with r_t the draw or the charger's most power M, whichever is less, and ζ_t = 1 where the draw is
under the cap:

    follows_when_set                v_t = w_t where it follows, else 0
    no_more_than_the_cap            d_t <= k_t
    the_cap_where_the_draw_is_over  d_t >= k_t - (M - r_t) ζ_t
    the_draw_where_it_is_under      d_t >= m v_t + (r_t - m) ζ_t
    (of this formulation alone)     ζ_t <= v_t;  ζ_s <= ζ_t + ε_t and ζ_t <= ζ_s + β_t for neighbours s, t of one block:
                                    the lower draw first
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from scheduler.nights.night import Night
from scheduler.optimizer.compact_charger import Powers, whole_currents
from scheduler.optimizer.matrix_builder import MONEY, MatrixBuilder, Term
from scheduler.optimizer.objectives import OBJECTIVES

SHORTER_MINUTES = 1e-6
"""How much shorter a block may be than the least length [min]."""
LEAST_CHANGE = OBJECTIVES.index("least_change")


@dataclass(frozen=True, slots=True, eq=False)
class _Direction:
    """What is set in one direction: columns, whether it may be, most power [kW], of shape (n,); least power [kW]."""

    name: str
    power: IntArray
    mode: IntArray
    may: BoolArray
    least_kw: float
    most_kw: FloatArray


def set_by_hand(writer: MatrixBuilder, night: Night, powers: Powers) -> None:
    """Add the constraints of the night's setting."""
    charging = _Direction(
        "charge",
        powers.charge,
        powers.charging,
        powers.can_charge,
        powers.least_charge_kw,
        powers.most_charge_kw,
    )
    if night.charger.discharge_to == "building":
        discharging = _cap(writer, night, powers)
    else:
        discharging = _Direction(
            "discharge",
            powers.discharge,
            powers.discharging,
            powers.can_discharge,
            powers.least_discharge_kw,
            powers.most_discharge_kw,
        )
    minutes = 60 * np.concatenate([[0.0], np.cumsum(night.hours)])
    begins = []
    for direction in (charging, discharging):
        begins.append(_blocks(writer, night, direction, minutes))
        if night.setting.set_by == "current":
            _whole_amps(writer, night, direction)
    both = np.concatenate(begins)
    if night.counts_settings:
        _settings(writer, night, (charging, discharging), (begins[0], begins[1]))
    writer.add_row(both, 1.0, upper=float(night.setting.max_blocks))
    writer.cost(LEAST_CHANGE, both, max(night.charger.charge_max_kw, night.charger.discharge_max_kw))
    if night.charger.discharge_to == "building":
        _follow(writer, night, powers, discharging, begins[1])


def _blocks(writer: MatrixBuilder, night: Night, direction: _Direction, minutes: FloatArray) -> IntArray:
    """Add the begins, the one power and the least length of one direction's blocks; return β's columns, shape (n,)."""
    n, power, mode, least = night.intervals, direction.power, direction.mode, direction.least_kw
    begin_minutes, length = minutes[:-1], night.setting.min_block_minutes - SHORTER_MINUTES
    over = np.searchsorted(begin_minutes, begin_minutes + length)  # a block from t reaches over t to over - 1 at least
    since = np.searchsorted(begin_minutes, minutes[1:] - length, side="right") - 1  # and one until t over since to t
    too_near = np.searchsorted(begin_minutes, begin_minutes - length, side="right")  # begins since then last beyond t
    stretches = [slice(t, max(t + 1, over[t])) for t in range(n)]
    fits = np.array([direction.may[stretch].all() for stretch in stretches])
    fits &= night.is_waking[:-1] | (night.setting.most_outside > 0)
    ahead = np.array([direction.most_kw[stretch].min() for stretch in stretches])
    behind = np.array([direction.most_kw[min(t, max(0, since[t])) : t + 1].min() for t in range(n)])

    begins = writer.add_columns(f"{direction.name}_block_begins", n, 0.0, fits.astype(np.float64), whole=True)
    writer.add_rows([(begins[:1], 1.0), (mode[:1], -1.0)], 0.0, 0.0)
    later = np.flatnonzero(direction.may[1:] | direction.may[:-1]) + 1
    before = later - 1
    begin, now, past = begins[later], mode[later], mode[before]
    writer.add_rows([(begin, 1.0), (now, -1.0), (past, 1.0)], lower=0.0)
    rise: list[Term] = [(power[later], 1.0), (power[before], -1.0)]
    up, down = ahead[later], behind[before]
    writer.add_rows([*rise, (begin, least - up), (past, least), (now, -least)], upper=0.0)
    writer.add_rows([*rise, (begin, down - least), (past, down), (now, -down)], lower=0.0)
    for t in np.flatnonzero(direction.may).tolist():
        window = begins[min(t, too_near[t]) : t + 1]
        writer.add_row(np.append(window, mode[t]), np.append(np.ones(len(window)), -1.0), upper=0.0)
    return begins


def _settings(
    writer: MatrixBuilder, night: Night, both: tuple[_Direction, _Direction], begins: tuple[IntArray, IntArray]
) -> None:
    """Add what a person sets: the begin of each block, and its end where nothing follows and none comes by itself."""
    lower, upper = np.concatenate(writer.lower), np.concatenate(writer.upper)
    may_end = [direction.may[:-1] & night.end_is_set[1:-1] for direction in both]
    at = np.flatnonzero(may_end[0] | may_end[1]) + 1
    waking, stored = night.is_waking, writer.names["stored_kwh"]
    most = (waking | (night.setting.most_outside > 0)).astype(np.float64)
    by_hand = writer.add_columns("ended_by_hand", len(at), 0.0, most[at])
    ends: list[Term] = [(by_hand, 1.0)]
    for direction, begin, may in zip(both, begins, may_end, strict=True):
        here = may[at - 1]
        energy = stored[at]
        if direction is both[0]:
            limit, far = night.full_from_kwh[at], lower[energy]
            can = here & (upper[energy] >= limit)
        else:
            limit, far = np.full(len(at), night.empty_until_kwh), upper[energy]
            can = here & (lower[energy] <= limit)
        name = f"{direction.name}_ends_by_itself"
        by_itself = writer.add_columns(name, len(at), 0.0, can.astype(np.float64), whole=True)
        end: list[Term] = [(begin[at], 1.0), (direction.mode[at - 1], 1.0), (direction.mode[at], -1.0)]
        some = np.flatnonzero(can)
        writer.add_rows([(by_itself[some], -1.0), *((columns[some], value) for columns, value in end)], lower=0.0)
        if direction is both[0]:
            reach = np.maximum(limit - far, 0.0)[some]
            writer.add_rows([(energy[some], 1.0), (by_itself[some], -reach)], lower=far[some])
        else:
            reach = np.maximum(far - limit, 0.0)[some]
            writer.add_rows([(energy[some], 1.0), (by_itself[some], reach)], upper=far[some])
        # an end less the begin in its place: what was set before and no longer is
        ends += [(direction.mode[at - 1], -1.0), (direction.mode[at], 1.0), (by_itself, 1.0)]
    writer.add_rows(ends, lower=0.0)
    every = np.concatenate(begins)
    writer.cost(MONEY, np.append(every, by_hand), night.setting_worth)
    if night.setting.most_outside > 0:
        asleep = np.concatenate([*(begin[~waking[:-1]] for begin in begins), by_hand[~waking[at]]])
        writer.add_row(asleep, 1.0, upper=float(night.setting.most_outside))


def _whole_amps(writer: MatrixBuilder, night: Night, direction: _Direction) -> None:
    """Add whole_amps of one direction."""
    may = np.flatnonzero(direction.may)
    amps_per_kw = night.charger.amps(1.0)
    amps = writer.add_columns(
        f"{direction.name}_amps", len(may), 0.0, np.round(direction.most_kw[may] * amps_per_kw), whole=True
    )
    writer.add_rows([(direction.power[may], 1.0), (amps, -1 / amps_per_kw)], 0.0, 0.0)


def _cap(writer: MatrixBuilder, night: Night, powers: Powers) -> _Direction:
    """Add the cap's columns and limits: least_cap, most_cap and one_thing_set."""
    charger, n = night.charger, night.intervals
    least, most = charger.discharge_min_kw, np.full(n, charger.discharge_max_kw)
    if night.setting.set_by == "current":
        least, most = whole_currents(charger, least, most)
    may = night.at_home & bool(powers.can_discharge.any()) & (most >= least)
    most = np.where(may, most, 0.0)
    cap = writer.add_columns("cap_kw", n, 0.0, most)
    is_set = writer.add_columns("cap_is_set", n, 0.0, may.astype(np.float64), whole=True)
    at = np.flatnonzero(may)
    writer.add_rows([(cap[at], 1.0), (is_set[at], -least)], lower=0.0)
    writer.add_rows([(cap[at], 1.0), (is_set[at], -most[at])], upper=0.0)
    writer.add_rows([(powers.charging[at], 1.0), (is_set[at], 1.0)], upper=1.0)
    return _Direction("discharge", cap, is_set, may, least, most)


def _follow(writer: MatrixBuilder, night: Night, powers: Powers, cap: _Direction, begins: IntArray) -> None:
    """Add the constraints by which the charger follows the building up to the cap."""
    reach, most, least = powers.most_discharge_kw, cap.most_kw, cap.least_kw
    given, running = powers.discharge, powers.discharging
    idle = np.flatnonzero(powers.can_discharge & ~cap.may)
    writer.add_rows([(running[idle], 1.0)], 0.0, 0.0)
    follows = powers.can_discharge & cap.may
    at = np.flatnonzero(follows)
    writer.add_rows([(running[at], 1.0), (cap.mode[at], -1.0)], 0.0, 0.0)
    writer.add_rows([(given[at], 1.0), (cap.power[at], -1.0)], upper=0.0)
    whole = np.flatnonzero(follows & (reach >= most))
    writer.add_rows([(given[whole], 1.0), (cap.power[whole], -1.0)], lower=0.0)
    partly = follows & (reach < most)
    at = np.flatnonzero(partly)
    under = np.zeros(night.intervals, dtype=np.int64)
    under[at] = writer.add_columns("draw_is_under_the_cap", len(at), 0.0, 1.0, whole=True)
    writer.add_rows([(under[at], 1.0), (running[at], -1.0)], upper=0.0)
    writer.add_rows([(given[at], 1.0), (cap.power[at], -1.0), (under[at], most[at] - reach[at])], lower=0.0)
    writer.add_rows([(given[at], 1.0), (running[at], -least), (under[at], least - reach[at])], lower=0.0)
    pairs = np.flatnonzero(partly[1:] & partly[:-1]) + 1
    lower_later = pairs[reach[pairs] <= reach[pairs - 1]]
    lower_before = pairs[reach[pairs - 1] <= reach[pairs]]
    writer.add_rows(
        [
            (under[lower_later], 1.0),
            (under[lower_later - 1], -1.0),
            (begins[lower_later], 1.0),
            (cap.mode[lower_later - 1], 1.0),
            (cap.mode[lower_later], -1.0),
        ],
        lower=0.0,
    )
    writer.add_rows(
        [(under[lower_before], 1.0), (under[lower_before - 1], -1.0), (begins[lower_before], -1.0)], upper=0.0
    )
