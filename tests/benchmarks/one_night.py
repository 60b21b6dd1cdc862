"""One night of the demo site: build, hand over, solve and extract, against HiGHS alone on the same matrix.

python -m tests.benchmarks.one_night
"""

from __future__ import annotations

from dataclasses import replace

import highspy

from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.compact import compact_matrix
from scheduler.optimizer.lexicographic import FEW_HEURISTICS, GAP_WORTH_KWH
from scheduler.optimizer.matrix_builder import Matrix
from scheduler.optimizer.objectives import OBJECTIVES
from scheduler.optimizer.solve import solve
from tests.benchmarks.ratios import compare
from tests.builders.places import SCENARIOS

DEMO = SCENARIOS / "bookbindery"
WORDS = RequestOptions(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",))


def demo_night(step_minutes: int) -> Night:
    """Return the demo night at a length of interval [min]."""
    inputs = read_inputs(DEMO)
    inputs = replace(inputs, site=replace(inputs.site, plan=replace(inputs.site.plan, step_minutes=step_minutes)))
    return build_night(inputs, parse_request(WORDS, inputs))[0]


def bare(matrix: Matrix, night: Night, options: dict[str, bool]) -> None:
    """Minimise the money in HiGHS alone, presolve on, one thread, to the gap of the design."""
    highs = highspy.Highs()
    highs.silent()
    for option, value in {"threads": 1, "presolve": "on", "mip_rel_gap": 0.0, **options}.items():
        highs.setOptionValue(option, value)
    highs.setOptionValue("mip_abs_gap", GAP_WORTH_KWH * night.highest_price)
    highs.passModel(matrix.lp)
    row = OBJECTIVES.index("least_money")
    columns = range(matrix.lp.num_col_)
    highs.changeColsCost(len(columns), list(columns), matrix.cost[row])
    highs.run()


def main() -> None:
    """Print one line per interval length and reference."""
    for step in (60, 30, 15):
        night = demo_night(step)
        matrix = compact_matrix(night)
        for options, name in (({}, "HiGHS as it comes"), (FEW_HEURISTICS, "HiGHS with our options")):
            reference = lambda: bare(matrix, night, options)  # noqa: B023, E731 - used in this turn of the loop only
            compare(f"{step} min, with ties, against {name}", lambda: solve(night), reference, 5, 2)  # noqa: B023
        compare(f"{step} min, the matrix alone", lambda: compact_matrix(night), reference, 5, 2)  # noqa: B023


if __name__ == "__main__":
    main()
