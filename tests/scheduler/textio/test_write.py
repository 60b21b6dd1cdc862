"""Files are written whole or not at all: alone, together and as a folder, whatever fails on the way."""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from scheduler.textio import write
from scheduler.textio.errors import NotWrittenError
from scheduler.textio.write import folder_made_beside, make_folder, refuse_other, write_file, write_together


def snapshot(folder: Path) -> dict[str, bytes | None]:
    """Everything in a folder, hidden names too; None for a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def fails_for(chosen: Callable[[Path], bool], error: BaseException) -> Callable[[Path, Path], None]:
    """`os.replace` that fails for some targets."""
    replace = os.replace

    def call(source: Path, target: Path) -> None:
        if chosen(Path(target)):
            raise error
        replace(source, target)

    return call


def fill(folder: Path, names: Sequence[str], last: str) -> None:
    """Make files of these names in a folder."""
    with folder_made_beside(folder, last=last) as made:
        for name in names:
            (made / name).parent.mkdir(exist_ok=True)
            (made / name).write_text("new")


@contextmanager
def umask(mask: int) -> Iterator[None]:
    """Another umask for a while."""
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def mode(path: Path) -> int:
    """Permissions of a file or folder."""
    return stat.S_IMODE(path.stat().st_mode)


def test_text_is_utf_8_with_its_own_line_ends_and_bytes_are_bytes(tmp_path: Path) -> None:
    """No system's line ends creep in; folders on the way are made; nothing is left beside the files."""
    write_together({tmp_path / "far" / "a.csv": "−1\n2\r\n", tmp_path / "b.bin": b"\x00\r"})
    assert snapshot(tmp_path) == {"far": None, "far/a.csv": "−1\n2\r\n".encode(), "b.bin": b"\x00\r"}


@pytest.mark.parametrize("links", [True, False])
@pytest.mark.parametrize("error", [PermissionError(13, "Permission denied"), KeyboardInterrupt()])
def test_all_files_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException, links: bool) -> None:
    """The last cannot be moved, or the user interrupts: the first two are as they were, with hard links or without."""
    old, new, last = tmp_path / "old.csv", tmp_path / "made" / "new.csv", tmp_path / "last.csv"
    old.write_text("old")
    monkeypatch.setattr(write.os, "replace", fails_for(lambda target: target == last, error))
    if not links:

        def no_links(*_: object, **__: object) -> None:
            raise OSError(errno.EPERM, "Operation not permitted")

        monkeypatch.setattr(write.os, "link", no_links)
    says = r"last\.csv cannot be written: Permission denied; nothing was changed"
    expected = NotWrittenError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected, match=says if expected is NotWrittenError else None):
        write_together({old: "x", new: "x", last: "x"})
    assert snapshot(tmp_path) == {"old.csv": b"old"}


def test_a_full_disk_leaves_the_file_and_no_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Told in one line with the place, before anything was moved."""
    file = tmp_path / "deep" / "down" / "file.csv"

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(NotWrittenError) as told:
        write_file(file, "x")
    assert str(told.value) == f"{file} cannot be written: No space left on device; nothing was changed"
    assert snapshot(tmp_path) == {}


def test_a_folder_that_may_not_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder in which the system lets nothing be made is told as such and stays as it is."""
    closed = tmp_path / "closed"
    closed.mkdir()

    def refuse(**_: object) -> str:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))

    monkeypatch.setattr("tempfile.mkdtemp", refuse)
    with pytest.raises(NotWrittenError, match=r"a\.csv cannot be written: Permission denied; nothing was changed"):
        write_file(closed / "a.csv", "x")
    assert snapshot(tmp_path) == {"closed": None}


def test_a_name_in_the_way(tmp_path: Path) -> None:
    """A folder where the file belongs, and a file where a folder on the way belongs, are told and stay."""
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("mine")
    for place in (tmp_path / "folder", tmp_path / "file" / "a.csv"):
        with pytest.raises(NotWrittenError, match=r"cannot be written: .*; nothing was changed"):
            write_file(place, "x")
    with pytest.raises(NotWrittenError, match="cannot be written"):
        make_folder(tmp_path / "file" / "folder")
    assert snapshot(tmp_path) == {"folder": None, "file": b"mine"}


@pytest.mark.parametrize("mask", [0o022, 0o027, 0o077])
def test_permissions_are_the_users(tmp_path: Path, mask: int) -> None:
    """New files and folders follow the umask; a replaced file keeps what it had."""
    kept = tmp_path / "kept.csv"
    kept.write_text("old")
    kept.chmod(0o640)
    with umask(mask):
        write_together({kept: "new", tmp_path / "new.csv": "new"})
        with folder_made_beside(tmp_path / "made") as made:
            (made / "a").write_text("a")
    assert kept.read_text() == "new"
    assert mode(kept) == 0o640
    assert mode(tmp_path / "new.csv") == mode(tmp_path / "made" / "a") == 0o666 & ~mask
    assert mode(tmp_path / "made") == 0o777 & ~mask


def test_a_folder_appears_whole_or_gives_way_whole(tmp_path: Path) -> None:
    """New, then replaced with all that it held; while it is made the old one is there."""
    place = tmp_path / "plans" / "tonight"
    with folder_made_beside(place, replace=True) as made:
        (made / "plan").write_text("1")
        (made / "note").write_text("1")
        assert not place.exists()
    with folder_made_beside(place, replace=True) as made:
        (made / "plan").write_text("2")
        assert (place / "plan").read_text() == "1"
    assert snapshot(tmp_path) == {"plans": None, "plans/tonight": None, "plans/tonight/plan": b"2"}


def test_a_folder_that_cannot_be_moved_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The old one is put back."""
    place = tmp_path / "tonight"
    write_file(place / "plan", "old")
    rename = Path.rename

    def fail_for_new(path: Path, target: Path) -> Path:
        if path.name == "new":
            raise OSError(errno.EACCES, "Permission denied")
        return rename(path, target)

    monkeypatch.setattr(Path, "rename", fail_for_new)
    with (
        pytest.raises(NotWrittenError, match="Permission denied; nothing was changed"),
        folder_made_beside(place, replace=True) as made,
    ):
        (made / "plan").write_text("new")
    assert snapshot(tmp_path) == {"tonight": None, "tonight/plan": b"old"}


def test_files_that_join_a_folder_all_do_or_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The one named last fails: those before it are as they were, the folder made for one of them is gone."""
    (tmp_path / "a").write_text("old")
    (tmp_path / "other").write_text("mine")
    moved: list[str] = []

    def names(target: Path) -> bool:
        moved.append(target.name)
        return target.name == "a-last"

    with monkeypatch.context() as patched:
        patched.setattr(write.os, "replace", fails_for(names, OSError(errno.EIO, "Input/output error")))
        with pytest.raises(NotWrittenError):
            fill(tmp_path, ("a", "a-last", "deep/b"), last="a-last")
    assert moved[:3] == ["a", "b", "a-last"]
    assert snapshot(tmp_path) == {"a": b"old", "other": b"mine"}


def test_a_failure_while_the_folder_is_made_changes_nothing(tmp_path: Path) -> None:
    """A fault of the caller's own passes as it is, and the folders on the way are taken away."""
    with pytest.raises(TypeError):
        fill(tmp_path / "far" / "away", ("a", None), last="")  # type: ignore[arg-type]
    assert snapshot(tmp_path) == {}


def test_what_killed_processes_left_goes_after_a_day(tmp_path: Path) -> None:
    """An old hidden folder of theirs is removed; a new one is of a process at work, and one with a plan is kept."""
    left, at_work, rescued = (tmp_path / f"{write.STAGING}{name}" for name in ("left", "at-work", "rescued"))
    for folder in (left, at_work, rescued):
        folder.mkdir()
    (rescued / "old").mkdir()
    for folder in (left, rescued):
        os.utime(folder, (time.time() - 2 * 86_400,) * 2)
    write_file(tmp_path / "a", "a")
    assert set(snapshot(tmp_path)) == {"a", at_work.name, rescued.name, f"{rescued.name}/old"}


def test_a_link_stays_when_the_write_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Put back as the link that it was."""
    (tmp_path / "real").write_text("old")
    link, last = tmp_path / "link", tmp_path / "other"
    link.symlink_to("real")
    monkeypatch.setattr(write.os, "replace", fails_for(lambda target: target == last, OSError(errno.EIO, "no")))
    with pytest.raises(NotWrittenError):
        write_together({link: "x", last: "x"})
    assert link.is_symlink()
    assert link.read_text() == "old"


def test_what_is_not_ours_is_refused(tmp_path: Path) -> None:
    """A folder that the check does not know, or that cannot be looked into; nothing there is fine."""
    refuse_other(tmp_path / "new", "a plan", lambda folder: False)
    with pytest.raises(NotWrittenError, match="is in the way and is not a plan; move it, or give another --out"):
        refuse_other(tmp_path, "a plan", lambda folder: (folder / "plan.json").is_file())
    (tmp_path / "file").write_text("mine")
    with pytest.raises(NotWrittenError, match="Not a directory"):
        refuse_other(tmp_path / "file", "a plan", lambda folder: any(folder.iterdir()))
