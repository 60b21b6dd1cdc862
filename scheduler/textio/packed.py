"""Unpack files that come packed: .zip and .gz, told by how they begin, never by their name.

What is unpacked is bounded in size and number, and goes into a folder of its own that is removed again, under names
that are not those of the archive.
"""

from __future__ import annotations

import gzip
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO

from scheduler.textio.errors import NotWrittenError, single_fault
from scheduler.textio.read_text import BYTES_A_MEGABYTE

ZIP_BEGINS, GZIP_BEGINS = (b"PK\x03\x04", b"PK\x05\x06"), b"\x1f\x8b"
MOST_MEGABYTES = 300
"""Most that one archive may hold, all its files together [MB]."""
MOST_FILES = 200
CHUNK_BYTES = 1 << 20


def is_packed(beginning: bytes) -> bool:
    """Return whether the first bytes of a file are those of a .zip or .gz archive.

    Examples
    --------
    >>> is_packed(b"PK\\x03\\x04..."), is_packed(b"100,NEM12,")
    (True, False)
    """
    return beginning.startswith((*ZIP_BEGINS, GZIP_BEGINS))


@contextmanager
def unpacked(path: Path) -> Iterator[dict[str, Path]]:
    """Yield the files of an archive by their names in it, in its order, unpacked until the block ends.

    Folders, hidden files and the additions of one desktop system ("__MACOSX") are passed over.

    Raises
    ------
    InputFaults : the archive is damaged, empty, encrypted, or holds too much.
    NotWrittenError : there is no room to unpack it.
    """
    try:
        with tempfile.TemporaryDirectory(prefix="overnight-unpacked-") as folder:
            try:
                found = (
                    _unpack_zip(path, Path(folder)) if zipfile.is_zipfile(path) else _unpack_gzip(path, Path(folder))
                )
            except (zipfile.BadZipFile, zlib.error, EOFError, gzip.BadGzipFile, NotImplementedError):
                raise single_fault(path, "this archive is damaged; expected a whole .zip or .gz file") from None
            yield found
    except OSError as error:
        raise NotWrittenError(f"{path} cannot be unpacked: {error.strerror or error}") from None


def _unpack_zip(path: Path, folder: Path) -> dict[str, Path]:
    with zipfile.ZipFile(path) as archive:
        members = [member for member in archive.infolist() if not member.is_dir() and _is_content(member.filename)]
        if not members:
            raise single_fault(path, "this archive holds no file; expected a meter's file in it")
        if len(members) > MOST_FILES:
            raise single_fault(path, f"this archive holds {len(members)} files; expected up to {MOST_FILES}")
        if any(member.flag_bits & 0x1 for member in members):
            raise single_fault(path, "this archive is encrypted; expected one without a password")
        found: dict[str, Path] = {}
        room = MOST_MEGABYTES * BYTES_A_MEGABYTE
        for number, member in enumerate(members):
            place = folder / f"{number}"
            with archive.open(member) as packed:
                room -= _copied(packed, place, room, path)
            found[member.filename] = place
    return found


def _unpack_gzip(path: Path, folder: Path) -> dict[str, Path]:
    place = folder / "0"
    with gzip.open(path) as packed:
        _copied(packed, place, MOST_MEGABYTES * BYTES_A_MEGABYTE, path)
    return {path.name.removesuffix(".gz"): place}


def _copied(packed: IO[bytes] | gzip.GzipFile, place: Path, room: int, path: Path) -> int:
    """Copy what is packed to its place, at most so many bytes; return how many."""
    copied = 0
    with place.open("wb") as file:
        while chunk := packed.read(CHUNK_BYTES):
            copied += len(chunk)
            if copied > room:
                raise single_fault(path, f"it holds over {MOST_MEGABYTES} MB unpacked; expected up to that")
            file.write(chunk)
    return copied


def _is_content(name: str) -> bool:
    parts = PurePosixPath(name).parts
    return bool(parts) and parts[0] != "__MACOSX" and not parts[-1].startswith(".")
