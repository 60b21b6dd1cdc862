"""Faults of the input: where each was found, what was found, and what is allowed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, time
from difflib import get_close_matches

MOST_SHOWN_CHARACTERS = 40
MOST_LISTED = 10


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with the input.

    Attributes
    ----------
    file : path of the file as it was given, or the name of the command-line option.
    line : line in the file, the first is 1; None where no line tells.
    key : key in a TOML file such as `car.floor_percent`, or column of a CSV file; None for the whole line.
        Tables and list entries of which there may be several are counted from 1: `import[2].from`.
    message : what was found and what is allowed.
    """

    file: str
    line: int | None
    key: str | None
    message: str

    def __str__(self) -> str:
        """One line, such as `site.toml line 14, car.floor_percent: 120 is over 100; expected 0 to 100`."""
        line = "" if self.line is None else f" line {self.line}"
        key = "" if self.key is None else f", {self.key}"
        return " ".join(f"{self.file}{line}{key}: {self.message}".splitlines())


class InputFaults(Exception):  # noqa: N818 - the plural says what it carries
    """The input is at fault; carries every fault that was found, at least one, as `faults`."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = tuple(faults)
        if not self.faults:
            raise ValueError("InputFaults needs at least one fault")
        super().__init__(self.faults)

    def __str__(self) -> str:
        """One line a fault."""
        return "\n".join(str(fault) for fault in self.faults)


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
    return [*faults[:MOST_LISTED], Fault(faults[0].file, None, None, f"and {rest} more")]


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
