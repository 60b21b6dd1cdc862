"""Ties of certified schedules against those of the compact program, on the same nights: sums over all of them.

How many starts and blocks, how much change of power inside runs, energy through the battery, timing, money and CPU time
of one core; nothing is asserted. Of the nights that both ways plan.

python -m tests.benchmarks.ties [share of the nights, 1 for all] [kinds]
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from models.base.arrays import FloatArray, runs
from scheduler.inputs.control_mode import Setting
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer import solve as solving
from scheduler.optimizer.certificate.certified import covers, solve_free
from scheduler.optimizer.find_blocks import find_blocks
from scheduler.optimizer.setpoints import Answer
from tests.benchmarks.certified import nights as demo_nights
from tests.builders.places import SCENARIOS
from tests.builders.random_nights import random_night

Found = TypeVar("Found")

solve_compact: Callable[[Night], Answer] = getattr(solving, "solve_compact", solving.solve)
"""The compact program with its integers."""
COUNTS = {
    "hourly": 70,
    "boatyard": 32,
    "veterinary": 40,
    "random": 64,
    "export over import": 10,
    "two days": 10,
    "quarter hours": 12,
}
"""Nights of each kind; of all but the last about 200 are planned both ways."""


@dataclass(frozen=True, slots=True)
class Ties:
    """What a schedule is judged by among equally cheap ones.

    Attributes
    ----------
    starts, blocks : how many.
    change_kw : of power inside runs [kW].
    cycled_kwh : charged and discharged at the AC side [kWh].
    timing_kwh_hours : the objective `ready_soonest`, without what lies above the ceiling [kWh h].
    money_kwh : total in the worth of energy at the highest import price [kWh].
    """

    starts: int
    blocks: int
    change_kw: float
    cycled_kwh: float
    timing_kwh_hours: float
    money_kwh: float

    @staticmethod
    def of(night: Night, answer: Answer) -> Ties:
        """Return those of an answer."""
        plan, hours = answer.setpoints, night.hours
        middle = np.cumsum(hours) - hours / 2
        timing = hours @ ((plan.charge_kw + plan.discharge_kw) * middle)
        directions = ((plan.charge_kw, plan.charging), (plan.discharge_kw, plan.discharging))
        stretches = [power[first:last] for power, running in directions for first, last in runs(running)]
        return Ties(
            starts=len(stretches),
            blocks=len(find_blocks(night, plan)),
            change_kw=float(sum(np.abs(np.diff(power)).sum() for power in stretches)),
            cycled_kwh=float(hours @ (plan.charge_kw + plan.discharge_kw)),
            timing_kwh_hours=float(timing),
            money_kwh=answer.money / night.highest_price,
        )

    def row(self) -> FloatArray:
        """Return all six in their order, shape (6,)."""
        values = (self.starts, self.blocks, self.change_kw, self.cycled_kwh, self.timing_kwh_hours, self.money_kwh)
        return np.array(values, dtype=np.float64)


def nights(kind: str, count: int) -> Iterator[Night]:
    """Yield nights of a kind that the dynamic program covers; the same for the same kind."""
    if kind == "random":
        seeds = (random_night(seed) for seed in range(1000, 1000 + 4 * count))
        covered = [night for night in seeds if covers(night)]
        yield from covered[:count]
    elif kind in ("boatyard", "veterinary"):
        yield from _site_nights(kind, count)
    else:
        yield from demo_nights(kind, count)


def _site_nights(site: str, count: int) -> Iterator[Night]:
    """Yield free schedules of another demo site on its own offer, days apart, with its usual trips."""
    inputs = read_inputs(SCENARIOS / site)
    inputs = replace(inputs, site=replace(inputs.site, setting=Setting()))
    random = np.random.default_rng(12)
    for number in range(count):
        day, hour = 1 + number % 28, int(random.integers(16, 23))
        month = (2, 3)[number // 28 % 2]
        options = RequestOptions(float(random.integers(40, 80)), now=f"2026-{month:02}-{day:02}T{hour}:10")
        yield build_night(inputs, parse_request(options, inputs))[0]


def timed(solve: Callable[[Night], Found], night: Night) -> tuple[Found, float]:
    """Return what a way finds, and the CPU time that it took [s]."""
    began = time.process_time()
    found = solve(night)
    return found, time.process_time() - began


def main() -> None:
    """Print the sums of both ways, kind by kind, and those of all kinds but quarter hours."""
    share = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    total, counted = np.zeros((2, 7)), 0
    for kind in sys.argv[2:] or COUNTS:
        sums, planned, worst = np.zeros((2, 7)), 0, -np.inf
        for night in nights(kind, max(1, round(share * COUNTS[kind]))):
            certified, spent = timed(solve_free, night)
            if certified is None:
                continue
            compact, spent_compact = timed(solve_compact, night)
            ours, theirs = Ties.of(night, certified).row(), Ties.of(night, compact).row()
            sums += [[*ours, spent], [*theirs, spent_compact]]
            worst = max(worst, ours[-1] - theirs[-1])
            planned += 1
        show(f"{kind}, {planned} nights, most more money {1000 * worst:.1f} Wh", sums)
        if kind != "quarter hours":
            total, counted = total + sums, counted + planned
    show(f"all but quarter hours, {counted} nights", total)


def show(title: str, sums: FloatArray) -> None:
    """Print sums of both ways, shape (2, 7), and their ratios."""
    print(title)
    for name, row in (("certified", sums[0]), ("compact", sums[1])):
        starts, blocks, change, cycled, timing, money, spent = row.tolist()
        print(
            f"  {name:9} {starts:.0f} starts, {blocks:.0f} blocks, change {change:.2f} kW, cycled {cycled:.1f} kWh, "
            f"timing {timing:.0f} kWh h, money {money:.3f} kWh, {spent:.1f} s",
            flush=True,
        )


if __name__ == "__main__":
    main()
