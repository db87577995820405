"""Connections to ``readings.db``: opening, lending to threads, and errors in plain words."""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

from collector.errors import StoreError
from collector.store import sqlite_schema

#: How long a statement waits for another process's lock [s] before it is said.
BUSY_WAIT_S = 2.0

#: The write-ahead log is cut back to this after a checkpoint [bytes].
_LOG_LIMIT = 16 * 1024 * 1024

#: Readers kept open between uses; more are opened when needed and closed afterwards.
_READERS_KEPT_N = 4

_PLAIN_WORDS = {
    sqlite3.SQLITE_FULL: ("The disk is full.", "Free some space; writing goes on by itself."),
    sqlite3.SQLITE_BUSY: (
        "Another process holds the readings locked.",
        "Close the program that has the file open; writing goes on by itself.",
    ),
    sqlite3.SQLITE_LOCKED: (
        "Another connection holds the readings locked.",
        "Close the program that has the file open; writing goes on by itself.",
    ),
    sqlite3.SQLITE_READONLY: (
        "The readings may not be written.",
        "Make the file and its folder writable for the user that runs vatside.",
    ),
    sqlite3.SQLITE_PERM: (
        "The readings may not be opened.",
        "Make the file and its folder writable for the user that runs vatside.",
    ),
    sqlite3.SQLITE_CANTOPEN: (
        "The readings cannot be opened.",
        "Check that the folder exists and that the user that runs vatside may write in it.",
    ),
    sqlite3.SQLITE_NOTADB: (
        "This is not a database.",
        "Move the file away, or name another [store] folder in vatside.toml.",
    ),
    sqlite3.SQLITE_CORRUPT: (
        "The database is damaged.",
        "Stop vatside, keep a copy of the file, and put a backup in its place.",
    ),
    sqlite3.SQLITE_IOERR: (
        "The disk reports an error.",
        "Check the disk, its space and its cable; writing goes on by itself.",
    ),
}


def store_error(error: sqlite3.Error, path: Path) -> StoreError:
    """The ``StoreError`` that says in plain words what an SQLite error means, and the remedy."""
    code = getattr(error, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    what, remedy = _PLAIN_WORDS.get(primary, ("SQLite reports an error.", None))  # type: ignore[arg-type]
    return StoreError(f"{what[:-1]} ({error}).", where=str(path), remedy=remedy)


def open_writer(path: Path) -> sqlite3.Connection:
    """Open for writing, made and migrated where need be: WAL, every commit flushed to disk."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise StoreError(
            "There is a file where the folder belongs.",
            where=str(path.parent),
            remedy="Name another folder in [store], or move the file away.",
        ) from error
    except OSError as error:
        raise StoreError(
            f"The folder cannot be made ({error.strerror}).",
            where=str(path.parent),
            remedy="Make it by hand, writable for the user that runs vatside.",
        ) from error
    connection = connect(path, "rwc")
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute(f"PRAGMA journal_size_limit = {_LOG_LIMIT}")
        sqlite_schema.migrate(connection, str(path))
    except BaseException:
        connection.close()
        raise
    return connection


def open_reader(path: Path) -> sqlite3.Connection:
    """Open for reading only; raises ``StoreError`` when there is nothing to read yet."""
    if not path.exists():
        raise nothing_yet(path)
    connection = connect(path, "ro")
    try:
        if not sqlite_schema.is_current(connection, str(path)):
            raise nothing_yet(path)
    except BaseException:
        connection.close()
        raise
    return connection


def nothing_yet(path: Path) -> StoreError:
    """What to raise while the collector has made no file."""
    return StoreError(
        "No readings are kept here yet.",
        where=str(path),
        remedy="Start the collector (`vatside run`), which makes the file; if the readings lie "
        "elsewhere, name the settings that say where.",
    )


def connect(path: Path, mode: str) -> sqlite3.Connection:
    """A connection without transactions of its own; ``mode`` as SQLite's addresses have it."""
    return sqlite3.connect(
        f"file:{quote(str(path.absolute()))}?mode={mode}",
        uri=True,
        timeout=BUSY_WAIT_S,
        isolation_level=None,
        check_same_thread=False,
    )


class Readers:
    """Read-only connections, lent to one thread at a time and opened when first needed."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._idle: list[sqlite3.Connection] = []
        self._lock = threading.Lock()
        self._closed = False

    @contextlib.contextmanager
    def lend(self) -> Iterator[sqlite3.Connection]:
        """A connection inside one read transaction: all it reads is of the same moment."""
        with self._lock:
            connection = self._idle.pop() if self._idle else None
        try:
            connection = connection or open_reader(self._path)
            connection.execute("BEGIN")
            yield connection
            connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._drop(connection)
            raise store_error(error, self._path) from error
        except BaseException:
            self._drop(connection)
            raise
        self._take_back(connection)

    def close(self) -> None:
        """Close what is idle now, and each lent one as it comes back."""
        with self._lock:
            self._closed = True
            idle, self._idle = self._idle, []
        for connection in idle:
            connection.close()

    def _take_back(self, connection: sqlite3.Connection) -> None:
        with self._lock:
            if not self._closed and len(self._idle) < _READERS_KEPT_N:
                self._idle.append(connection)
                return
        connection.close()

    @staticmethod
    def _drop(connection: sqlite3.Connection | None) -> None:
        if connection is not None:
            connection.close()
