"""The kinds of value in the TOML files, each with a description of what is expected."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from models.base.clock import MINUTES_A_DAY
from scheduler.textio.errors import did_you_mean, shown
from scheduler.textio.parse_clock import clock_minutes

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
SMALLEST_SEGMENT_PERCENT = 0.01
MOST_SEGMENTS = 50
MOST_ENTRIES = 100
"""Most entries of a list of names; no list needs so many."""
BILL_LINES = ("import", "export", "daily_fee", "monthly_fee", "connection_fee", "demand_charge")
_LINES_IN_WORDS = ", ".join(f'"{line}"' for line in BILL_LINES)
_DAYS_IN_WORDS = ", ".join(f'"{day}"' for day in DAYS)


def clock_of_minutes(minutes: int) -> str:
    """Return the clock time "HH:MM" of minutes since midnight.

    Examples
    --------
    >>> clock_of_minutes(450)
    '07:30'
    """
    return f"{minutes // 60:02}:{minutes % 60:02}"


def _clock_or_midnight(value: object) -> int:
    minutes = clock_minutes(value) if isinstance(value, str) else None
    if minutes is None:
        raise ValueError(f"found {shown(value)}")
    return minutes


def _clock(value: object) -> int:
    minutes = _clock_or_midnight(value)
    if minutes == MINUTES_A_DAY:
        raise ValueError(f"found {shown(value)}")
    return minutes


def _hours(value: object) -> tuple[int, int]:
    if not isinstance(value, list) or len(value) != 2 or value[0] == value[1]:
        raise ValueError(f"found {shown(value)}")
    return _clock(value[0]), _clock(value[1])


def _after_midnight(value: object) -> int:
    minutes = _clock_or_midnight(value)
    if minutes == 0:
        raise ValueError(f"found {shown(value)}")
    return minutes


def _line(value: object) -> str:
    if not (isinstance(value, str) and value in BILL_LINES):
        nearest = did_you_mean(value, BILL_LINES) if isinstance(value, str) else ""
        raise ValueError(f"found {shown(value)}{nearest}")
    return value


def _lines(value: object) -> frozenset[str]:
    return frozenset(_line(entry) for entry in _distinct(value))


def _demand_minutes(minutes: int) -> int:
    if minutes not in (15, 30, 60):
        raise ValueError(f"found {shown(minutes)}")
    return minutes


def _day(value: object) -> int:
    if not (isinstance(value, str) and value in DAYS):
        raise ValueError(f"found {shown(value)}")
    return DAYS.index(value)


def _month(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 12:
        raise ValueError(f"found {shown(value)}")
    return value


def _days(value: object) -> frozenset[int]:
    return frozenset(_day(entry) for entry in _distinct(value))


def _months(value: object) -> frozenset[int]:
    return frozenset(_month(entry) for entry in _distinct(value))


def _distinct(value: object) -> list[object]:
    """Return a list with at least one entry and none twice; raise ValueError for any other value."""
    if not isinstance(value, list) or not 1 <= len(value) <= MOST_ENTRIES:
        raise ValueError(f"found {shown(value)}")
    twice = [entry for index, entry in enumerate(value) if entry in value[:index]]
    if twice:
        raise ValueError(f"found {shown(twice[0])} twice")
    return value


def _rising_to_100(edges: list[float]) -> list[float]:
    if len(edges) > MOST_SEGMENTS:
        raise ValueError(f"found {len(edges)} numbers")
    steps = [later - earlier for earlier, later in zip([0.0, *edges], edges, strict=False)]
    if not edges or edges[-1] != 100 or min(steps) < SMALLEST_SEGMENT_PERCENT:
        raise ValueError(f"found {shown(edges)}")
    return edges


def _step(minutes: int) -> int:
    if minutes not in (5, 10, 15, 30, 60):
        raise ValueError(f"found {shown(minutes)}")
    return minutes


def _name(text: str) -> str:
    if not text.strip() or not text.isprintable():
        raise ValueError(f"found {shown(text)}")
    return text


def _currency(text: str) -> str:
    if not re.fullmatch(r"[A-Z]{3}", text):
        raise ValueError(f"found {shown(text)}")
    return text


FormatOne = Annotated[int, Field(ge=1, le=1, description="1, the format that this version reads")]
Name = Annotated[str, AfterValidator(_name), Field(description="text on one line, not empty")]
Currency = Annotated[str, AfterValidator(_currency), Field(description='three capital letters, such as "EUR"')]
FilePath = Annotated[str, Field(description="a file, relative to the site folder")]
YesOrNo = Annotated[bool, Field(description="true or false")]

EdgesPercent = Annotated[
    list[float],
    AfterValidator(_rising_to_100),
    Field(description=f"a list of up to {MOST_SEGMENTS} numbers over 0 that rise to 100"),
]

Phases = Annotated[int, Field(ge=1, le=3, description="1, 2 or 3")]
Step = Annotated[int, AfterValidator(_step), Field(description="5, 10, 15, 30 or 60")]
ReadyMinutes = Annotated[int, Field(ge=0, le=MINUTES_A_DAY, description="a whole number from 0 to 1440")]

MaxBlocks = Annotated[int, Field(ge=1, le=48, description="a whole number from 1 to 48")]
BlockMinutes = Annotated[int, Field(ge=5, le=720, description="a whole number from 5 to 720")]

Clock = Annotated[int, BeforeValidator(_clock), Field(description='a clock time "00:00" to "23:59", in quotes')]
Hours = Annotated[
    tuple[int, int],
    BeforeValidator(_hours),
    Field(description='two different clock times "00:00" to "23:59", such as ["06:30", "23:00"]'),
]
ClockOrMidnight = Annotated[
    int, BeforeValidator(_clock_or_midnight), Field(description='a clock time "00:00" to "24:00", in quotes')
]
KnownUntil = Annotated[
    int, BeforeValidator(_after_midnight), Field(description='a clock time "00:01" to "24:00", in quotes')
]
TaxCovers = Annotated[
    frozenset[str],
    BeforeValidator(_lines),
    Field(description=f"a list of lines of the bill, each once: {_LINES_IN_WORDS}"),
]
DemandMinutes = Annotated[int, AfterValidator(_demand_minutes), Field(description="15, 30 or 60")]
Day = Annotated[int, BeforeValidator(_day), Field(description=f"one of {_DAYS_IN_WORDS}")]
Days = Annotated[
    frozenset[int], BeforeValidator(_days), Field(description=f"a list of days, each once: {_DAYS_IN_WORDS}")
]
Months = Annotated[frozenset[int], BeforeValidator(_months), Field(description="a list of months 1 to 12, each once")]
