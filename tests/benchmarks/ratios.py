"""Timing two things in turn, and their ratio: the machine's own speed cancels out."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable


def seconds(work: Callable[[], object]) -> float:
    """Return the wall time of one run [s]."""
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def compare(name: str, work: Callable[[], object], reference: Callable[[], object], runs: int, aim: float) -> None:
    """Run both in turn after one warm-up and print medians, the median ratio and its range."""
    work(), reference()
    pairs = [(seconds(work), seconds(reference)) for _ in range(runs)]
    ratios = sorted(ours / theirs for ours, theirs in pairs)
    ours, theirs = (statistics.median(column) for column in zip(*pairs, strict=True))
    print(
        f"{name}: {1000 * ours:.0f} ms against {1000 * theirs:.0f} ms, ratio {statistics.median(ratios):.2f} "
        f"({ratios[0]:.2f} to {ratios[-1]:.2f} in {runs} runs), aim {aim:g}"
    )
