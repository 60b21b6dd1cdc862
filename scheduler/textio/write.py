"""Write files whole or not at all: one, several together, or a folder.

Everything is made in a hidden folder beside its place and moved there by renaming, which a file system does at once.
After any failure, an interruption included, what was there before is as it was, and folders made on the way are taken
away. Contents are flushed to the disk before they are moved, so that a power cut leaves the old file or the new one and
never an empty one. New files and folders get the permissions of the user's umask; replaced files keep theirs.
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
"""Beginning of the hidden folders' names; one that a killed process left is removed when it is a day old."""
LEFT_SECONDS = 86_400.0
OLD = "old"
"""In the hidden folder, what the new folder takes the place of."""


def write_file(file: Path, content: str | bytes, *, flush: bool = True) -> None:
    """Write one file, text as UTF-8 with its line ends as they are.

    Parameters
    ----------
    flush : whether to wait until the disk has it; no need for what is made again when it is damaged.

    Raises
    ------
    NotWrittenError : nothing was written.
    """
    write_together({file: content}, flush=flush)


def write_together(contents: Mapping[Path, str | bytes], *, flush: bool = True) -> None:
    """Write every file, or leave all as they were; otherwise as write_file.

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
    """Give an empty folder to make files in, which all move to their place when the block ends.

    Parameters
    ----------
    folder : the place.
    replace : whether a folder that is there gives way with all that it holds; else the files join what it holds.
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
    kind : what is to be written, "a plan". is_one : whether a folder that is there holds one, or nothing.

    Raises
    ------
    NotWrittenError : it holds something else, or cannot be looked into.
    """
    with _told(folder):
        if folder.exists() and not is_one(folder):
            raise NotWrittenError(f"{folder} is in the way and is not {kind}; move it, or give another --out")


def make_folder(folder: Path) -> None:
    """Make a folder with its parents, or find it there.

    Raises
    ------
    NotWrittenError : it cannot be made.
    """
    with _told(folder), _undone_on_failure() as parents:
        _make_folder(folder, parents)


@contextmanager
def _told(place: Path) -> Iterator[None]:
    """Turn what the system refuses into one line about the place."""
    try:
        yield
    except OSError as error:
        raise NotWrittenError(f"{place} cannot be written: {error.strerror or error}; nothing was changed") from None


@contextmanager
def _undone_on_failure() -> Iterator[ExitStack]:
    """Give a list of what undoes the work, which is gone through backwards if the block fails."""
    with ExitStack() as undo:
        yield undo
        undo.pop_all()


def _make_folder(folder: Path, undo: ExitStack) -> None:
    """Make a folder with its parents; undone, those that are empty go again."""
    for absent in reversed([each for each in (folder, *folder.parents) if not each.exists()]):
        undo.callback(_attempt, absent.rmdir)
    folder.mkdir(parents=True, exist_ok=True)


def _staging_in(folder: Path, stagings: ExitStack) -> Path:
    """A new hidden folder, removed in the end; old ones that were left are removed now."""
    for left in folder.glob(f"{STAGING}*"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_SECONDS and not (left / OLD).exists():
                shutil.rmtree(left, ignore_errors=True)
    staging = Path(tempfile.mkdtemp(prefix=STAGING, dir=folder))
    stagings.callback(shutil.rmtree, staging, ignore_errors=True)
    return staging


def _move(new: Path, place: Path, undo: ExitStack) -> None:
    """Move a file to its place; undone, what was there is there again."""
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
    """Wait until the disk has a file's content."""
    with file.open("rb+") as stream:
        os.fsync(stream.fileno())


def _attempt(undo: Callable[[], object]) -> None:
    with suppress(OSError):
        undo()
