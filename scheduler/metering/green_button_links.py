"""Find what belongs together in a Green Button file by its Atom links: usage point, reading type and readings.

A MeterReading links to its ReadingType and to the collection of its IntervalBlocks with rel="related"; an IntervalBlock
names that collection with rel="up", and its own address with rel="self" begins with that of its MeterReading. The same
holds between a UsagePoint and its MeterReadings. Where there is only one candidate, links may be missing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from models.base.arrays import IntArray
from scheduler.metering.green_button_xml import Entry, Feed
from scheduler.textio.errors import MOST_LISTED, Fault, InputFaults, in_line_order, shortened


class FaultList:
    """Faults of one file as they are found: the first are kept, the others only counted."""

    def __init__(self, file: str) -> None:
        self._file = file
        self._kept: list[Fault] = []
        self._others = 0

    def add(self, line: int | None, key: str | None, message: str) -> None:
        """Add a fault."""
        self._kept.append(Fault(self._file, line, key, message))

    def count(self, others: int) -> None:
        """Count further faults, beyond the ten that were added."""
        self._others += max(others, 0)

    def raise_any(self) -> None:
        """Raise `InputFaults` if there are faults: the first ten in line order, and how many more."""
        if not self._kept:
            return
        shown = in_line_order(self._kept)[:MOST_LISTED]
        rest = len(self._kept) - len(shown) + self._others
        if rest:
            shown.append(Fault(self._file, None, None, f"and {rest} more"))
        raise InputFaults(shown)


@dataclass(frozen=True, slots=True, eq=False)
class Register:
    """A MeterReading with what belongs to it.

    Attributes
    ----------
    name : its title, or the end of its address.
    meter : title of its UsagePoint, or the end of its address; "" if the file has none.
    line : of the MeterReading, None if the file has none.
    usage_point : None if the file has none.
    reading_type : which says what its readings are.
    rows : indices of its readings in file order, shape (n,).
    """

    name: str
    meter: str
    line: int | None
    usage_point: Entry | None
    reading_type: Entry
    rows: IntArray


def registers_of(feed: Feed, faults: FaultList) -> list[Register]:
    """Return the MeterReadings that have readings, in file order; add a fault for each whose links lead nowhere."""
    names, meters = _names(feed.meter_readings, "MeterReading"), _names(feed.usage_points, "UsagePoint")
    usage_points = _Parents(feed.usage_points)
    registers = []
    for index, rows in _rows_by_meter_reading(feed, faults):
        meter_reading = feed.meter_readings[index] if feed.meter_readings else None
        reading_type = _reading_type(feed, meter_reading, faults)
        point = _usage_point(feed, usage_points, meter_reading, faults)
        if reading_type is not None:
            name = names[index] if meter_reading else "the only register"
            meter = "" if point is None else meters[point]
            line = meter_reading.line if meter_reading else None
            usage_point = None if point is None else feed.usage_points[point]
            registers.append(Register(name, meter, line, usage_point, reading_type, rows))
    return registers


def _names(entries: Sequence[Entry], kind: str) -> list[str]:
    """Return a name for each entry: its title, with the end of its address if the title is missing or not unique."""
    titles = Counter(entry.title for entry in entries)
    names = []
    for number, entry in enumerate(entries, start=1):
        address = shortened(entry.own.rpartition("/")[2]) or f"{kind} {number}"
        title = shortened(" ".join(entry.title.split()))
        names.append(address if not title else title if titles[entry.title] == 1 else f"{title} ({address})")
    return names


class _Parents:
    """Entries among which the parent of another entry is found."""

    def __init__(self, entries: Sequence[Entry]) -> None:
        self._count = len(entries)
        self._by_own: dict[str, int] = {}
        self._by_related: dict[str, set[int]] = {}
        for index, entry in enumerate(entries):
            if entry.own:
                self._by_own.setdefault(entry.own, index)
            for link in entry.related:
                self._by_related.setdefault(link, set()).add(index)

    def of(self, child: Entry) -> int | None:
        """Return the index of the parent: the only entry if there is just one; None if the links lead to none."""
        if self._count == 1:
            return 0
        for link in (child.own, child.up):
            found = self._by_related.get(link, set()) if link else set()
            if len(found) == 1:
                return min(found)
        for link in (child.own, child.up):
            rest = link
            while "/" in rest:
                rest = rest.rpartition("/")[0]
                if rest in self._by_own:
                    return self._by_own[rest]
        return None


def _rows_by_meter_reading(feed: Feed, faults: FaultList) -> list[tuple[int, IntArray]]:
    """Return the readings of each MeterReading that has any; index 0 for all if there is no MeterReading."""
    parents = _Parents(feed.meter_readings)
    owner = np.zeros(len(feed.interval_blocks), dtype=np.int64)
    for index, block in enumerate(feed.interval_blocks if len(feed.meter_readings) > 1 else ()):
        found = parents.of(block)
        if found is None:
            count = len(feed.meter_readings)
            message = f"its links lead to none of the {count} MeterReadings; expected an up link into one of them"
            faults.add(block.line, "IntervalBlock", message)
        owner[index] = -1 if found is None else found
    owner_of_row = owner[feed.readings.block]
    order = np.argsort(owner_of_row, kind="stable")
    found_owners, first = np.unique(owner_of_row[order], return_index=True)
    rows = np.split(order, first[1:])
    return [(int(index), own_rows) for index, own_rows in zip(found_owners, rows, strict=False) if index >= 0]


def _reading_type(feed: Feed, meter_reading: Entry | None, faults: FaultList) -> Entry | None:
    """Return the ReadingType of a MeterReading; None after adding a fault."""
    types = feed.reading_types
    related = frozenset(meter_reading.related) if meter_reading else frozenset()
    linked = {entry.own: entry for entry in types if entry.own in related}
    if len(linked) == 1:
        return next(iter(linked.values()))
    dangling = not linked and any("/ReadingType/" in f"/{link}" for link in related)
    if len(types) == 1 and (not dangling or len(feed.meter_readings) == 1):
        return types[0]
    if not types:
        problem = "the file has no ReadingType"
    elif linked:
        problem = f"its links lead to {len(linked)} ReadingTypes"
    else:
        problem = f"its links lead to none of the ReadingTypes in the file ({len(types)})"
    line = meter_reading.line if meter_reading else None
    faults.add(line, "MeterReading", f"{problem}; expected a related link to one, which gives the unit")
    return None


def _usage_point(feed: Feed, usage_points: _Parents, meter_reading: Entry | None, faults: FaultList) -> int | None:
    """Return the index of the UsagePoint of a MeterReading; None if there is none, or after adding a fault."""
    count = len(feed.usage_points)
    if count == 0 or (count == 1 and meter_reading is None):
        return None if count == 0 else 0
    found = usage_points.of(meter_reading) if meter_reading else None
    if found is None:
        message = f"its links lead to none of the {count} UsagePoints; expected an up link into one of them"
        faults.add(meter_reading.line if meter_reading else None, "MeterReading", message)
    return found
