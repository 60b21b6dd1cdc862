"""Bounding a period at once, its plan carried out, against rolling the same days with perfect foresight.

python -m tests.benchmarks.full_horizon [days]
"""

from __future__ import annotations

import sys
from datetime import date, timedelta

from scheduler.inputs.site_inputs import read_inputs
from scheduler.rolling.full_horizon import full_horizon
from scheduler.rolling.run import RolledRun, roll
from tests.benchmarks.ratios import compare
from tests.builders.places import SCENARIOS


def main() -> None:
    """Print the ratio for a fortnight of the demo, or for as many days as asked."""
    days = int(sys.argv[1]) if len(sys.argv) > 1 else 14
    inputs = read_inputs(SCENARIOS / "bookbindery")
    first, soc = date(2026, 1, 5), inputs.site.car.ceiling_percent
    last = first + timedelta(days=days - 1)
    rolled = RolledRun("the demo", inputs, first, last, soc, "recorded")
    compare(
        f"{days} days bounded at once", lambda: full_horizon(inputs, first, last, soc), lambda: roll(rolled), 3, 1.0
    )


if __name__ == "__main__":
    main()
