"""Python processes that a test starts, waits for by what they print, and stops; nothing goes by the clock.

What is waited for is a line, or the end of all who could still print: a read that blocks lasts until then, on a machine
under load too. Should neither ever come, the process group is killed after HUNG_SECONDS, so that a hung run of tests
ends, and the test fails for want of the line.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import IO

HUNG_SECONDS = 1800.0
"""Far beyond what any of these takes; no verdict goes by it."""


@dataclass(slots=True)
class Started:
    """A process with a group of its own, and what it and its descendants print.

    Attributes
    ----------
    hung : it was killed because nothing came of it for HUNG_SECONDS.
    """

    process: subprocess.Popen[str]
    printed: IO[str]
    hung: threading.Event = field(default_factory=threading.Event)

    def wait_for(self, line: str, times: int = 1) -> None:
        """Read what is printed until a line has come so many times; fails if all who could print it end before."""
        before: list[str] = []
        while before.count(line) < times:
            read = self.printed.readline()
            assert read, f"ended without {line!r}: {before}"
            before.append(read.rstrip("\n"))

    def wait_for_all(self) -> str:
        """Read until the process and every descendant that shares its output has ended; gives what they printed."""
        rest = self.printed.read()
        assert not self.hung.is_set(), "a process did not end by itself"
        return rest

    def signal_all(self, how: signal.Signals) -> int:
        """Send a signal to the process and its descendants; gives the exit code of the process."""
        os.killpg(self.process.pid, how)
        return self.process.wait()


HEARS_CTRL_C = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"
"""A shell's job in the background ignores Ctrl-C, and so does what it starts, unless told otherwise."""


@contextmanager
def started(code: str, *words: str) -> Iterator[Started]:
    """Run Python code in a process of its own; whatever of it is left at the end of the block is killed."""
    process = subprocess.Popen(
        [sys.executable, "-c", HEARS_CTRL_C + code, *words], start_new_session=True, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    begun = Started(process, process.stdout)

    def end() -> None:
        begun.hung.set()
        _kill(process.pid)

    net = threading.Timer(HUNG_SECONDS, end)
    net.daemon = True
    net.start()
    try:
        yield begun
    finally:
        net.cancel()
        _kill(process.pid)
        process.wait()
        process.stdout.close()


def _kill(group: int) -> None:
    with suppress(ProcessLookupError):
        os.killpg(group, signal.SIGKILL)
