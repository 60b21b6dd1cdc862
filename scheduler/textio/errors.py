"""Faults of the input: where each was found, what was found, and what is expected."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches

MOST_SHOWN_CHARACTERS = 40
MOST_LISTED = 10
"""Faults of one file that are told, and then how many more."""
MOST_TOLD = 20
"""Faults of a command that are told, and then how many more."""
MOST_FOUND = 10_000
"""A file with more faults than this is not read on."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input.

    Attributes
    ----------
    file : path of the file as it was given, or the name of the command-line option.
    line : line in the file, the first is 1; None where no line tells.
    key : key in a TOML file such as `car.floor_percent`, or column of a CSV file; None for the whole line.
        Tables and list entries of which there may be several are counted from 1: `import[2].from`.
    message : what was found and what is expected.
    counts : faults that this one stands for without telling them; 0 where it tells one.
    """

    file: str
    line: int | None
    key: str | None
    message: str
    counts: int = 0

    def __str__(self) -> str:
        """One line, such as `site.toml line 14, car.floor_percent: 120 is over 100; expected 0 to 100`."""
        line = "" if self.line is None else f" line {self.line}"
        key = "" if self.key is None else f", {self.key}"
        return " ".join(f"{self.file}{line}{key}: {self.message}".splitlines())


class InputFaults(Exception):  # noqa: N818 - the plural says what it carries
    """The input is at fault; carries the faults that were found, at least one, as `faults`.

    Its text tells the first 20 and how many more there are.
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        if not self.faults:
            raise ValueError("InputFaults needs at least one fault")
        super().__init__(self.faults)

    @property
    def told(self) -> tuple[Fault, ...]:
        """The first 20 faults; those that only count others are left to `more`."""
        return tuple(fault for fault in self.faults if not fault.counts)[:MOST_TOLD]

    @property
    def more(self) -> int:
        """How many faults there are besides those told."""
        found = sum(fault.counts or 1 for fault in self.faults)
        return found - len(self.told)

    def __str__(self) -> str:
        """One line per fault, and one that counts those that are not told."""
        more = [f"and {self.more} more fault{'' if self.more == 1 else 's'}"] if self.more else []
        return "\n".join([*map(str, self.told), *more])


class NotWrittenError(Exception):
    """A file could not be written; what was there before is as it was. The text says where and why."""


def single_fault(file: object, message: str, line: int | None = None, key: str | None = None) -> InputFaults:
    """The exception to raise for one fault alone."""
    return InputFaults([Fault(str(file), line, key, message)])


def in_line_order(faults: Iterable[Fault]) -> list[Fault]:
    """Faults of one file from its first line to its last, those without a line first."""
    return sorted(faults, key=lambda fault: fault.line or 0)


def listed(faults: list[Fault]) -> list[Fault]:
    """The first faults of one file, and a last one that counts the rest."""
    rest = len(faults) - MOST_LISTED
    if rest <= 0:
        return faults
    return [*faults[:MOST_LISTED], Fault(faults[0].file, None, None, f"and {rest} more", counts=rest)]


def shown(value: object) -> str:
    """A found value as a message shows it: on one line, at most about 40 characters."""
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
    """Text cut to about 40 characters, or another number, with nothing in it that a terminal would act on."""
    cut = text if len(text) <= most else text[: most - 1] + "…"
    return "".join(character if character.isprintable() else "?" for character in cut)


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`; did you mean …?` with the nearest known word, or nothing if none is near."""
    by_lower_case = {name.lower(): name for name in sorted(known)}
    nearest = get_close_matches(word[:100].lower(), by_lower_case, n=1, cutoff=0.5)
    return f"; did you mean {by_lower_case[nearest[0]]}?" if nearest else ""
