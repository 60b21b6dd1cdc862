"""Parse Green Button XML as a stream: Atom entries with their links and codes, and all readings.

Names of elements are those of the published ESPI schema (NAESB REQ.21, espi.xsd) and of Atom (RFC 4287).
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from defusedxml.common import DTDForbidden
from defusedxml.ElementTree import DefusedXMLParser, ParseError

from models.base.arrays import IntArray
from scheduler.metering.green_button_codes import ESTIMATED_QUALITIES, QUESTIONABLE
from scheduler.textio.errors import InputFaults, shortened, shown, single_fault
from scheduler.textio.read_text import BYTES_A_MEGABYTE, file_problem

MOST_MEGABYTES = 300
MOST_KEPT_PROBLEMS = 10_000
CHUNK_BYTES = 1 << 18
MOST_TEXT_PIECES = 16
MOST_DEPTH = 100

UNSTATED = -(1 << 62)
"""Stands for a time or value that a reading does not state."""

NO_MARK, GOOD, ESTIMATED, DOUBTED = -1, 0, 1, 2
"""Marks of a reading: no quality stated, one that counts as measured, an estimated one, a questionable one."""

_FIRST_SECOND_PAST_2199 = 7_258_118_400
_MOST_SECONDS = 2**32 - 1  # UInt32
_MOST_VALUE = 2**47  # Int48
_WHOLE = re.compile(r"[+-]?\d{1,18}", re.ASCII)

_ATOM, _ESPI = "{http://www.w3.org/2005/Atom}", "{http://naesb.org/espi}"
_FEED, _ENTRY, _LINK, _CONTENT = (f"{_ATOM}{name}" for name in ("feed", "entry", "link", "content"))
_BLOCK, _READING = f"{_ESPI}IntervalBlock", f"{_ESPI}IntervalReading"
_RESOURCES = {
    f"{_ESPI}{name}": name
    for name in ("UsagePoint", "MeterReading", "ReadingType", "IntervalBlock", "LocalTimeParameters")
}
_READING_TYPE_CODES = (
    "accumulationBehaviour",
    "commodity",
    "dataQualifier",
    "defaultQuality",
    "flowDirection",
    "intervalLength",
    "powerOfTenMultiplier",
    "uom",
)
_LEAVES = {
    (_ENTRY, f"{_ATOM}title"): "title",
    (f"{_ESPI}ServiceCategory", f"{_ESPI}kind"): "kind",
    (f"{_ESPI}interval", f"{_ESPI}start"): "interval",
    (f"{_ESPI}timePeriod", f"{_ESPI}start"): "start",
    (f"{_ESPI}timePeriod", f"{_ESPI}duration"): "duration",
    (_READING, f"{_ESPI}value"): "value",
    (f"{_ESPI}ReadingQuality", f"{_ESPI}quality"): "quality",
    **{(f"{_ESPI}ReadingType", f"{_ESPI}{name}"): name for name in _READING_TYPE_CODES},
    **{(f"{_ESPI}LocalTimeParameters", f"{_ESPI}{name}"): name for name in ("tzOffset", "dstOffset")},
}
_OF_READINGS = frozenset({"start", "duration", "value", "quality"})


class Leaf(NamedTuple):
    """The text of an element without elements in it, and its line."""

    text: str
    line: int


@dataclass(frozen=True, slots=True)
class Entry:
    """One resource of the feed.

    Attributes
    ----------
    line : of the element of the resource.
    title : of the Atom entry, "" if it has none.
    own : its `self` link, "" if it has none; links are without query and last slash.
    up : its `up` link, "" if it has none.
    related : its `related` links.
    codes : the elements in it that are wanted, by name; of a UsagePoint the `kind` of its ServiceCategory, of an
        IntervalBlock the start of its `interval` as `interval`.
    first_row : of an IntervalBlock the row of its first reading, else 0.
    """

    line: int
    title: str
    own: str
    up: str
    related: tuple[str, ...]
    codes: Mapping[str, Leaf]
    first_row: int = 0


class Problem(NamedTuple):
    """What is wrong with a reading: line and name of the element, what was found and what is expected."""

    line: int
    key: str
    message: str


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """All readings of the file in file order, each column of shape (n,).

    Attributes
    ----------
    block : index of its IntervalBlock.
    line : where it begins.
    start : seconds since 1970 UTC, `UNSTATED` if it has no timePeriod [s].
    seconds : its duration, `UNSTATED` if it has no timePeriod [s].
    value : as written, before the multiplier; `UNSTATED` if it has none.
    mark : `NO_MARK`, `GOOD`, `ESTIMATED` or `DOUBTED`.
    faulty : 1 where it has a problem.
    """

    block: IntArray
    line: IntArray
    start: IntArray
    seconds: IntArray
    value: IntArray
    mark: IntArray
    faulty: IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Feed:
    """A Green Button file: its resources in file order, its readings, and the first problems by row of the reading.

    `clocks` are its LocalTimeParameters: offset of the winter clock from UTC, and of the summer clock from that [s].
    """

    usage_points: tuple[Entry, ...]
    meter_readings: tuple[Entry, ...]
    reading_types: tuple[Entry, ...]
    interval_blocks: tuple[Entry, ...]
    clocks: tuple[Entry, ...]
    readings: Readings
    problems: Mapping[int, Problem]


def looks_like_xml(beginning: bytes) -> bool:
    """Return whether the first bytes of a file are those of XML, or of HTML, in UTF-8 or UTF-16."""
    for mark, encoding in ((b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"), (b"\xef\xbb\xbf", "utf-8")):
        if beginning.startswith(mark):
            text = beginning[len(mark) :].decode(encoding, "replace")
            break
    else:
        text = beginning.decode("utf-8", "replace")
    return re.match(r"\s*<[?!A-Za-z_:]", text) is not None


def whole_number(text: str, least: int, most: int) -> int | None:
    """Parse a whole number; return None if the text is not one, or out of range."""
    if not _WHOLE.fullmatch(text):
        return None
    number = int(text)
    return number if least <= number <= most else None


def read_feed(path: Path) -> Feed:
    """Read the resources and readings of a Green Button file; problems of readings are returned with them.

    Raises
    ------
    InputFaults : the file cannot be read, is too large, is not XML, has a document type or entities, or is not an Atom
        feed.
    """
    problem = file_problem(path)
    if problem is not None:
        raise single_fault(path, problem)
    target = _FeedTarget(path)
    parser = DefusedXMLParser(target=target, forbid_dtd=True)
    target.expat = parser.parser
    try:
        with path.open("rb") as file:
            size = path.stat().st_size
            if size > MOST_MEGABYTES * BYTES_A_MEGABYTE:
                megabytes = f"{size / BYTES_A_MEGABYTE:.1f} MB"
                raise single_fault(path, f"{megabytes} is too large; expected up to {MOST_MEGABYTES} MB")
            if size == 0:
                raise single_fault(path, "the file is empty")
            while chunk := file.read(CHUNK_BYTES):
                parser.feed(chunk)
        parser.close()
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise single_fault(path, f"it cannot be read: {reason}") from None
    except DTDForbidden as error:
        raise _document_type(path, str(error.name), target.line()) from None
    except ParseError as error:
        raise _not_well_formed(path, error) from None
    except (LookupError, ValueError) as error:  # expat on encodings that it cannot decode
        raise single_fault(path, f"this XML cannot be decoded: {shortened(str(error))}; expected UTF-8", 1) from None
    return target.feed()


def _document_type(path: Path, name: str, line: int) -> InputFaults:
    if name.lower() == "html":
        return single_fault(path, "this is an HTML page; expected Green Button XML", line)
    message = f"a document type ({shown(name)}) may define entities; expected Green Button XML without <!DOCTYPE"
    return single_fault(path, message, line)


def _not_well_formed(path: Path, error: ParseError) -> InputFaults:
    line = error.position[0]
    reason = str(error).split(":")[0]
    if reason in {"no element found", "unclosed token", "unclosed CDATA section", "partial character"}:
        return single_fault(path, f"the XML breaks off ({reason}); expected the whole file", line)
    return single_fault(path, f"this is not well-formed XML: {shortened(reason)}", line)


class _FeedTarget:
    """Target that the parser calls for each element; keeps entries and columns of numbers, never a tree."""

    def __init__(self, path: Path) -> None:
        self.expat: object = None
        self._path = path
        self._open: list[str] = []
        self._leaf: str | None = None
        self._text: list[str] = []
        self._reading_line = 0
        self._in_reading = False
        self._reading: dict[str, Leaf] = {}
        self._qualities: list[Leaf] = []
        self._entries: dict[str, list[Entry]] = {name: [] for name in _RESOURCES.values()}
        self._columns = {name: array("q") for name in Readings.__slots__}
        self._problems: dict[int, Problem] = {}
        self._begin_entry()

    def line(self) -> int:
        """Return the line that the parser is at."""
        return int(getattr(self.expat, "CurrentLineNumber", 1))

    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        """Take the begin of an element."""
        parent = self._open[-1] if self._open else ""
        if not parent and tag not in {_FEED, _ENTRY}:
            name = tag.rpartition("}")[2]
            what = "this is an HTML page" if name.lower() == "html" else f"the first element is <{shortened(name)}>"
            message = f"{what}; expected Green Button XML, an Atom <feed> of ESPI entries"
            raise single_fault(self._path, message, self.line())
        if len(self._open) == MOST_DEPTH:
            message = f"elements are nested over {MOST_DEPTH} deep; expected Green Button XML"
            raise single_fault(self._path, message, self.line())
        self._open.append(tag)
        self._leaf = _LEAVES.get((parent, tag))
        self._text.clear()
        if self._leaf is not None:
            return
        if tag == _READING and parent == _BLOCK and self._blocks:
            self._in_reading = True
            self._reading_line = self.line()
        elif tag == _ENTRY:
            self._begin_entry()
        elif tag == _LINK and parent == _ENTRY:
            self._add_link(attributes.get("rel", ""), attributes.get("href", ""))
        elif parent == _CONTENT and tag in _RESOURCES:
            self._resource, self._resource_line = _RESOURCES[tag], self.line()
            if tag == _BLOCK:
                self._blocks.append((self._resource_line, len(self._columns["block"]), {}))

    def data(self, text: str) -> None:
        """Take text of the element that is open."""
        if self._leaf is not None and len(self._text) <= MOST_TEXT_PIECES:
            self._text.append(text if len(self._text) < MOST_TEXT_PIECES else "…")

    def end(self, tag: str) -> None:
        """Take the end of an element."""
        self._open.pop()
        if self._leaf is not None:
            leaf = Leaf("".join(self._text).strip(), self.line())
            if self._leaf not in _OF_READINGS:
                codes = self._blocks[-1][2] if self._leaf == "interval" and self._blocks else self._codes
                codes[self._leaf] = leaf
            elif self._leaf == "quality":
                self._qualities.append(leaf)
            else:
                self._reading[self._leaf] = leaf
            self._leaf = None
        elif tag == _READING and self._in_reading:
            self._end_reading()
        elif tag == _ENTRY:
            self._end_entry()

    def close(self) -> None:
        """Take the end of the document."""

    def feed(self) -> Feed:
        """Return all that was read."""
        columns = {name: np.array(column, dtype=np.int64) for name, column in self._columns.items()}
        points, meter_readings, reading_types, blocks, clocks = (tuple(found) for found in self._entries.values())
        return Feed(points, meter_readings, reading_types, blocks, clocks, Readings(**columns), self._problems)

    def _begin_entry(self) -> None:
        self._resource, self._resource_line = "", 0
        self._codes: dict[str, Leaf] = {}
        self._own, self._up = "", ""
        self._related: list[str] = []
        self._blocks: list[tuple[int, int, dict[str, Leaf]]] = []

    def _add_link(self, relation: str, target: str) -> None:
        link = target.strip().partition("#")[0].partition("?")[0].rstrip("/")
        if relation == "self":
            self._own = link
        elif relation == "up":
            self._up = link
        elif relation == "related" and link:
            self._related.append(link)

    def _end_entry(self) -> None:
        title = self._codes.pop("title", Leaf("", 0)).text
        links = (title, self._own, self._up, tuple(self._related))
        for line, first_row, codes in self._blocks:
            self._entries["IntervalBlock"].append(Entry(line, *links, codes, first_row))
        if self._resource not in {"", "IntervalBlock"}:
            self._entries[self._resource].append(Entry(self._resource_line, *links, self._codes))
        self._begin_entry()

    def _end_reading(self) -> None:
        columns, row = self._columns, len(self._columns["block"])
        columns["block"].append(len(self._entries["IntervalBlock"]) + len(self._blocks) - 1)
        columns["line"].append(self._reading_line)
        columns["faulty"].append(0)
        timed = "start" in self._reading or "duration" in self._reading
        columns["start"].append(self._whole(row, "start", 0, _FIRST_SECOND_PAST_2199 - 1, timed))
        columns["seconds"].append(self._whole(row, "duration", 0, _MOST_SECONDS, timed))
        columns["value"].append(self._whole(row, "value", -_MOST_VALUE, _MOST_VALUE, False))
        columns["mark"].append(self._mark(row) if self._qualities else NO_MARK)
        self._reading.clear()
        self._qualities.clear()
        self._in_reading = False

    def _whole(self, row: int, name: str, least: int, most: int, required: bool) -> int:
        """Return the whole number in an element of the reading; `UNSTATED` after noting a problem if there is none."""
        leaf = self._reading.get(name)
        if leaf is None:
            if required:
                self._add_problem(row, self._reading_line, name, f"the timePeriod has no {name}")
            return UNSTATED
        number = whole_number(leaf.text, least, most)
        if number is None:
            allowed = {
                "start": "whole seconds since 1970, up to the year 2199",
                "duration": "a whole number of seconds",
                "value": f"a whole number, {-_MOST_VALUE} to {_MOST_VALUE}",
            }[name]
            self._add_problem(row, leaf.line, name, f"found {shown(leaf.text)}; expected {allowed}")
            return UNSTATED
        return number

    def _mark(self, row: int) -> int:
        marks = []
        for leaf in self._qualities:
            code = whole_number(leaf.text, 0, 65535)
            if code is None:
                self._add_problem(row, leaf.line, "quality", f"found {shown(leaf.text)}; expected a whole number")
            else:
                marks.append(mark_of(code))
        return ESTIMATED if ESTIMATED in marks else max(marks, default=NO_MARK)

    def _add_problem(self, row: int, line: int, key: str, message: str) -> None:
        self._columns["faulty"][row] = 1
        if len(self._problems) < MOST_KEPT_PROBLEMS:
            self._problems.setdefault(row, Problem(line, key, message))


def mark_of(quality: int) -> int:
    """Return the mark of a reading with this QualityOfReading."""
    if quality in ESTIMATED_QUALITIES:
        return ESTIMATED
    return DOUBTED if quality == QUESTIONABLE else GOOD
