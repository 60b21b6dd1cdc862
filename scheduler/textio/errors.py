"""Faults in the input: where each is, what was found, and what is expected."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches
from typing import TypeVar

Content = TypeVar("Content")

MOST_SHOWN_CHARACTERS = 40
MOST_LISTED = 10
"""Number of faults reported per file; the rest are only counted."""
MOST_TOLD = 20
"""Number of faults reported per command; the rest are only counted."""
MOST_FOUND = 10_000
"""Reading a file stops at this number of faults."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault in the input.

    Attributes
    ----------
    file : path of the file as it was given, or the name of the command-line option.
    line : line in the file, counted from 1; None where no line can be named.
    key : key in a TOML file such as `car.floor_percent`, or column of a CSV file; None for the whole line.
        Array tables and list entries are counted from 1: `import[2].from`.
    message : what was found and what is expected.
    counts : number of faults that this one only counts; 0 where it reports a fault itself.

    Examples
    --------
    >>> print(Fault("site.toml", 14, "car.floor_percent", "120 is over 100; expected 0 to 100"))
    site.toml line 14, car.floor_percent: 120 is over 100; expected 0 to 100
    """

    file: str
    line: int | None
    key: str | None
    message: str
    counts: int = 0

    def __str__(self) -> str:
        """Return the fault on one line."""
        line = "" if self.line is None else f" line {self.line}"
        key = "" if self.key is None else f", {self.key}"
        return " ".join(f"{self.file}{line}{key}: {self.message}".splitlines())


class InputFaults(Exception):  # noqa: N818 - the plural says what it carries
    """The input is at fault; `faults` holds the faults found, at least one.

    The text gives the first 20 and how many more there are.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        if not self.faults:
            raise ValueError("InputFaults needs at least one fault")
        super().__init__(self.faults)

    @property
    def told(self) -> tuple[Fault, ...]:
        """Return the first 20 faults; those that only count others are left to `more`."""
        return tuple(fault for fault in self.faults if not fault.counts)[:MOST_TOLD]

    @property
    def more(self) -> int:
        """Return how many faults there are besides the first 20."""
        found = sum(fault.counts or 1 for fault in self.faults)
        return found - len(self.told)

    def __str__(self) -> str:
        """Return one line per fault, and one that counts the rest."""
        more = [f"and {self.more} more fault{'' if self.more == 1 else 's'}"] if self.more else []
        return "\n".join([*map(str, self.told), *more])


class NotWrittenError(Exception):
    """A file could not be written, and what was there before is unchanged. The text says where and why."""


def single_fault(file: object, message: str, line: int | None = None, key: str | None = None) -> InputFaults:
    """Return the exception to raise for a single fault."""
    return InputFaults([Fault(str(file), line, key, message)])


def collected(read: Callable[[], Content], faults: list[Fault]) -> Content | None:
    """Return what `read` returns; None after adding the faults that it raises.

    Examples
    --------
    >>> found: list[Fault] = []
    >>> collected(lambda: int("7"), found), found
    (7, [])
    """
    try:
        return read()
    except InputFaults as error:
        faults += error.faults
        return None


def in_line_order(faults: Iterable[Fault]) -> list[Fault]:
    """Return the faults of one file in line order, those without a line first."""
    return sorted(faults, key=lambda fault: fault.line or 0)


def listed(faults: list[Fault]) -> list[Fault]:
    """Return the first faults of one file, and a last one that counts the rest."""
    rest = len(faults) - MOST_LISTED
    if rest <= 0:
        return faults
    return [*faults[:MOST_LISTED], Fault(faults[0].file, None, None, f"and {rest} more", counts=rest)]


def shown(value: object) -> str:
    r"""Return a value as a message shows it: on one line, at most about 40 characters.

    Examples
    --------
    >>> shown(True), shown("two\nlines"), shown([1.5, "a"])
    ('true', '"two?lines"', '[1.5, "a"]')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{shortened(value)}"'
    if isinstance(value, int) and abs(value) >= 10**MOST_SHOWN_CHARACTERS:
        return f"a whole number of over {MOST_SHOWN_CHARACTERS} digits"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        first = value[:MOST_SHOWN_CHARACTERS]
        entries = ", ".join("a list" if isinstance(entry, list) else shown(entry) for entry in first)
        return shortened(f"[{entries}]")
    return shortened(str(value))


def shortened(text: str, most: int = MOST_SHOWN_CHARACTERS) -> str:
    """Return text cut to `most` characters, without anything that a terminal would act on.

    Examples
    --------
    >>> shortened("a long sentence", 7)
    'a long…'
    """
    cut = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(character if character.isprintable() else "?" for character in cut)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return `; did you mean …?` with the nearest known word, or "" if none is near.

    Examples
    --------
    >>> did_you_mean("flor_percent", ["floor_percent", "ceiling_percent"])
    '; did you mean floor_percent?'
    >>> did_you_mean("volts", ["floor_percent", "ceiling_percent"])
    ''
    """
    by_lower_case = {name.lower(): name for name in sorted(known)}
    nearest = get_close_matches(word[:100].lower(), by_lower_case, n=1, cutoff=0.5)
    return f"; did you mean {by_lower_case[nearest[0]]}?" if nearest else ""
