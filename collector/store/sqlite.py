"""Readings in one SQLite file, safe against a crash at any moment.

One process appends; any number may read at the same time, each through a connection of its
own. An append is one transaction: readings, conflicts, accounts, refused messages and the
journal of what was touched are on disk together or not at all.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Self

import numpy as np

from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.store import sqlite_append
from collector.store.contract import (
    Accounts,
    Appended,
    Arrival,
    Buckets,
    Change,
    Changes,
    Coverage,
    Deliveries,
    Delivery,
    RefusedMessage,
)
from collector.store.sqlite_connections import Readers, open_writer, store_error
from collector.store.stretches import buckets_of, coverage_of

_IN_WINDOW = "channel = ? AND time_ms >= ? AND time_ms < ?"
_BEFORE = (
    "SELECT time_ms, value, marks FROM reading WHERE channel = ? AND time_ms < ?"
    " ORDER BY time_ms DESC LIMIT 1"
)
_AFTER = (
    "SELECT time_ms, value, marks FROM reading WHERE channel = ? AND time_ms >= ?"
    " ORDER BY time_ms LIMIT 1"
)


class SqliteStore:
    """A :class:`~collector.store.contract.ReadingStore` in one file, ``readings.db``.

    With ``read_only`` nothing is made or changed, the file may still be missing, and every
    method raises ``StoreError`` until the collector has made it. With ``open_later`` the file
    is made by the first append, which then raises what would be raised here. Safe to use from
    threads.
    """

    def __init__(self, path: Path, *, read_only: bool = False, open_later: bool = False) -> None:
        self.path = path
        self.read_only = read_only
        self._readers = Readers(path)
        self._writing = threading.Lock()
        self._writer: sqlite3.Connection | None = None
        self._channel_ids: dict[str, int] = {}
        if not (read_only or open_later):
            with self._writing:
                self._open_writer()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- writing ---------------------------------------------------------------------------

    def append(self, arrivals: Sequence[Arrival], *, settled: int = 0) -> Appended:
        """Keep what arrived, in one durable transaction with the accounts. Idempotent.

        ``settled``: deliveries up to this number are acknowledged, as the broker has confirmed.
        Raises ``StoreError`` when nothing of it could be kept; the same call may be repeated.
        """
        if self.read_only:
            raise StoreError("This store was opened for reading only.", where=str(self.path))
        with self._writing:
            connection = self._open_writer()
            ids = dict(self._channel_ids)
            try:
                connection.execute("BEGIN IMMEDIATE")
                appended = sqlite_append.append(connection, arrivals, ids)
                sqlite_append.keep_deliveries(connection, arrivals, settled)
                connection.execute("COMMIT")
            except BaseException as error:
                # What failed may have broken the connection (disk gone, file replaced): start
                # from a fresh one. Closing it rolls the transaction back.
                self._close_writer()
                if isinstance(error, sqlite3.Error):
                    raise store_error(error, self.path) from error
                raise
            self._channel_ids = ids
            return appended

    def _open_writer(self) -> sqlite3.Connection:
        if self._writer is None:
            try:
                self._writer = open_writer(self.path)
            except sqlite3.Error as error:
                raise store_error(error, self.path) from error
        return self._writer

    def _close_writer(self) -> None:
        self._channel_ids = {}
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    # -- reading ---------------------------------------------------------------------------

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        """Readings of a channel in the window, in time order, conflicts left out."""
        with self._reading() as connection:
            return _series(connection, channel, start_ms, end_ms)

    def conflicts(self, channel: str, start_ms: int, end_ms: int) -> list[Reading]:
        """Second values that came for a channel and time in the window, in time order."""
        with self._reading() as connection:
            rows = connection.execute(
                f"SELECT time_ms, value, marks FROM conflict WHERE {_IN_WINDOW}"
                " ORDER BY time_ms, value",
                (_id_of(connection, channel), start_ms, end_ms),
            )
            return [Reading(channel, time, value, Mark(marks)) for time, value, marks in rows]

    def before(self, channel: str, time_ms: int) -> Reading | None:
        """The last reading of a channel strictly before a time."""
        with self._reading() as connection:
            return _one(connection, _BEFORE, channel, time_ms)

    def after(self, channel: str, time_ms: int) -> Reading | None:
        """The first reading of a channel at or after a time."""
        with self._reading() as connection:
            return _one(connection, _AFTER, channel, time_ms)

    def buckets(
        self, channel: str, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
    ) -> Buckets:
        """The window in ``n`` buckets, for a chart. Raises ``InvalidError`` for an empty one."""
        with self._reading() as connection:
            series = _with_neighbours(connection, channel, start_ms, end_ms)
        return buckets_of(
            channel,
            series.times_ms,
            series.values,
            start_ms,
            end_ms,
            n,
            gap_limit_ms=gap_limit_ms,
        )

    def coverage(self, channel: str, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
        """How much of the window was recorded, and the holes in it, cut to the window."""
        with self._reading() as connection:
            series = _with_neighbours(connection, channel, start_ms, end_ms)
        return coverage_of(series.times_ms, start_ms, end_ms, gap_limit_ms=gap_limit_ms)

    def latest(self) -> dict[str, Reading]:
        """The reading with the latest time, per channel."""
        with self._reading() as connection:
            names = [name for (name,) in connection.execute("SELECT name FROM channel")]
            end = np.iinfo(np.int64).max
            found = {name: _one(connection, _BEFORE, name, int(end)) for name in sorted(names)}
        return {name: reading for name, reading in found.items() if reading is not None}

    def channels(self) -> list[str]:
        """Ids of the channels that have readings, sorted."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT name FROM channel"
                " WHERE EXISTS (SELECT 1 FROM reading WHERE reading.channel = channel.id)"
                " ORDER BY name"
            )
            return [name for (name,) in rows]

    def count(self, channel: str | None = None) -> int:
        """Number of readings kept, of one channel or of all, conflicts left out."""
        with self._reading() as connection:
            if channel is None:
                row = connection.execute("SELECT count(*) FROM reading").fetchone()
            else:
                row = connection.execute(
                    "SELECT count(*) FROM reading WHERE channel = ?", (_id_of(connection, channel),)
                ).fetchone()
            return int(row[0])

    def accounts(self) -> Accounts:
        """The accounts as of the last append."""
        with self._reading() as connection:
            return Accounts(**dict(connection.execute("SELECT name, count FROM account")))

    def refused(self, limit: int = 100) -> list[RefusedMessage]:
        """The newest refused messages, newest first; older ones than the newest 1,000 are gone."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT number, topic, reason, received_ms, payload FROM refused_message"
                " ORDER BY number DESC LIMIT ?",
                (max(0, limit),),
            )
            return [RefusedMessage(*row) for row in rows]

    def deliveries(self) -> Deliveries:
        """The deliveries that may come again, and those kept in case a broker forgets."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT number, packet_id, digest FROM delivery ORDER BY number"
            )
            kept = tuple(Delivery(*row) for row in rows)
            (settled,) = connection.execute("SELECT number FROM settled").fetchone()
        return Deliveries(kept, settled)

    def changes(self, cursor: int | None = None) -> Changes:
        """What was touched after ``cursor``; None gives only the cursor of now.

        The journal keeps the newest 10,000 entries; ``complete`` is False when ``cursor`` is
        older than that, or comes from another file.
        """
        with self._reading() as connection:
            oldest, newest = connection.execute(
                "SELECT coalesce(min(seq), 1), coalesce(max(seq), 0) FROM touched"
            ).fetchone()
            if cursor is None:
                return Changes(newest)
            rows = connection.execute(
                "SELECT name, first_ms, last_ms FROM touched JOIN channel ON id = touched.channel"
                " WHERE seq > ? ORDER BY seq",
                (cursor,),
            )
            changes = tuple(Change(*row) for row in rows)
        return Changes(newest, changes, complete=oldest - 1 <= cursor <= newest)

    def close(self) -> None:
        """Let go of files and connections."""
        self._readers.close()
        with self._writing:
            self._close_writer()

    def _reading(self) -> AbstractContextManager[sqlite3.Connection]:
        return self._readers.lend()


def _id_of(connection: sqlite3.Connection, channel: str) -> int:
    """Number of a channel; -1, which no reading has, when nothing came from it yet."""
    row = connection.execute("SELECT id FROM channel WHERE name = ?", (channel,)).fetchone()
    return -1 if row is None else int(row[0])


def _one(connection: sqlite3.Connection, query: str, channel: str, time_ms: int) -> Reading | None:
    row = connection.execute(query, (_id_of(connection, channel), time_ms)).fetchone()
    return None if row is None else Reading(channel, row[0], row[1], Mark(row[2]))


def _series(connection: sqlite3.Connection, channel: str, start_ms: int, end_ms: int) -> Series:
    rows = connection.execute(
        f"SELECT time_ms, value, marks FROM reading WHERE {_IN_WINDOW} ORDER BY time_ms",
        (_id_of(connection, channel), start_ms, end_ms),
    ).fetchall()
    return Series.of(channel, rows)


def _with_neighbours(
    connection: sqlite3.Connection, channel: str, start_ms: int, end_ms: int
) -> Series:
    """The window's readings with the last one before it and the first one from its end on."""
    before = _one(connection, _BEFORE, channel, start_ms)
    after = _one(connection, _AFTER, channel, end_ms)
    first = start_ms if before is None else before.time_ms
    last = end_ms if after is None else after.time_ms + 1
    return _series(connection, channel, first, last)
