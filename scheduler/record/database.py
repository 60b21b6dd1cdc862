"""Open a record's database: the file checked, brought to this version, and every error told in one line.

A record is a SQLite database in WAL mode, so that a page can read while a command writes. Each change is one
transaction, flushed to disk when it ends: after a kill or a power cut the database holds each change whole or not at
all. Before a step to a newer version a copy of the file is kept beside it.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

from scheduler.record.schema import APPLICATION_ID, MIGRATIONS, VERSION
from scheduler.textio.errors import InputFaults, NotWrittenError, single_fault

RECORD_FILE = "record.sqlite"
LEFT_SECONDS = 86_400.0
"""A copy that is unfinished for so long is nobody's any more."""
WAIT_SECONDS = 20.0
"""How long a change waits for another program's."""


class RecordDamaged(InputFaults):
    """The file is no database, or a damaged one."""


def open_database(file: Path) -> sqlite3.Connection:
    """Open a record, made if it does not exist, at this program's version; changes begin with BEGIN IMMEDIATE.

    Raises
    ------
    RecordDamaged : it is damaged. InputFaults : it is another program's, or a newer version wrote it.
    NotWrittenError : it cannot be opened or brought to this version; nothing was changed.
    """
    with told(file):
        connection = sqlite3.connect(file, timeout=WAIT_SECONDS, isolation_level=None, check_same_thread=False)
        try:
            _prepare(connection, file)
        except BaseException:
            connection.close()
            raise
    return connection


def _prepare(connection: sqlite3.Connection, file: Path) -> None:
    """Check whose database it is, set how it is written, and migrate it."""
    connection.row_factory = sqlite3.Row
    application, version = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0]) for name in ("application_id", "user_version")
    )
    has_tables = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] > 0
    if has_tables and application != APPLICATION_ID:
        raise single_fault(file, "this is a database of another program; expected a site's record")
    if version > VERSION:
        message = f"this record was written by a newer version: version {version}; this program reads {VERSION}"
        raise single_fault(file, message)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA foreign_keys = ON")
    if version < VERSION:
        _migrate(connection, file)


def _migrate(connection: sqlite3.Connection, file: Path) -> None:
    """Bring the database to this version, one transaction per step, from whatever version it is at by now."""
    is_new = _version(connection) == 0
    for number, script in enumerate(MIGRATIONS, start=1):
        copy = file.with_name(f"{file.name}.version-{number - 1}")
        if not is_new and number - 1 == _version(connection) and not copy.exists():
            _keep_copy(connection, copy)
        with change(connection, file):
            if _version(connection) >= number:  # another program has been faster
                continue
            for statement in script.split(";\n"):
                if statement.strip():
                    connection.execute(statement)
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {number}")


def check_sound(connection: sqlite3.Connection, file: Path) -> None:
    """Refuse a database of which a page or an index is damaged, wherever it is.

    Raises
    ------
    RecordDamaged : it is damaged.
    """
    with told(file):
        found = [row[0] for row in connection.execute("PRAGMA integrity_check(1)")]
    if found != ["ok"]:
        raise _damaged(file, found[0])


def set_aside(file: Path, now: datetime) -> Path:
    """Rename a damaged record, with what belongs to it, so that a new one can be begun; nothing is deleted.

    Returns
    -------
    The record's new name.

    Raises
    ------
    InputFaults : it is not damaged, or there is none. NotWrittenError : it cannot be renamed.
    """
    if not file.is_file():
        raise single_fault(file, "there is no record to set aside")
    try:
        with closing(open_database(file)) as connection:
            check_sound(connection, file)
    except RecordDamaged:
        pass
    else:
        raise single_fault(file, "this record is not damaged; expected a damaged one to set aside")
    stamp = f"set-aside-{now.astimezone(UTC):%Y-%m-%dT%H%M%SZ}"
    places = [file.with_name(f"{file.name}{suffix}") for suffix in ("-shm", "-wal", "")]
    aside = [file.with_name(f"{file.name}.{stamp}{suffix}") for suffix in ("-shm", "-wal", "")]
    with told(file):
        for place, new in zip(places, aside, strict=True):  # the log goes first: a new record must not read it
            if place.exists():
                if new.exists():
                    raise FileExistsError(None, f"{new.name} is in the way")
                place.rename(new)
    return aside[-1]


def _version(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _keep_copy(connection: sqlite3.Connection, copy: Path) -> None:
    """Write a whole copy of the database, under another name until it is whole."""
    for left in copy.parent.glob(f"{copy.name}.unfinished-*"):  # by a program that was killed
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > LEFT_SECONDS:
                left.unlink()
    unfinished = copy.with_name(f"{copy.name}.unfinished-{datetime.now(UTC):%Y%m%dT%H%M%S%f}")
    try:
        with closing(sqlite3.connect(unfinished)) as target:
            connection.backup(target)
        unfinished.replace(copy)
    finally:
        with suppress(OSError):
            unfinished.unlink(missing_ok=True)


@contextmanager
def change(connection: sqlite3.Connection, file: Path) -> Iterator[sqlite3.Connection]:
    """Make the block's changes in one transaction: all of them, or none if it fails.

    Raises
    ------
    RecordDamaged : the database is damaged. NotWrittenError : it cannot be written; nothing was changed.
    """
    with told(file):
        connection.execute("BEGIN IMMEDIATE")
        try:
            yield connection
            connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise


def _damaged(file: Path, problem: str) -> RecordDamaged:
    """Return the exception to raise for a damaged record, which says how to go on."""
    message = f"this record is damaged: {' '.join(problem.split())}; nothing was changed"
    return RecordDamaged(single_fault(file, f"{message}; overnight record SITE --set-aside begins a new one").faults)


@contextmanager
def told(file: Path) -> Iterator[None]:
    """Turn an error of the database into one line about its file."""
    try:
        yield
    except sqlite3.OperationalError as error:
        reason = "another program is writing to it" if "locked" in str(error) else str(error)
        raise NotWrittenError(f"{file} cannot be written: {reason}; nothing was changed") from None
    except sqlite3.DatabaseError as error:
        if isinstance(error, (sqlite3.IntegrityError, sqlite3.ProgrammingError)):
            raise
        raise _damaged(file, str(error)) from None
    except OSError as error:
        raise NotWrittenError(f"{file} cannot be written: {error.strerror or error}; nothing was changed") from None
