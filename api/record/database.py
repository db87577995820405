"""The one connection to record.db: transactions, locking, and what its faults mean."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

from api.record.migrations import migrate
from collector.errors import ConflictError, InvalidError, StoreError

Value = str | int | float | None


class Database:
    """record.db, opened and brought up to date; safe to use from several threads.

    One thread at a time is let in. ``clock`` gives the time in ms since 1970 UTC.
    Every method raises ``StoreError`` when the file cannot be read or written.
    """

    def __init__(self, path: Path, clock: Callable[[], int]) -> None:
        self.clock = clock
        self._path = path
        self._lock = threading.RLock()
        self._depth = 0
        self._undone_n = 0
        with self._told():
            path.parent.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
            self._connection.row_factory = sqlite3.Row
            self._prepare()

    def _prepare(self) -> None:
        try:
            for pragma in ("busy_timeout = 10000", "journal_mode = WAL", "synchronous = FULL"):
                self._connection.execute(f"PRAGMA {pragma}")
            migrate(self._connection, self.clock())
            self._connection.execute("PRAGMA foreign_keys = ON")
        except BaseException:
            self._connection.close()
            raise

    def transaction(self) -> AbstractContextManager[None]:
        """All changes within it, or none of them. May be nested: the outermost decides."""
        return self._within("BEGIN IMMEDIATE")

    def reading(self) -> AbstractContextManager[None]:
        """Several queries that see the record as it stood at one moment."""
        return self._within("BEGIN")

    @contextmanager
    def _within(self, begin: str) -> Iterator[None]:
        with self._lock, self._told():
            if self._depth == 0:
                self._connection.execute(begin)
            self._depth += 1
            try:
                yield
            except BaseException:
                self._depth -= 1
                if self._depth == 0:
                    self._undone_n += 1
                    self._connection.execute("ROLLBACK")
                raise
            self._depth -= 1
            if self._depth == 0:
                self._commit()

    def _commit(self) -> None:
        try:
            self._connection.execute("COMMIT")
        except BaseException:
            if self._connection.in_transaction:
                self._connection.execute("ROLLBACK")
            raise

    def version(self) -> tuple[int, int, int]:
        """Another one whenever something may have changed, whoever changed it."""
        with self._lock, self._told():
            (others,) = self._connection.execute("PRAGMA data_version").fetchone()
            return int(others), self._connection.total_changes, self._undone_n

    def rows(self, sql: str, values: Sequence[Value | bytes] = ()) -> list[sqlite3.Row]:
        """Every row of a query."""
        with self._lock, self._told():
            return self._connection.execute(sql, values).fetchall()

    def row(self, sql: str, values: Sequence[Value | bytes] = ()) -> sqlite3.Row | None:
        """The first row of a query, or None."""
        rows = self.rows(sql, values)
        return rows[0] if rows else None

    def change(self, sql: str, values: Sequence[Value | bytes] = ()) -> int:
        """Run one statement and give the id of the row it inserted, if it did."""
        with self._lock, self._told():
            return self._connection.execute(sql, values).lastrowid or 0

    def change_each(self, sql: str, rows: Sequence[Sequence[Value]]) -> None:
        """Run one statement for each row of values."""
        with self._lock, self._told():
            self._connection.executemany(sql, rows)

    def close(self) -> None:
        """Let go of the file."""
        with self._lock:
            self._connection.close()

    @contextmanager
    def _told(self) -> Iterator[None]:
        """Faults of the file as errors of ours."""
        try:
            yield
        except sqlite3.IntegrityError as error:
            # Every rule is checked before with words of its own; this is the net below them.
            raise ConflictError(
                f"the record's tables refuse that: {error}",
                remedy="Reload, look at what is on record now, and try again.",
            ) from error
        except OverflowError as error:
            raise InvalidError(
                "a number is larger than anything that can be kept",
                where="record",
                remedy="Look for a number of more than 18 digits and correct it.",
            ) from error
        except (sqlite3.Error, OSError) as error:
            raise StoreError(
                f"the record cannot be used: {error}",
                where=str(self._path),
                remedy="Check that the folder can be written, that the disk has room, and "
                "that no other program holds the file.",
            ) from error
