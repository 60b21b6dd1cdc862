"""Progress on standard error: bars where that is a terminal, and a line a minute where it is not."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn
from rich.text import Text

from scheduler.textio.format import counted_text, duration_text

if TYPE_CHECKING:
    from scheduler.rolling.process_pool import Work

LINE_SECONDS = 60.0
"""How often a line tells the nights that are done, where there is no terminal [s]."""


@contextmanager
def steps_shown(steps: Sequence[str]) -> Iterator[Callable[[str], None]]:
    """Yield a function to call with the name of each step as it begins; the bar disappears at the end."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda step: None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(steps[0], total=len(steps))
        yield lambda step: bar.update(task, description=step, completed=steps.index(step))


class NightsShown:
    """A bar of the nights that are done, with the time left; where there is no terminal, a line of it a minute.

    Parameters
    ----------
    clock : tells the time [s].
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        console = Console(stderr=True)
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        self._bar = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
        self._task = self._bar.add_task("Reading the files", total=None)
        self._clock = clock
        self._nights = 0
        self._began = self._told = clock()

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self._bar.stop()

    def begin(self, work: Work[Any]) -> None:
        """Show how many nights there are to do."""
        self._nights = work.nights
        self._began = self._told = self._clock()
        self._bar.update(self._task, description="Nights", total=work.nights, completed=0)

    def say(self, text: str) -> None:
        """Print a sentence on standard error, above the bar where there is one."""
        self._bar.console.print(Text(text), soft_wrap=True)

    def progress(self, nights: int) -> None:
        """Show how many nights are done."""
        self._bar.update(self._task, completed=nights)
        now = self._clock()
        if self._bar.disable and now - self._told >= LINE_SECONDS:
            self._told = now
            left = (now - self._began) * (self._nights - nights) / nights if nights else None
            told = "" if left is None or left <= 0 else f", {duration_text(left)} left"
            self.say(f"{nights:,} of {counted_text(self._nights, 'night')} done{told}.")

    def looked_at(self, nights: int, of: int) -> None:
        """Show how many nights are done, and of how many."""
        self._bar.update(self._task, description="Nights", total=of, completed=nights)
