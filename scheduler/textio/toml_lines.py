"""Where in a TOML text each key and table stands, for messages."""

from __future__ import annotations

import re
from collections import Counter

Keys = tuple[str | int, ...]
"""The way to a key from the root of a document; tables of an array by index from 0."""

_STRING = r'"(?:\\.|[^"\\\n])*"|' + r"'[^'\n]*'"
_LONG_STRING = r'"""(?:\\.|[^\\])*?"""|' + r"'''.*?'''"
_COMMENT = r"#[^\n]*"
_PART = rf"(?:[A-Za-z0-9_-]+|{_STRING})"
_DOTTED = rf"{_PART}(?:\s*\.\s*{_PART})*"

_SKIPPED = re.compile(rf"{_LONG_STRING}|{_COMMENT}|{_STRING}", re.DOTALL)
_HEADER = re.compile(rf"\s*\[(?P<array>\[)?\s*(?P<keys>{_DOTTED})\s*\]")
_KEY = re.compile(rf"\s*(?P<keys>{_DOTTED})\s*=")


def key_lines(text: str) -> dict[Keys, int]:
    """Line of each table header and key of a valid TOML text; the first line is 1.

    Keys inside an inline table or a list have no entry of their own.
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
    """Line of the key or the first table of its array, else of the innermost table or key around it."""
    if (*keys, 0) in lines:
        return lines[*keys, 0]
    for length in range(len(keys), 0, -1):
        if keys[:length] in lines:
            return lines[keys[:length]]
    return None


def _parts(dotted: str) -> Keys:
    return tuple(part.strip("\"'") for part in re.findall(_PART, dotted))


def _without_long_text(match: re.Match[str]) -> str:
    """Only the line breaks of a comment or long string; a string on one line stays, for it may be a key."""
    found = match[0]
    if found.startswith("#") or found.startswith(('"""', "'''")):
        return "\n" * found.count("\n")
    return found
