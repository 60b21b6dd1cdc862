"""Find the line of each key and table in a TOML text, for messages."""

from __future__ import annotations

import re
from collections import Counter

Keys = tuple[str | int, ...]
"""The path to a key from the root of a document; tables of an array by index from 0."""

_STRING = r'"(?:\\.|[^"\\\n])*"|' + r"'[^'\n]*'"
_LONG_STRING = r'"""(?:\\.|[^\\])*?"""|' + r"'''.*?'''"
_COMMENT = r"#[^\n]*"
_PART = rf"(?:[A-Za-z0-9_-]+|{_STRING})"
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"

_SKIPPED = re.compile(rf"{_LONG_STRING}|{_COMMENT}|{_STRING}", re.DOTALL)
_HEADER = re.compile(rf"\s*\[(?P<array>\[)?\s*(?P<keys>{_DOTTED})\s*\]")
_KEY = re.compile(rf"\s*(?P<keys>{_DOTTED})\s*=")


def key_lines(text: str) -> dict[Keys, int]:
    r"""Return the line of each table header and key of a valid TOML text, counted from 1.

    Keys inside an inline table or a list have no entry of their own.

    Examples
    --------
    >>> key_lines('[site]\nname = "Home"\n[[usual_trip]]\n')
    {('site',): 1, ('site', 'name'): 2, ('usual_trip', 0): 3}
    """
    lines: dict[Keys, int] = {}
    tables_so_far: Counter[Keys] = Counter()
    table: Keys = ()
    depth = 0
    for number, line in enumerate(_SKIPPED.sub(_without_long_text, text).split("\n"), start=1):
        if depth == 0 and (header := _HEADER.match(line)):
            table = _parts(header["keys"])
            if header["array"]:
                tables_so_far[table] += 1
                table = (*table, tables_so_far[table] - 1)
            lines.setdefault(table, number)
            continue
        if depth == 0 and (key := _KEY.match(line)):
            lines.setdefault((*table, *_parts(key["keys"])), number)
        bare = re.sub(_STRING, "", line)
        depth += sum(bare.count(bracket) for bracket in "[{") - sum(bare.count(bracket) for bracket in "]}")
    return lines


def line_of(keys: Keys, lines: dict[Keys, int]) -> int | None:
    """Return the line of a key or of the first table of its array, else of the innermost table or key around it.

    Examples
    --------
    >>> line_of(("site", "timezone"), {("site",): 1, ("site", "name"): 2})
    1
    """
    if (*keys, 0) in lines:
        return lines[*keys, 0]
    for length in range(len(keys), 0, -1):
        if keys[:length] in lines:
            return lines[keys[:length]]
    return None


def _parts(dotted: str) -> Keys:
    """Return the parts of a dotted key."""
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))


def _without_long_text(match: re.Match[str]) -> str:
    """Return only the line breaks of a comment or long string; a string on one line stays, as it may be a key."""
    found = match[0]
    if found.startswith("#") or found.startswith(('"""', "'''")):
        return "\n" * found.count("\n")
    return found
