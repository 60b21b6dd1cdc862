"""Write files whole or not at all: one file, several together, or a folder.

Everything is made in a hidden folder beside its place and renamed into place, which a file system does atomically.
After any failure, including an interruption, what was there before is unchanged, and folders made on the way are
removed. Contents are flushed to disk before the rename, so that a power cut leaves the old file or the new one, never
an empty one. New files and folders get the permissions of the user's umask; replaced files keep theirs.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from scheduler.textio.errors import NotWrittenError

STAGING = ".overnight-writing-"
"""Prefix of the hidden folders' names; one left behind by a killed process is removed when it is a day old."""
LEFT_SECONDS = 86_400.0
OLD = "old"
"""Name, in the hidden folder, of what is being replaced."""


def write_file(file: Path, content: str | bytes, *, flush: bool = True) -> None:
    """Write one file; text as UTF-8, its line ends unchanged.

    Parameters
    ----------
    flush : whether to wait until it is on disk; not needed for files that are made again if damaged.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    write_together({file: content}, flush=flush)


def write_together(contents: Mapping[Path, str | bytes], *, flush: bool = True) -> None:
    """Write several files, or leave all as they were; otherwise as write_file.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    with _undone_on_failure() as parents, ExitStack() as stagings, _undone_on_failure() as moves:
        made: dict[Path, Path] = {}
        beside: dict[Path, Path] = {}
        for number, (file, content) in enumerate(contents.items()):
            with _told(file):
                _make_folder(file.parent, parents)
                if file.parent not in beside:
                    beside[file.parent] = _staging_in(file.parent, stagings)
                made[file] = beside[file.parent] / str(number)
                made[file].write_bytes(content.encode() if isinstance(content, str) else content)
                if flush:
                    _flush(made[file])
        for file, new in made.items():
            with _told(file):
                _move(new, file, moves)


@contextmanager
def folder_made_beside(folder: Path, *, replace: bool = False, last: str = "") -> Iterator[Path]:
    """Yield an empty folder to make files in; they all move into place when the block ends.

    Parameters
    ----------
    folder : where the files move to.
    replace : whether an existing folder is replaced with all that it holds; otherwise the files are added to it.
    last : name of the file that is moved after all others.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    with _told(folder), _undone_on_failure() as parents, ExitStack() as stagings, _undone_on_failure() as moves:
        joins = folder.exists() and not replace
        _make_folder(folder.parent, parents)
        staging = _staging_in(folder if joins else folder.parent, stagings)
        new, old = staging / "new", staging / OLD
        new.mkdir()
        yield new
        files = sorted(file for file in new.rglob("*") if file.is_file())
        for file in files:
            _flush(file)
        if joins:
            for file in sorted(files, key=lambda file: file.name == last):
                place = folder / file.relative_to(new)
                _make_folder(place.parent, moves)
                _move(file, place, moves)
        else:
            if folder.exists():
                moves.callback(_attempt, lambda: old.rename(folder))
                folder.rename(old)
            new.rename(folder)


def refuse_other(folder: Path, kind: str, is_one: Callable[[Path], bool]) -> None:
    """Refuse to write into a folder that holds something else.

    Parameters
    ----------
    kind : what is to be written, "a plan".
    is_one : whether an existing folder holds one, or is empty.

    Raises
    ------
    NotWrittenError : it holds something else, or cannot be read.
    """
    with _told(folder):
        if folder.exists() and not is_one(folder):
            raise NotWrittenError(f"{folder} is in the way and is not {kind}; move it, or give another --out")


def make_folder(folder: Path) -> None:
    """Make a folder with its parents, unless it exists.

    Raises
    ------
    NotWrittenError : it cannot be made.
    """
    with _told(folder), _undone_on_failure() as parents:
        _make_folder(folder, parents)


@contextmanager
def _told(place: Path) -> Iterator[None]:
    """Turn an error of the operating system into one line about the place."""
    try:
        yield
    except OSError as error:
        raise NotWrittenError(f"{place} cannot be written: {error.strerror or error}; nothing was changed") from None


@contextmanager
def _undone_on_failure() -> Iterator[ExitStack]:
    """Yield a stack of undo actions, which are run in reverse order if the block fails."""
    with ExitStack() as undo:
        yield undo
        undo.pop_all()


def _make_folder(folder: Path, undo: ExitStack) -> None:
    """Make a folder with its parents; undoing removes those that are empty."""
    for absent in reversed([each for each in (folder, *folder.parents) if not each.exists()]):
        undo.callback(_attempt, absent.rmdir)
    folder.mkdir(parents=True, exist_ok=True)


def _staging_in(folder: Path, stagings: ExitStack) -> Path:
    """Make a hidden folder, which is removed at the end; remove old ones that were left behind."""
    for left in folder.glob(f"{STAGING}*"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_SECONDS and not (left / OLD).exists():
                shutil.rmtree(left, ignore_errors=True)
    staging = Path(tempfile.mkdtemp(prefix=STAGING, dir=folder))
    stagings.callback(shutil.rmtree, staging, ignore_errors=True)
    return staging


def _move(new: Path, place: Path, undo: ExitStack) -> None:
    """Move a file to its place; undoing restores what was there."""
    if os.path.lexists(place):
        old = new.with_name(f"{new.name}.{OLD}")
        try:
            os.link(place, old, follow_symlinks=False)
        except (OSError, NotImplementedError):  # no hard links here
            shutil.copy2(place, old, follow_symlinks=False)
        with suppress(OSError):  # a link that leads nowhere
            shutil.copymode(place, new)
        undo.callback(_attempt, lambda: os.replace(old, place))
    else:
        undo.callback(_attempt, place.unlink)
    os.replace(new, place)


def _flush(file: Path) -> None:
    """Wait until a file's content is on disk."""
    with file.open("rb+") as stream:
        os.fsync(stream.fileno())


def _attempt(undo: Callable[[], object]) -> None:
    """Run an undo action, and ignore an error of the operating system."""
    with suppress(OSError):
        undo()
