"""The compact formulation against the reference formulation, both in HiGHS as it comes: least money to the same gap.

python -m tests.benchmarks.formulations
"""

from __future__ import annotations

from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.pyomo_matrix import compile_matrix
from tests.benchmarks.one_night import bare, demo_night
from tests.benchmarks.ratios import compare


def main() -> None:
    """Print one line per interval length."""
    for step, runs in ((60, 5), (30, 5), (15, 5), (5, 1)):
        night = demo_night(step)
        compact, reference = compact_matrix(night), compile_matrix(night)
        name = f"{night.intervals} intervals, the compact formulation against the reference formulation"
        compare(name, lambda: bare(compact, night, {}), lambda: bare(reference, night, {}), runs, 0.33)  # noqa: B023


if __name__ == "__main__":
    main()
