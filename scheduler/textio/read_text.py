"""Read the text of an input file, or raise one clear fault."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

from scheduler.textio.errors import single_fault

BYTES_A_MEGABYTE = 1_000_000
BEGINNING_BYTES = 10_000
MOST_LINE_CHARACTERS = 100_000


def file_problem(path: Path) -> str | None:
    """Return why there is no file to read at the path, or None if there is one."""
    try:
        if path.is_file():
            return None
        if path.is_dir():
            return "this is a folder; expected a file"
        return "this is not a regular file" if path.exists() else "there is no such file"
    except (OSError, ValueError) as error:
        return _cannot_be_read(error)


def folder_problem(path: Path) -> str | None:
    """Return why there is no folder at the path, or None if there is one."""
    try:
        if path.is_dir():
            return None
        return "this is a file; expected a folder" if path.exists() else "there is no such folder"
    except (OSError, ValueError) as error:
        return _cannot_be_read(error)


def read_text(path: Path, most_megabytes: int) -> str:
    """Read the whole text of a UTF-8 file, without a byte-order mark.

    Parameters
    ----------
    most_megabytes : size above which a file is refused [MB].

    Raises
    ------
    InputFaults : the file is missing, empty, a folder, not readable, too large or not UTF-8.
    """
    _check_file(path, most_megabytes)
    try:
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        raise single_fault(path, _cannot_be_read(error)) from None
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise single_fault(path, "this is not UTF-8 text", line) from None
    if not text.strip():
        raise single_fault(path, "the file is empty")
    return text


def read_lines(path: Path, most_megabytes: int) -> Iterator[tuple[int, str]]:
    """Read the lines of a UTF-8 file one by one, for files too large to hold in memory.

    Parameters
    ----------
    most_megabytes : size above which a file is refused [MB].

    Yields
    ------
    The number of each line, counted from 1, and its text without byte-order mark and line end.

    Raises
    ------
    InputFaults : as for `read_text`, or a line of over 100000 characters; raised when that line is reached.
    """
    _check_file(path, most_megabytes)
    number, empty = 0, True
    try:
        with path.open(encoding="utf-8-sig", errors="surrogateescape") as file:
            while line := file.readline(MOST_LINE_CHARACTERS + 1):
                number += 1
                if len(line) > MOST_LINE_CHARACTERS and not line.endswith("\n"):
                    message = f"the line is too long; expected up to {MOST_LINE_CHARACTERS} characters"
                    raise single_fault(path, message, number)
                if not line.isascii() and any("\ud800" <= character <= "\udfff" for character in line):
                    raise single_fault(path, "this is not UTF-8 text", number)
                empty = empty and not line.strip()
                yield number, line.rstrip("\n")
    except OSError as error:
        raise single_fault(path, _cannot_be_read(error)) from None
    if empty:
        raise single_fault(path, "the file is empty")


def beginning_of(path: Path) -> bytes:
    """Read the first 10000 bytes of a file, from which its layout can be told.

    Raises
    ------
    InputFaults : the file is missing, empty, a folder or not readable.
    """
    problem = file_problem(path)
    if problem is not None:
        raise single_fault(path, problem)
    try:
        with path.open("rb") as file:
            beginning = file.read(BEGINNING_BYTES)
    except (OSError, ValueError) as error:
        raise single_fault(path, _cannot_be_read(error)) from None
    if not beginning.strip():
        raise single_fault(path, "the file is empty")
    return beginning


def _check_file(path: Path, most_megabytes: int) -> None:
    """Refuse a path without a file, or with one over `most_megabytes` [MB]."""
    problem = file_problem(path)
    if problem is not None:
        raise single_fault(path, problem)
    try:
        size = path.stat().st_size
    except (OSError, ValueError) as error:
        raise single_fault(path, _cannot_be_read(error)) from None
    if size > most_megabytes * BYTES_A_MEGABYTE:
        raise single_fault(path, f"{size / BYTES_A_MEGABYTE:.1f} MB is too large; expected up to {most_megabytes} MB")


def _cannot_be_read(error: OSError | ValueError) -> str:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else "not a valid path"
    return f"it cannot be read: {reason.lower()}"


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()
