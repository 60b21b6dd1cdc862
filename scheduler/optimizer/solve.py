"""Solve a night: by the dynamic program with its certificate, or by HiGHS on the compact program.

By HiGHS each objective is made as small as it gets and then held by a row before the next is tried, so every priority
is exact. Most nights meet every target: then the first three objectives are 0, which no plan can undercut, and one
solve with those variables fixed at 0 replaces the three.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from models.base.arrays import BoolArray, FloatArray, IntArray
from models.wear.segments import final_fill_kwh, wear_cost
from scheduler.nights.night import Night
from scheduler.optimizer.block import Block
from scheduler.optimizer.certificate.certified import covers, solve_free
from scheduler.optimizer.certificate.mode_program import ModeProgram
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.few_settings import (
    SETTING_EFFORT,
    held_columns,
    settings_of,
    shape_of,
    shapes_with_less,
)
from scheduler.optimizer.lexicographic import (
    CHANGE_GAP_KW,
    GAP_WORTH_KWH,
    HELD,
    SETTLED,
    SHORTAGES,
    TIMING_GAP_KWH_HOURS,
    NoPlanError,
    Stage,
    first_stage,
    tie_allowance,
)
from scheduler.optimizer.manual_blocks import at_night, blocks_from, setpoints_of, settings_made, without_pauses
from scheduler.optimizer.money_scale import in_units_of, money_scale
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.search_blocks import (
    DIRECT_INTERVALS,
    TIMING,
    drafted_by_hand,
    fewest_blocks,
    has_choices,
    least_money_by_hand,
    well_timed,
)
from scheduler.optimizer.setpoints import (
    BRANCH_AND_BOUND,
    Answer,
    Setpoints,
    runs_with_power,
    setpoints_from_powers,
)
from scheduler.optimizer.smoothing import changes_of_power, money_decides_modes

DRAFT_EFFORT, LAW_EFFORT = 8_334, 80_000
"""Most effort of a draft, and of a plan that is only to tell what it costs [cells of the dynamic program]: one or two
passes, and a few. What the gap of a large night then hides is less than what its forecast errs by."""
SHORT_KWH = 1e-3
"""A trip that lacks no more than this is served [kWh]."""


def solve(night: Night, may_discharge: bool = True) -> Answer:
    """Return the night's best plan; with may_discharge False, the best that never discharges.

    A free schedule at fixed prices comes from the dynamic program, with a bound from prices of stored energy; every
    other night from branch and bound of the compact program.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    began = time.perf_counter()
    scale = money_scale(night)
    scaled = in_units_of(night, scale)
    answer = solve_free(scaled, may_discharge)
    if answer is None:
        try:
            answer = _in_hours(scaled, may_discharge)
        except NoPlanError:
            answer = solve_free(scaled, may_discharge, open_too=True)
            if answer is None:
                raise
    return _in_money(answer, scale, time.perf_counter() - began)


def solve_compact(night: Night, may_discharge: bool = True) -> Answer:
    """Return the night's best plan as `solve` does, by branch and bound of the compact program whatever the night.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    began = time.perf_counter()
    scale = money_scale(night)
    answer = _in_hours(in_units_of(night, scale), may_discharge)
    return _in_money(answer, scale, time.perf_counter() - began)


def draft(night: Night, may_discharge: bool = True) -> Setpoints:
    """Return the powers of a good plan of a night, found in a third of the time or less: no gap closed, no tie broken.

    It is to compare nights by what their plans come to. Where only branch and bound can plan a night, it is the best.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    scaled = in_units_of(night, money_scale(night))
    answer = solve_free(scaled, may_discharge, choose=False, open_too=True, most_effort=DRAFT_EFFORT)
    return solve(night, may_discharge).setpoints if answer is None else answer.setpoints


def draft_by_hand(night: Night, may_discharge: bool = True) -> Answer:
    """Return a good plan set by hand of a night at fixed prices, its money not bounded and no tie broken.

    It takes a quarter of a second for a night of hours, where the best may take two; it is to compare nights by what
    their plans come to.

    Raises
    ------
    NoPlanError : none was found, or prices depend on amounts.
    """
    scale = money_scale(night)
    scaled = in_units_of(night, scale)
    stage = None
    if has_choices(scaled):
        stage = drafted_by_hand(first_stage(compact_matrix(scaled, may_discharge), by_hand=True), scaled)
    if stage is None:
        raise NoPlanError("no draft of a plan set by hand was found")
    return _in_money(_answer(scaled, stage.claimed(), float("-inf")), scale, 0.0)


def cheapest(night: Night) -> Setpoints:
    """Return the powers of the night's best plan without the choice among equals, of a schedule only.

    It is to tell what that plan costs: where the gap of a large night stays open for long, it is left open sooner.

    Raises
    ------
    NoPlanError : HiGHS found no plan.
    """
    scaled = in_units_of(night, money_scale(night))
    answer = solve_free(scaled, choose=False, most_effort=LAW_EFFORT)
    if answer is not None:
        return answer.setpoints
    stage = first_stage(compact_matrix(scaled)).with_priorities(GAP_WORTH_KWH * scaled.highest_price)
    return _answer(night, stage.claimed(), stage.value("least_money")).setpoints


def relaxed_money(night: Night) -> float | None:
    """Return what no plan costs less than that serves every trip in full, by the relaxed program [money].

    It takes a tenth of the time of a plan, and is close to it where nothing but starts and least powers is relaxed.

    Returns
    -------
    None if no plan serves the trips, or if the night's prices depend on amounts.
    """
    scale = money_scale(night)
    scaled = in_units_of(night, scale)
    if not covers(scaled):
        return None
    program = ModeProgram(scaled, compact_matrix(scaled))
    program.nothing_short(True)
    program.relax()
    return program.value() * scale if program.run() else None


def _in_money(answer: Answer, scale: float, seconds: float) -> Answer:
    """Return the answer to a night whose money was divided by a scale, in the night's money."""
    if scale == 1.0:
        return replace(answer, seconds=seconds)
    proof = tuple(
        replace(
            part,
            stored_price=part.stored_price * scale,
            given_price=part.given_price * scale,
            bound=part.bound * scale,
        )
        for part in answer.proof
    )
    money, gap, bound = (amount * scale for amount in (answer.money, answer.gap, answer.bound))
    return replace(answer, money=money, gap=gap, bound=bound, proof=proof, seconds=seconds)


def _in_hours(night: Night, may_discharge: bool) -> Answer:
    """Return the best plan of the compact program; outside the hours of setting no more is set than departures need.

    Where one is served less well than it could be, as many settings outside those hours are allowed as it takes.
    """
    answer = _branch_and_bound(night, may_discharge)
    if not night.setting.keeps_hours or not _is_short(answer) or night.is_waking.all():
        return answer
    least = _least_shortages(_with_late_settings(night, 2 * night.setting.max_blocks), may_discharge)
    if not _is_served_better(least, _shortages(answer)):
        return answer
    most = 1
    while _is_served_better(least, _least_shortages(_with_late_settings(night, most), may_discharge)):
        most += 1
    better = _branch_and_bound(_with_late_settings(night, most), may_discharge)
    late = at_night(night, settings_made(night, better.blocks or (), better.stored_kwh))
    lacks = [(_shortage_of(answer, trip), _shortage_of(better, trip)) for trip in range(len(night.trips))]
    return replace(
        better,
        served_at_night=tuple(trip for trip, (without, now) in enumerate(lacks) if now < without - SHORT_KWH),
        settings_at_night=len(late),
    )


def _with_late_settings(night: Night, most: int) -> Night:
    return replace(night, setting=replace(night.setting, most_outside=most))


def _shortages(answer: Answer) -> tuple[float, float, float]:
    """Return the first three objectives of an answer."""
    weights = np.arange(len(answer.on_the_way_kwh), 0, -1)
    sums = weights @ answer.on_the_way_kwh, answer.missing_kwh.sum(), answer.missing_when_ready_kwh.sum()
    return (float(sums[0]), float(sums[1]), float(sums[2]))


def _shortage_of(answer: Answer, trip: int) -> float:
    """Return what a trip lacks in one way or another [kWh]."""
    ways = (answer.on_the_way_kwh, answer.missing_kwh, answer.missing_when_ready_kwh)
    return sum(float(way[trip]) for way in ways if len(way))


def _is_short(answer: Answer) -> bool:
    return max(_shortages(answer)) > SHORT_KWH


def _is_served_better(shortages: Sequence[float], others: Sequence[float]) -> bool:
    """Return whether shortages are less than others, in the order of the priorities."""
    for ours, theirs in zip(shortages, others, strict=True):
        if abs(ours - theirs) > SHORT_KWH:
            return ours < theirs
    return False


def _least_shortages(night: Night, may_discharge: bool) -> tuple[float, ...]:
    """Return the least of each kind of shortage, in their order."""
    stage = first_stage(compact_matrix(night, may_discharge), by_hand=True)
    for shortage in OBJECTIVES[:3]:
        stage = stage.minimised(shortage, gap=HELD).holding(shortage, HELD)
    return tuple(stage.value(shortage) for shortage in OBJECTIVES[:3])


def _branch_and_bound(night: Night, may_discharge: bool) -> Answer:
    """Return the best plan of the compact program, its integers solved by HiGHS."""
    worth = night.highest_price
    by_hand = night.setting.by_hand
    first = first_stage(compact_matrix(night, may_discharge), by_hand)
    gap = GAP_WORTH_KWH * worth
    if by_hand and night.intervals > DIRECT_INTERVALS:
        cheapest = least_money_by_hand(first, night, gap)
    else:
        cheapest = first.with_priorities(gap)
    slack = tie_allowance(night) + HELD
    stage = cheapest.holding("least_money", slack).counting_changes(night)
    if not by_hand and money_decides_modes(night):
        stage = stage.settled("least_change")
    elif by_hand:
        stage = stage.settled("least_change")
        if night.setting_worth <= slack:  # else a block less would have been cheaper already
            stage = fewest_blocks(stage, night, cheapest.value("least_money") + slack)
    else:
        stage = stage.improved("least_change", CHANGE_GAP_KW, night.intervals)
    if not by_hand:
        stage = _with_few_settings(stage, night)
    stage = stage.holding("least_change", HELD)
    stage = stage.settled("least_money").holding("least_money", HELD).holding_energy(night.hours)
    stage = well_timed(stage, night, TIMING_GAP_KWH_HOURS) if by_hand else _ready_soonest(stage, night)
    stage = stage.claimed()
    bound = cheapest.value("least_money") - cheapest.gap
    found = replace(stage, status=cheapest.status, gap=cheapest.gap)
    if by_hand and cheapest.status != "optimal":  # the gap reported is that of the plan as it is
        found = replace(found, gap=max(0.0, stage.value("least_money") - bound))
    return _answer(night, found, bound)


def _with_few_settings(stage: Stage, night: Night) -> Stage:
    """Return a schedule with blocks joined or left out, one move after the other, as long as what is held allows it."""
    trials, columns = SETTING_EFFORT // night.intervals, stage.program.columns
    changes = changes_of_power(columns, stage.program.upper, night)
    first_change, none = len(stage.values) - len(changes.power), np.zeros(len(changes.power))
    fewer = True
    while fewer:
        fewer, powers = False, _powers(stage, night)
        blocks = settings_of(night, powers)
        for shape in shapes_with_less(night, blocks, powers):
            if trials <= 0:
                return stage
            trials -= 1
            values = stage.values.copy()
            values[columns["charging"]] = shape.powers.charging
            values[columns["discharging"]] = shape.powers.discharging
            program = stage.program.bounded(*held_columns(shape, columns, changes, first_change, none))
            found = stage.solver.run_at(program, "least_change", values)
            if isinstance(found, str):
                continue
            other = replace(stage, values=found.values)
            if len(settings_of(night, _powers(other, night))) < len(blocks):
                stage, fewer = other, True
                break
    return stage


def _ready_soonest(stage: Stage, night: Night) -> Stage:
    """Return the best timed schedule that asks for no more settings than the stage's."""
    powers = _powers(stage, night)
    blocks = settings_of(night, powers)
    timed = stage.improved(TIMING, TIMING_GAP_KWH_HOURS, night.intervals)
    if len(settings_of(night, _powers(timed, night))) <= len(blocks):
        return timed
    columns = stage.program.columns
    changes = changes_of_power(columns, stage.program.upper, night)
    first_change = len(stage.values) - len(changes.power)
    most_kw = stage.values[first_change:] + SETTLED
    held = held_columns(shape_of(blocks, powers), columns, changes, first_change, most_kw)
    return stage.on(stage.program.bounded(*held)).settled(TIMING)


def _powers(stage: Stage, night: Night) -> Setpoints:
    """Return a schedule's powers."""
    columns, values = stage.program.columns, stage.values
    charge_kw, charging = runs_with_power(night, values, columns, "charge_kw", "charging")
    discharge_kw, discharging = runs_with_power(night, values, columns, "discharge_kw", "discharging")
    shares = charging.astype(np.float64), discharging.astype(np.float64)
    return Setpoints(charge_kw, discharge_kw, *shares, np.zeros(night.intervals))


def total_at_power(night: Night, answer: Answer, interval: int, setpoint_kw: float) -> float | None:
    """Return the least total [money] with one interval's setpoint given and all else free; None if nothing allows it.

    No trip may be served worse than by the answer.

    Parameters
    ----------
    setpoint_kw : positive for charging, negative for discharging, 0 for idle [kW].
    """
    scale = money_scale(night)
    scaled = in_units_of(night, scale)
    stage = first_stage(compact_matrix(scaled), night.setting.by_hand)
    given = stage.program.serving_no_worse(answer).with_power(interval, setpoint_kw)
    found = stage.on(given).cheapest(GAP_WORTH_KWH * scaled.highest_price)
    return None if found is None else scale * found.value("least_money")


def _hand_blocks(night: Night, values: FloatArray, columns: dict[str, IntArray]) -> tuple[Block, ...]:
    """Return the blocks that a person sets, in time order."""

    def chosen(name: str) -> BoolArray:
        return np.asarray(np.round(values[columns[name]]) > 0, dtype=np.bool_)

    covers = night.charger.discharge_to == "building"
    charge = blocks_from(
        night, "charge", chosen("charging"), chosen("charge_block_begins"), values[columns["charge_kw"]]
    )
    discharge = blocks_from(
        night,
        "cover" if covers else "discharge",
        chosen("cap_is_set" if covers else "discharging"),
        chosen("discharge_block_begins"),
        values[columns["cap_kw" if covers else "discharge_kw"]],
    )
    found = tuple(sorted((*charge, *discharge), key=lambda block: block.first))
    return without_pauses(night, found, values[columns["stored_kwh"]]) if covers else found


def _answer(night: Night, stage: Stage, bound: float) -> Answer:
    """Return the stage's plan as an answer, with what no plan costs less than [money]."""
    columns, values = stage.program.columns, stage.values
    blocks = _hand_blocks(night, values, columns) if night.setting.by_hand else None
    curtailed_kw = values[columns["curtailed_kw"]]
    if blocks is not None:
        setpoints = setpoints_of(night, blocks, curtailed_kw)
    else:
        powers = _powers(stage, night)
        setpoints = setpoints_from_powers(
            night, powers.charge_kw, powers.discharge_kw, powers.charge_share, powers.discharge_share, curtailed_kw
        )
    money = stage.value("least_money") + _optimism(night, values, columns)
    if blocks is not None and night.counts_settings:  # one that the tie took for a person's may be none
        begun = ("charge_block_begins", "discharge_block_begins", "ended_by_hand")
        counted = sum(float(values[columns[name]].sum()) for name in begun)
        made = len(settings_made(night, blocks, values[columns["stored_kwh"]]))
        money += night.setting_worth * (made - counted) if made <= round(counted) else 0.0
    on_the_way, missing, unready = (values[columns[name]] if name in columns else np.zeros(0) for name in SHORTAGES)
    return Answer(
        setpoints,
        values[columns["stored_kwh"]],
        on_the_way_kwh=on_the_way,
        missing_kwh=missing,
        missing_when_ready_kwh=unready,
        money=money,
        status=stage.status,
        gap=stage.gap + money - stage.value("least_money"),
        bound=bound,
        way=BRANCH_AND_BOUND,
        blocks=blocks,
    )


def _optimism(night: Night, values: FloatArray, columns: dict[str, IntArray]) -> float:
    """Return what a plan costs more than the program says, by how the segments are filled [money]; 0 or more.

    Energy leaves the cheapest segment that is not empty and enters the cheapest that is not full. Where planes only
    touch what the segments are worth, the program may gain a little by another order, which no battery follows.
    """
    value = night.segment_value
    if value is None:
        return 0.0
    stored, count = values[columns["stored_kwh"]], len(night.wear.size_kwh)
    taken = values[columns["segment_out_kwh"]].reshape(-1, count)
    left = values[columns["segment_kwh"][-count:]]
    into, out = (np.maximum(sign * np.diff(stored), 0.0) for sign in (1.0, -1.0))
    through = float(taken.sum() - out.sum()) * float(night.wear.price_per_kwh[0])
    worn = float(wear_cost(night.wear, night.initial_fill_kwh, into, out).sum()) + through
    worth = value.worth(final_fill_kwh(night.wear, night.initial_fill_kwh, into, out))
    said = float((taken @ night.wear.price_per_kwh).sum())
    return max(0.0, night.wear_weight * (worn - said) - worth + value.worth(left))
