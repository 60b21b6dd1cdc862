"""A progress bar over named steps, on standard error, and only where that is a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn


@contextmanager
def steps_shown(steps: Sequence[str]) -> Iterator[Callable[[str], None]]:
    """Give a function to call with the name of each step as it begins; the bar goes away at the end."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda step: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(steps[0], total=len(steps))
        yield lambda step: bar.update(task, description=step, completed=steps.index(step))
