"""A free schedule with its certificate: the cheapest plan found, and a bound that no plan can undercut."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from models.base.arrays import BoolArray, FloatArray
from scheduler.nights.night import Night
from scheduler.optimizer.certificate.dynamic_problem import Limits, Path, Prices, Weights
from scheduler.optimizer.certificate.dynamic_program import DynamicProgram, TooManyCellsError
from scheduler.optimizer.certificate.dynamic_values import FAR
from scheduler.optimizer.certificate.lagrangian import KEEPS_KWH, Master, Wear
from scheduler.optimizer.certificate.mode_program import ModeProgram
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, HELD, SHORTAGES, NoPlanError, first_stage, tie_allowance
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.setpoints import (
    BRANCH_AND_BOUND,
    DYNAMIC_PROGRAM,
    Answer,
    ProvedPart,
    runs_with_power,
    setpoints_from_powers,
)
from scheduler.optimizer.smoothing import money_decides_modes

MOST_CHOICES = 6
"""Plans among which the steadiest is chosen, if that many are equally cheap."""
FIRST, SECOND = 1e3, 30.0
"""What on the way, and what missing at departures, weigh against the next shortage [-]."""
HOLD = (3e3, 3e2, 3e1)
"""Prices that hold the least shortages, in kWh at the highest price [per kWh]. Any give a bound; far higher ones drown
small differences in rounding."""
SHORT_KWH = 1e-5
"""A shortage this close to the least counts as the least [kWh]."""
LOST_KWH = 3e-4
"""Most that thinning the values may take from the bound, over all boundaries, if each errs by its most [kWh]."""
CLOSED_KWH = 3e-4
"""A bound this close to the mixture of paths will not rise much [kWh]."""
EFFORT = 2_500_000
"""Cells of the dynamic program that may be gone through before a plan is given with the gap it has."""
PASS_CELLS, PROGRAM_CELLS = 100, 40
"""What a stop in a pass takes beyond its cells, and an interval in a linear program, counted in cells."""
SMALL, SMALL_EFFORT = 60, 25_000
"""A night with no more intervals to decide than this gets this effort only: the compact program soon solves it."""
PARTS_AT_ONCE = 8
"""Parts of all plans that go through the dynamic program together."""
EARLY = 0.3
"""A part is split once its bound can rise by no more than this share of what it lacks."""
EARLY_WHOLE, WHOLE_PASSES = 0.02, 3
"""The whole of a night that is not small is split once its bound can rise by this share only: what a few passes gain
there, each of its parts would have to gain again. No night is split before so many passes."""
PULLS = (0.002, 0.005)
"""What each kWh and boundary away from the mixture costs a path that is to be like it, in kWh at the highest price."""
PULL_PARTS = 3
"""Paths like the mixture are sought in no more parts at once than this."""
MOST_BARREN = 4
"""After so many passes in which they found no better plan they are sought in every so-manyth pass only."""


@dataclass(slots=True, eq=False)
class Part:
    """Part of all plans: bounds on stored energy, the best prices known for them, and those to be tried next."""

    limits: Limits
    bound: float
    best: Prices
    trials: list[Prices]
    pulls: list[Prices] = field(default_factory=list)


@dataclass(slots=True)
class Search:
    """Branch and bound over stored energy."""

    night: Night
    program: DynamicProgram
    wear: Wear
    modes: ModeProgram
    master: Master
    nothing_short: bool = True
    most_effort: float = np.inf
    best_cost: float = np.inf
    best_values: FloatArray | None = None
    effort: int = 0
    passes: int = 0
    parts: int = 1
    tried: set[bytes] = field(default_factory=set)
    barren: int = 0
    plans: list[tuple[float, BoolArray]] = field(default_factory=list)
    proof: list[Part] = field(default_factory=list)

    @property
    def small(self) -> bool:
        """Return whether the compact program is at hand if the gap does not close soon."""
        return self.program.decisions <= SMALL

    def certify(self, limits: Limits, prices: Prices) -> float:
        """Search until the gap is closed or the effort spent; return the bound [kWh at the highest price]."""
        open_parts = [Part(limits, -np.inf, prices, [prices])]
        most = min(self.most_effort, SMALL_EFFORT if self.small else EFFORT)
        while open_parts:
            open_parts.sort(key=lambda part: part.bound)
            if self.effort >= most:
                self.proof += open_parts
                break
            here, later = open_parts[:PARTS_AT_ONCE], open_parts[PARTS_AT_ONCE:]
            hints = self._one_pass(here)
            goal = self.best_cost - GAP_WORTH_KWH
            unsettled = sum(part.bound < goal for part in here)
            if self.effort + unsettled * PROGRAM_CELLS * self.night.intervals >= most:
                self.proof += open_parts  # what follows in this round is to prepare the next, which is not to come
                break
            for part in here:
                if part.bound >= goal:
                    self.proof.append(part)
                    continue
                mixture, mixed = self.master.solve(part.limits)
                self.effort += PROGRAM_CELLS * self.night.intervals
                if self._settled(part, mixture - part.bound, goal - mixture):
                    split = self._branch(part)
                    if not split:
                        self.proof.append(part)
                    self.parts += len(split)
                    later += split
                    continue
                part.pulls = self._pulls(mixed, here)
                part.trials = [_between(part.best, mixed, share) for share in self.shares(len(here))]
                part.trials += hints.get(id(part), [])[: max(0, 3 - len(here))]
                later.append(part)
            self.proof += [part for part in later if part.bound >= goal]
            open_parts = [part for part in later if part.bound < goal]
        return min([self.best_cost, *(part.bound for part in self.proof)])

    def _settled(self, part: Part, rise: float, lack: float) -> bool:
        """Return whether a part is to be split: its bound can rise by so much, and lacks so much [kWh]."""
        if self.parts > 1:
            return rise <= max(CLOSED_KWH, EARLY * lack)
        early = EARLY if self.small else EARLY_WHOLE
        return rise <= CLOSED_KWH or (self.passes >= WHOLE_PASSES and rise <= early * lack)

    @staticmethod
    def shares(parts: int) -> tuple[float, ...]:
        """Return the share of the best prices in each of the next trials [0 to 1]; the rest comes from the mixture."""
        return (0.6, 0.25) if parts < PARTS_AT_ONCE // 2 else (0.5,)

    def _pulls(self, mixed: Prices, here: list[Part]) -> list[Prices]:
        """Return prices that pull a path towards the mixture: its wear is what the mixture's bound counts."""
        if self.barren >= MOST_BARREN and self.passes % MOST_BARREN:
            return []
        towards = self.master.mean_kwh()
        return [Prices(mixed.stored, mixed.given, pull, towards) for pull in PULLS[: PULL_PARTS // len(here)]]

    def _one_pass(self, parts: list[Part]) -> dict[int, list[Prices]]:
        """Go through the dynamic program once for all trial prices of some parts.

        Returns the prices of the plans found on the way, by the identity of their part.
        """
        limit = self.night.car.discharge_limit_kwh or 0.0
        jobs = [(part, trial) for part in parts for trial in [*part.trials, *part.pulls]]
        tolerance = LOST_KWH / (4 * len(self.program.stops))
        values = self.program.backward([trial for _, trial in jobs], [part.limits for part, _ in jobs], tolerance)
        self.passes += 1
        self.effort += sum(PASS_CELLS + len(layer.edges) for layer in values.layers)
        hints: dict[int, list[Prices]] = {}
        before, pulled = self.best_cost, any(part.pulls for part in parts)
        within = np.flatnonzero(values.bound < FAR).tolist()
        paths = dict(zip(within, self.program.paths(values, within), strict=True))
        for number, (part, trial) in enumerate(jobs):
            if values.bound[number] >= FAR:
                part.bound = np.inf
                continue
            if trial.pull:
                self._at_path(paths[number])
                continue
            bound = float(values.bound[number]) + self.wear.constant(trial.stored) - trial.given * limit
            if bound > part.bound:
                part.bound, part.best = bound, trial
            path = paths[number]
            self.master.add(path)
            hint = self._at_path(path)
            if hint is not None:
                hints.setdefault(id(part), []).append(hint)
        if self.best_cost < before - GAP_WORTH_KWH:
            self.barren = 0
        elif pulled:
            self.barren += 1
        return hints

    def _at_path(self, path: Path) -> Prices | None:
        """Find the cheapest plan at the modes of a path; return its prices, None if there is none that is new."""
        modes = self.modes.modes_of(path)
        if modes.tobytes() in self.tried:
            return None
        self.tried.add(modes.tobytes())
        return self._at_modes(modes)

    def _at_modes(self, modes: BoolArray) -> Prices | None:
        """Find the cheapest plan at modes, shape (integers,); return its prices, None if there is none."""
        self.modes.fix(modes)
        self.effort += PROGRAM_CELLS * self.night.intervals
        if not self.modes.run():
            return None
        cost = self.modes.value() / self.program.unit
        self.plans.append((cost, modes))
        if cost < self.best_cost:
            self.best_cost, self.best_values = cost, self.modes.values
        self.master.add(self.modes.path(self.program.unit))
        return self.modes.prices(self.program.unit)

    def _branch(self, part: Part) -> list[Part]:
        """Split a part where the mixture's paths differ most: stored energy under their mean there, and over it.

        Returns
        -------
        Two parts; none where the paths do not differ.
        """
        shares = self.master.shares()
        used = np.flatnonzero(shares > 1e-9)
        stored = np.stack([self.master.paths[number].stored_kwh for number in used.tolist()])
        share = shares[used] / shares[used].sum()
        mean = share @ stored
        spread = share @ np.abs(stored - mean)
        boundary = int(spread.argmax())
        if spread[boundary] < KEEPS_KWH:
            return []
        most, least = part.limits.most_kwh.copy(), part.limits.least_kwh.copy()
        most[boundary] = least[boundary] = mean[boundary]
        return [
            Part(limits, part.bound, part.best, [part.best])
            for limits in (Limits(part.limits.least_kwh, most), Limits(least, part.limits.most_kwh))
        ]


def _between(first: Prices, second: Prices, share: float) -> Prices:
    """Return prices between two: a share [0 to 1] of the first, the rest of the second."""
    return Prices(share * first.stored + (1 - share) * second.stored, share * first.given + (1 - share) * second.given)


def covers(night: Night) -> bool:
    """Return whether the dynamic program holds everything of the night, and it has a price to measure gaps by."""
    left_out = night.setting.by_hand or night.prices_depend_on_amounts or night.stored_energy.price_per_kwh[-1] < 0
    return not left_out and night.segment_value is None and night.highest_price > 0


def search_of(night: Night, may_discharge: bool = True, most_effort: float = np.inf) -> tuple[Search, float] | None:
    """Search for the cheapest free schedule of a night.

    Parameters
    ----------
    most_effort : after which an open gap stays open, where that is less than the usual effort [cells].

    Returns
    -------
    The search, done, and its bound [kWh at the highest price]; None if the night is not covered or not served.
    """
    if not covers(night):
        return None
    never = night.car.discharge_limit_kwh == 0 and night.charger.discharge_min_kw > 0
    may_discharge = may_discharge and not never
    modes = ModeProgram(night, compact_matrix(night, may_discharge))
    program = DynamicProgram(night, may_discharge, Weights(1.0, np.zeros(len(night.trips))))
    limits = program.limits(nothing_short=True)
    served = bool((limits.least_kwh < limits.most_kwh).all())
    if served:
        modes.nothing_short(True)
        served = modes.run()
    if served:
        search = Search(
            night, program, Wear(night, program.unit), modes, _master(night, program), most_effort=most_effort
        )
        bound = search.certify(limits, modes.prices(program.unit))
        if search.best_values is not None:
            return search, bound
    modes.nothing_short(False)
    found = _least_short(program, may_discharge, modes)
    if found is None or not modes.run():
        return None
    penalised, limits = found
    search = Search(night, penalised, Wear(night, program.unit), modes, _master(night, penalised), False, most_effort)
    bound = search.certify(limits, modes.prices(program.unit))
    return None if search.best_values is None else (search, bound)


def _master(night: Night, program: DynamicProgram) -> Master:
    return Master(Wear(night, program.unit), night.car.discharge_limit_kwh)


def _least_short(like: DynamicProgram, may_discharge: bool, modes: ModeProgram) -> tuple[DynamicProgram, Limits] | None:
    """Find the least shortages, each before the next, and hold them from now on.

    Each is found by the dynamic program with those before it at a high price, and then attained by the linear program
    at the modes found.

    Returns
    -------
    The program with prices that hold the shortages, and its limits; None if one of them is not proved.
    """
    night = like.night
    weights = np.arange(len(night.trips), 0, -1.0)
    kinds = (
        Weights(0.0, weights),
        Weights(0.0, FIRST * weights, missing=1.0),
        Weights(0.0, FIRST * weights, missing=SECOND, unready=1.0),
    )
    before: tuple[tuple[float, ...], ...] = ((), (FIRST,), (FIRST, SECOND))
    free = Prices(np.zeros(night.intervals + 1))
    least: list[float] = []
    for kind, objective in zip(kinds, OBJECTIVES[:3], strict=True):
        served = tuple(value <= SHORT_KWH for value in [*least, np.inf, np.inf, np.inf][:3])
        program = DynamicProgram(night, may_discharge, replace(kind, all_ready=True), like)
        limits = program.limits(served=(served[0], served[1], served[2]))
        values = program.backward([free], [limits], 1e-7)
        if values.bound[0] >= FAR:
            return None
        modes.fix(modes.modes_of(program.path(values, 0)))
        if not modes.exactly(objective):
            return None
        attained = modes.value(objective)
        if attained > SHORT_KWH:
            if kind.unready:
                program = DynamicProgram(night, may_discharge, kind, like)
                values = program.backward([free], [limits], 1e-7)
            known = sum(price * value for price, value in zip(before[len(least)], least, strict=True))
            if attained > max(0.0, float(values.bound[0]) - known) + SHORT_KWH:
                return None
        modes.hold(objective, HELD)
        least.append(attained)
    modes.relax()
    held = Weights(1.0, HOLD[0] * weights, missing=HOLD[1], unready=HOLD[2])
    program = DynamicProgram(night, may_discharge, held, like)
    program.constant -= HOLD[0] * least[0] + HOLD[1] * least[1] + HOLD[2] * least[2]
    served = (least[0] <= SHORT_KWH, least[1] <= SHORT_KWH, least[2] <= SHORT_KWH)
    return program, program.limits(served=served)


def solve_free(
    night: Night,
    may_discharge: bool = True,
    *,
    choose: bool = True,
    open_too: bool = False,
    most_effort: float = np.inf,
) -> Answer | None:
    """Return the best free schedule with its bound and gap [money].

    Parameters
    ----------
    choose : the steadiest of equally cheap plans, and the best timed of those; else the cheapest as it was found.
    open_too : take the plan found, with its gap, though the integers might close it: for nights on which they fail.
    most_effort : as for search_of.

    Returns
    -------
    The answer; None if the night is not covered or takes too many cells, if its shortages are not proved, or if a small
    one stays open of which money does not decide the modes. Then the compact program with its integers is the way.
    """
    try:
        found = search_of(night, may_discharge, most_effort)
    except TooManyCellsError:
        return None
    if found is None:
        return None
    search, bound = found
    assert search.best_values is not None
    proof, way = _proof(search), DYNAMIC_PROGRAM
    if search.small and not open_too and search.best_cost - bound > GAP_WORTH_KWH + 1e-6:
        if choose and not money_decides_modes(night):
            return None
        bound, way = max(bound, _by_integers(search)), BRANCH_AND_BOUND
    modes, unit = search.modes, search.program.unit
    modes.fix(np.round(search.best_values[modes.whole]) > 0)
    modes.values = search.best_values
    if choose and not _choose(search):
        return None
    gap = max(0.0, search.best_cost - bound)
    return replace(_answer(night, modes, gap * unit, min(bound, search.best_cost) * unit), way=way, proof=proof)


def _by_integers(search: Search) -> float:
    """Go on to the best plan of the compact program with its integers; return its bound [kWh at the highest price]."""
    first, unit = first_stage(search.modes.matrix), search.program.unit
    gap = GAP_WORTH_KWH * search.night.highest_price
    try:
        known = search.best_values
        stage = first.without_shortages(gap, known) if search.nothing_short else first.with_priorities(gap)
    except NoPlanError:
        stage = None
    if stage is None:
        return -np.inf
    cost = stage.value("least_money") / unit
    search.plans.append((cost, np.round(stage.values[search.modes.whole]) > 0))
    if cost < search.best_cost:
        search.best_cost, search.best_values = cost, stage.values
    return stage.bound / unit


def _proof(search: Search) -> tuple[ProvedPart, ...]:
    """Return the parts of all plans with their bounds [money]; nothing where a trip is short of something."""
    if not search.nothing_short:
        return ()
    unit = search.program.unit
    return tuple(
        ProvedPart(
            part.limits.least_kwh,
            part.limits.most_kwh,
            part.best.stored * unit,
            part.best.given * unit,
            min(part.bound, search.best_cost) * unit,
        )
        for part in search.proof
    )


def _choose(search: Search) -> bool:
    """Go on to the steadiest and best timed of equally cheap plans; return whether the solver found one."""
    slack = tie_allowance(search.night)
    near = [
        plan
        for plan in sorted(search.plans, key=lambda plan: plan[0])
        if plan[0] <= search.best_cost + slack / search.program.unit
    ]
    return search.modes.settle_ties(slack + HELD, [plan[1] for plan in near[1:MOST_CHOICES]])


def _answer(night: Night, modes: ModeProgram, gap: float, bound: float) -> Answer:
    """Return the present plan as an answer, with its gap and bound [money]."""
    values, columns = modes.values, modes.matrix.columns
    charge_kw, charging = runs_with_power(night, values, columns, "charge_kw", "charging")
    discharge_kw, discharging = runs_with_power(night, values, columns, "discharge_kw", "discharging")
    setpoints = setpoints_from_powers(
        night, charge_kw, discharge_kw, charging.astype(np.float64), discharging.astype(np.float64)
    )
    on_the_way, missing, unready = (values[columns[name]] if name in columns else np.zeros(0) for name in SHORTAGES)
    status = "optimal" if gap <= GAP_WORTH_KWH * night.highest_price + 1e-9 else "effort spent"
    return Answer(
        setpoints,
        values[columns["stored_kwh"]],
        on_the_way_kwh=on_the_way,
        missing_kwh=missing,
        missing_when_ready_kwh=unready,
        money=modes.value(),
        status=status,
        gap=gap,
        bound=bound,
        way=DYNAMIC_PROGRAM,
    )
