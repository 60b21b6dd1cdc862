"""Plans set by hand at 15 minutes: with all ties, against the money alone solved to its gap; gaps and blocks counted.

python -m tests.benchmarks.by_hand
"""

from __future__ import annotations

from dataclasses import replace

from scheduler.inputs.control_mode import Setting
from scheduler.nights.night import Night
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import GAP_WORTH_KWH, first_stage
from scheduler.optimizer.solve import solve
from tests.benchmarks.one_night import demo_night
from tests.benchmarks.ratios import compare


def proven(night: Night) -> None:
    """Minimise the money alone, by branch and bound of the whole program until its gap closes."""
    first_stage(compact_matrix(night), True).with_priorities(GAP_WORTH_KWH * night.highest_price)


def main() -> None:
    """Print two lines for each way of setting and each step."""
    for step in (60, 15):
        for set_by in ("blocks", "current"):
            night = replace(demo_night(step), setting=Setting(set_by, 4, 60))
            compare(f"{step} min, {set_by}, against money alone", lambda: solve(night), lambda: proven(night), 3, 0.5)  # noqa: B023
            answer = solve(night)
            gap_wh = 1000 * answer.gap / night.highest_price
            print(f"  {answer.status}, gap worth {gap_wh:.0f} Wh, {len(answer.blocks or ())} blocks")


if __name__ == "__main__":
    main()
