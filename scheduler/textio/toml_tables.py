"""Read TOML files strictly: each table against a schema, with every fault in plain language."""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from scheduler.textio.bounds import Bound, plain
from scheduler.textio.errors import MOST_FOUND, Fault, did_you_mean, shortened, shown, single_fault
from scheduler.textio.parse_clock import clock_minutes, plain_clock
from scheduler.textio.parse_number import parse_number
from scheduler.textio.read_text import read_text
from scheduler.textio.toml_lines import Keys, key_lines, line_of

MOST_MEGABYTES = 1
MOST_LINE_CHARACTERS = 10_000
MOST_KEY_PARTS = 10
_QUOTED = re.compile(r'"(?:\\.|[^"\\])*"|\'[^\']*\'')
_MANY_PARTS = re.compile(rf"(?:\.[\w \t-]*+){{{MOST_KEY_PARTS}}}\.")


class Table(BaseModel):
    """Schema of one table: no unknown keys, no conversions except from integer to float, only finite numbers.

    The bound or the description of a field says what is expected; a field without a default is required.
    """

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)

    def contradictions(self) -> Iterator[tuple[str, str]]:
        """Yield faults between keys that are each valid by themselves, as (key, message)."""
        return iter(())


SomeTable = TypeVar("SomeTable", bound=Table)


@dataclass(frozen=True, slots=True)
class TomlDocument:
    """A TOML file as parsed, and the line of each of its keys."""

    path: Path
    values: dict[str, Any]
    lines: dict[Keys, int]

    def fault(self, keys: Keys, message: str) -> Fault:
        """Return a fault of a key."""
        return Fault(str(self.path), line_of(keys, self.lines), _keys_text(keys), message)


def read_toml(path: Path) -> TomlDocument:
    """Parse a TOML file.

    Raises
    ------
    InputFaults : the file cannot be read, or is not TOML.
    """
    text = read_text(path, MOST_MEGABYTES)
    _check_lines(path, text)
    try:
        values = tomllib.loads(text)
    except RecursionError:
        raise single_fault(path, "this is not TOML: nested too deeply") from None
    except ValueError as error:
        raise _syntax_fault(path, str(error), text) from None
    return TomlDocument(path, values, key_lines(text))


def _check_lines(path: Path, text: str) -> None:
    """Refuse a line that would take long to parse: one that is too long, or a key of too many parts."""
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > MOST_LINE_CHARACTERS:
            message = f"the line has {len(line)} characters; expected up to {MOST_LINE_CHARACTERS}"
            raise single_fault(path, message, number)
        if line.count(".") > MOST_KEY_PARTS and _MANY_PARTS.search(_QUOTED.sub("q", line)):
            message = f"the key has over {MOST_KEY_PARTS} parts; expected a key and its table"
            raise single_fault(path, message, number)


def check_table(document: TomlDocument, keys: Keys, schema: type[SomeTable], faults: list[Fault]) -> SomeTable | None:
    """Check the table at `keys` against its schema.

    Parameters
    ----------
    keys : path to the table; () for the root.
    faults : faults found are added here.

    Returns
    -------
    The table as its schema reads it; None if it has faults. Also None, without a fault, if there is no table at `keys`:
    the check of the table around it reports that.
    """
    found: Any = document.values
    for key in keys:
        if isinstance(key, str) and not (isinstance(found, dict) and key in found):
            return None
        found = found[key]
    if not isinstance(found, dict):
        return None
    try:
        table = schema.model_validate(found)
    except ValidationError as error:
        faults += [
            document.fault((*keys, *details["loc"]), _message(details, schema))
            for details in error.errors()[:MOST_FOUND]
        ]
        return None
    contradictions = [document.fault((*keys, key), message) for key, message in table.contradictions()]
    faults += contradictions
    return None if contradictions else table


def check_tables(
    document: TomlDocument, key: str, schema: type[SomeTable], faults: list[Fault], most: int, inside: Keys = ()
) -> list[SomeTable | None]:
    """Check each table of the array at a key of the root, or of the table `inside`; as check_table.

    Parameters
    ----------
    most : tables that are read; that there are more is a fault of the table around them.
    """
    found: Any = document.values
    for step in (*inside, key):
        found = found.get(step) if isinstance(found, dict) else None
    count = min(len(found), most) if isinstance(found, list) else 0
    return [check_table(document, (*inside, key, index), schema, faults) for index in range(count)]


def _message(details: ErrorDetails, schema: type[Table]) -> str:
    """Return what pydantic found, in plain language."""
    fields = {field.alias or name: field for name, field in schema.model_fields.items()}
    key = str(details["loc"][0])
    if details["type"] == "extra_forbidden":
        return "unknown key" + (did_you_mean(key, fields) or f"; known are {', '.join(fields)}")
    field, found = fields[key], details["input"]
    bound = bound_of(field)
    expected = field.description if bound is None else bound.text
    if details["type"] == "missing":
        return f"missing, and required: {expected}"
    if bound is not None and isinstance(found, int | float) and not isinstance(found, bool):
        problem = bound.problem(float(found)) if isinstance(found, float) or abs(found) <= sys.float_info.max else None
        return problem or f"found {shown(found)}; expected {expected}"
    return f"{_problem(details)}; expected {expected}{'' if bound is None else bound.meant_by(found)}"


def bound_of(field: FieldInfo) -> Bound | None:
    """Return the bound of a key that takes one number, or None."""
    inside = [each for part in get_args(field.annotation) for each in getattr(part, "__metadata__", ())]
    return next((each for each in (*field.metadata, *inside) if isinstance(each, Bound)), None)


def expected_text(schema: type[Table], key: str) -> str:
    """Return what is expected of a key, as messages say it."""
    field = schema.model_fields[key]
    bound = bound_of(field)
    return str(field.description) if bound is None else bound.text


def _problem(details: ErrorDetails) -> str:
    """Return what is wrong with a value, without what is expected."""
    found = shown(details["input"])
    context = details.get("ctx", {})
    match details["type"]:
        case "less_than_equal":
            return f"{found} is over {context['le']:g}"
        case "greater_than_equal":
            return f"{found} is under {context['ge']:g}"
        case "greater_than":
            return f"{found} is not over {context['gt']:g}"
        case "too_long":
            return f"found {context['actual_length']} tables"
        case "value_error":
            return str(context["error"]).partition("; expected ")[0]  # said once, by who asks
        case _:
            return f"found {found}"


def _keys_text(keys: Keys) -> str:
    """Return a path to a key as messages show it: `import[2].from`."""
    text = ""
    for key in keys:
        text += f"[{key + 1}]" if isinstance(key, int) else f".{shortened(key)}"
    return text.removeprefix(".")


def _syntax_fault(path: Path, message: str, text: str) -> Exception:
    """Return one short fault from the parser's message, which ends in `(at line 3, column 5)`."""
    place = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", message)
    what = message[: place.start()] if place else message
    line = int(place[1]) if place and place[1] else None
    meant = None if line is None else _bare_value_problem(text.split("\n")[line - 1])
    if meant is not None:
        return single_fault(path, meant, line)
    ending = ", at the end of the file" if place and line is None else ""
    return single_fault(path, f"this is not TOML: {shortened(what)}{ending}", line)


def _bare_value_problem(line: str) -> str | None:
    """Return what is wrong with a line that gives a number with its unit or a decimal comma, or a time without quotes.

    Examples
    --------
    >>> _bare_value_problem("battery_kwh = 58 kWh  # usable")
    'this is not TOML: found 58 kWh; expected a number alone; did you mean 58?'
    >>> _bare_value_problem("depart = 8:10")
    'this is not TOML: found 8:10; expected a clock time in quotes; did you mean "08:10"?'
    """
    found = re.match(r"\s*[A-Za-z0-9_-]+\s*=\s*(?P<value>[^#\"'\[\]{}]*)", line)
    value = "" if found is None else found["value"].strip()
    if clock_minutes(value) is not None:
        meant = f'did you mean "{plain_clock(value)}"?'
        return f"this is not TOML: found {shortened(value)}; expected a clock time in quotes; {meant}"
    number = re.match(r"[€$£]?\s*(?P<number>[+-]?[0-9][0-9., ]*)(?P<unit>[^0-9.,]*)", value)
    if number is None or re.fullmatch(r"[+-]?[0-9.]*\s*", value):
        return None
    try:
        meant = f"; did you mean {plain(parse_number(number['number']))}?"
    except ValueError as error:
        meant = str(error)
    return f"this is not TOML: found {shortened(value)}; expected a number alone{meant}"
