"""Many seeded nights over every key of a site: the bound and the plan of each against the independent optimum.

A night is refused if the plan serves a trip worse than the independent optimum, costs less than its proved bound, or
more than its money and the gap told; or if the bound is above it. The tests do the same on fewer nights.

python -m tests.benchmarks.many_nights [first seed] [number of nights]
"""

from __future__ import annotations

import sys
from collections import Counter

import numpy as np

from scheduler.nights.night import Night
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, TIE_WORTH_KWH
from scheduler.optimizer.setpoints import Answer
from scheduler.optimizer.solve import solve
from scheduler.plans.replay import verify
from tests.builders.random_nights import random_night
from tests.oracles.independent_matrix import IndependentAnswer, independent_optimum
from tests.oracles.tolerances import weighted_on_the_way

HELD_KWH, SAME_KWH = 8e-5, 1e-4
"""Earlier objectives of the independent optimum are held within 1e-5 kWh each, which money may gain from."""


def faults(night: Night, answer: Answer, best: IndependentAnswer) -> list[str]:
    """Return what the answer breaks of what it claims; nothing if it holds."""
    replayed = verify(night, answer)
    total, price = replayed.costs.total, night.highest_price
    prices = max(price, night.car.on_the_way_price_per_kwh, float(np.abs(night.export_price).max()))
    loose = HELD_KWH * prices + 2e-4
    ties = (TIE_WORTH_KWH - GAP_WORTH_KWH) * price
    found = []
    if answer.bound > best.money + loose:
        found.append(f"bound {answer.bound:.6f} over the optimum {best.money:.6f}")
    if total < best.money_bound - loose:
        found.append(f"total {total:.6f} under the optimum's bound {best.money_bound:.6f}")
    if total > best.money + ties + answer.gap + loose:
        found.append(f"total {total:.6f} over the optimum {best.money:.6f} by more than the gap {answer.gap:.6f}")
    if answer.status == "optimal" and answer.gap > GAP_WORTH_KWH * price + 1e-9:
        found.append(f"gap {answer.gap:.6f} is over the worth of 3 Wh, and yet said to be optimal")
    shortages = (
        ("on the way", weighted_on_the_way(night, replayed), best.on_the_way),
        ("missing at departure", float(replayed.missing_kwh.sum()), best.missing_at_departure),
        ("missing when ready", float(replayed.missing_when_ready_kwh.sum()), best.missing_when_ready),
    )
    found += [f"{name}: {ours:.5f}, not {theirs:.5f}" for name, ours, theirs in shortages if ours > theirs + SAME_KWH]
    return found


def main() -> int:
    """Print every fault, and how the nights were solved; return 1 if there is any fault."""
    first, count = (int(word) for word in [*sys.argv[1:], *("0", "1000")[len(sys.argv) - 1 :]])
    ways: Counter[str] = Counter()
    gaps, broken = [], 0
    for seed in range(first, first + count):
        night = random_night(seed)
        answer = solve(night)
        ways[f"{answer.way}, {answer.status}"] += 1
        gaps.append(1000 * answer.gap / (night.highest_price or 1.0))
        for fault in faults(night, answer, independent_optimum(night)):
            broken += 1
            print(f"seed {seed}: {fault}", flush=True)
    print(f"{count} nights: {dict(ways)}; gaps in Wh at the highest price: median {np.median(gaps):.2f}, "
          f"99 of 100 under {np.percentile(gaps, 99):.2f}, largest {max(gaps):.2f}; {broken} faults")  # fmt: skip
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
