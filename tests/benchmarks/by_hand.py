"""Plans set by hand at 15 minutes on nights of the three demo sites: CPU time, gap and blocks; nothing is asserted.

Settings count and keep to waking hours as in a site that says nothing of them; "free" leaves both out.

python -m tests.benchmarks.by_hand [step in minutes] [free]
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Iterator
from dataclasses import replace

from scheduler.inputs.control_mode import WAKING_HOURS, Setting
from scheduler.inputs.site_inputs import read_inputs
from scheduler.nights.build_night import build_night
from scheduler.nights.night import Night
from scheduler.nights.parse_request import RequestOptions, parse_request
from scheduler.optimizer.solve import solve
from tests.builders.places import SCENARIOS

ASKED = {
    "bookbindery": (
        RequestOptions(71, now="2026-03-02T18:20", trips=("07:30-18:00 96km",)),
        RequestOptions(55, now="2026-03-06T17:35"),
        RequestOptions(40, now="2026-01-14T19:05", trips=("06:30-15:10 40km",)),
        RequestOptions(78, now="2026-05-20T18:00"),
    ),
    "veterinary": (
        RequestOptions(64, now="2026-02-02T17:40"),
        RequestOptions(75, now="2026-01-08T18:10"),
        RequestOptions(45, now="2026-03-10T19:20"),
        RequestOptions(55, now="2025-11-20T17:00", trips=("20:00-22:30 30km", "07:15-12:00 64km")),
    ),
    "boatyard": (
        RequestOptions(70, now="2026-02-03T17:30"),
        RequestOptions(50, now="2026-05-12T18:10"),
        RequestOptions(80, now="2026-03-20T16:40"),
        RequestOptions(45, now="2026-06-05T19:00"),
    ),
}
"""State of charge, time and trips of each night."""


def nights(step_minutes: int, free: bool) -> Iterator[tuple[str, Night]]:
    """Yield each night with its name, in blocks of any power and in whole amps; where free, settings count nothing."""
    for name, asked in ASKED.items():
        inputs = read_inputs(SCENARIOS / name)
        inputs = replace(inputs, site=replace(inputs.site, plan=replace(inputs.site.plan, step_minutes=step_minutes)))
        for options in asked:
            night = build_night(inputs, parse_request(options, inputs))[0]
            for set_by in ("blocks", "current"):
                setting = Setting(set_by, 4, 60, worth=None, between=WAKING_HOURS)
                yield (
                    f"{name} {options.now}, {set_by}",
                    replace(night, setting=Setting(set_by, 4, 60) if free else setting),
                )


def main() -> None:
    """Print one line for each night, and medians and the worst."""
    step = int(sys.argv[1]) if len(sys.argv) > 1 else 15
    free = "free" in sys.argv[2:]
    times, gaps = [], []
    for name, night in nights(step, free):
        began = time.process_time()
        answer = solve(night)
        times.append(time.process_time() - began)
        gaps.append(1000 * answer.gap / night.highest_price)
        money = answer.money / night.highest_price
        print(
            f"{name}: {times[-1]:.1f} s, worth of {money:.3f} kWh, gap {gaps[-1]:.0f} Wh, {answer.status}, "
            f"{len(answer.blocks or ())} blocks",
            flush=True,
        )
    print(
        f"median {statistics.median(times):.1f} s, worst {max(times):.1f} s; "
        f"gap: median {statistics.median(gaps):.0f} Wh, worst {max(gaps):.0f} Wh"
    )


if __name__ == "__main__":
    main()
