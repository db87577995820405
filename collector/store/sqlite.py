"""Readings in one SQLite file, safe against a crash at any moment.

One process appends; any number may read at the same time, each through a connection of its
own. An append is one transaction: readings, conflicts, accounts, refused messages and the
journal of what was touched are on disk together or not at all.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Self

import numpy as np
import numpy.typing as npt

from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.store import (
    sqlite_append,
    sqlite_backup,
    sqlite_check,
    sqlite_hours,
    sqlite_parts,
    sqlite_read,
)
from collector.store.checksum import Checksum
from collector.store.claim import Claim
from collector.store.contract import (
    Appended,
    Arrival,
    Buckets,
    Coverage,
    Removal,
)
from collector.store.recent_hours import RecentHours
from collector.store.sqlite_backup import Backup
from collector.store.sqlite_connections import Readers, open_writer, store_error
from collector.store.sqlite_hours import Slot
from collector.store.sqlite_looks import Looks
from collector.store.stretches import DAY_MS, Parts, buckets_from, coverage_from, edges_of, grain_of

_IN_WINDOW = "channel = ? AND time_ms >= ? AND time_ms < ?"

_NORMAL = 1  # PRAGMA synchronous

#: Settled hours are packed after so many messages or so long, for so long at a time.
SETTLE_EVERY_N = 1_000
SETTLE_EVERY_S = 30.0
SETTLE_BUDGET_S = 0.02


class SqliteStore(Looks):
    """A :class:`~collector.store.contract.ReadingStore` in one file, ``readings.db``.

    With ``read_only`` nothing is made or changed, the file may still be missing, and every
    method raises ``StoreError`` until the collector has made it. With ``open_later`` the file
    is made by the first append, which then raises what would be raised here. Safe to use from
    threads.
    """

    _touched_after = (
        "SELECT name, first_ms, last_ms FROM touched JOIN channel ON id = touched.channel"
        " WHERE seq > ? ORDER BY seq"
    )

    def __init__(self, path: Path, *, read_only: bool = False, open_later: bool = False) -> None:
        self.path = path
        self.read_only = read_only
        self._readers = Readers(path)
        self._recent = RecentHours()
        self._writing = threading.Lock()
        self._writer: sqlite3.Connection | None = None
        self._claim: Claim | None = None
        self._channel_ids: dict[str, int] = {}
        self._open_slots: set[Slot] = set()
        self._too_full: set[Slot] = set()
        self._unsettled = True
        self._since_settled_n = 0
        self._settled_at_s = 0.0
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
        with self._transaction() as connection:
            ids = dict(self._channel_ids)
            appended = sqlite_append.append(connection, arrivals, ids, self._open_slots)
            sqlite_append.keep_deliveries(connection, arrivals, settled)
            self._channel_ids = ids  # forgotten again if the commit fails
        self._settle_now_and_then(len(arrivals))
        return appended

    def settle(self, budget_s: float = SETTLE_BUDGET_S) -> bool:
        """Pack hours that are settled, for about so long; True when there are more.

        An hour is settled when its channel has a reading two hours after its start. ``append``
        does a slice of this now and then; call it for whatever it leaves, after an import say.

        A slice is not flushed to disk by itself: after a power cut its hours are rows again or
        packed, with the commit after it flushed in any case.
        """
        with self._transaction(flushed=False) as connection:
            packed_n, more = sqlite_hours.settle(connection, budget_s, self._too_full)
            if packed_n:
                self._open_slots.clear()
        self._unsettled = more
        return more

    def _settle_now_and_then(self, arrivals_n: int) -> None:
        """A slice of :meth:`settle` when it is due; a fault is left for the next append to meet."""
        self._since_settled_n += arrivals_n
        moment = time.monotonic()
        waited_s = moment - self._settled_at_s
        if not (
            self._unsettled or self._since_settled_n >= SETTLE_EVERY_N or waited_s >= SETTLE_EVERY_S
        ):
            return
        self._since_settled_n, self._settled_at_s = 0, moment
        with contextlib.suppress(StoreError):
            self.settle()

    def delete_range(
        self,
        channel: str,
        start_ms: int,
        end_ms: int,
        *,
        reason: str = "asked for",
        goes_on: bool = False,
    ) -> int:
        """Remove a channel's readings in the window, conflicts with them; how many readings.

        What was removed stays on record with its reason (:meth:`removals`), not its values.
        One that ``goes_on`` from the removal before it is noted together with that, and flushed
        with the next commit: after a power cut it may not have happened.
        """
        return self._cut(channel, start_ms, end_ms, None, reason, goes_on=goes_on)

    def delete_at(
        self,
        channel: str,
        times_ms: npt.NDArray[np.int64],
        *,
        reason: str = "asked for",
        goes_on: bool = False,
    ) -> int:
        """Remove the readings of a channel at these times; how many there were."""
        if not len(times_ms):
            return 0
        times_ms = np.sort(times_ms)
        window = (int(times_ms[0]), int(times_ms[-1]) + 1)
        return self._cut(channel, *window, times_ms, reason, goes_on=goes_on)

    def _cut(
        self,
        channel: str,
        start_ms: int,
        end_ms: int,
        doomed_ms: npt.NDArray[np.int64] | None,
        reason: str,
        *,
        goes_on: bool,
    ) -> int:
        with self._transaction(flushed=not goes_on) as connection:
            first = sqlite_read.after(connection, channel, start_ms)
            last = sqlite_read.before(connection, channel, end_ms)
            if first is None or last is None or first.time_ms > last.time_ms:
                return 0
            number, touched = sqlite_read.id_of(connection, channel), (first.time_ms, last.time_ms)
            self._open_slots.clear()
            self._too_full.clear()
            readings_n, conflicts_n = sqlite_hours.cut(
                connection, number, touched[0], touched[1] + 1, doomed_ms
            )
            if readings_n:
                sqlite_append.note_touched(connection, {number: touched})
                noted = (number, (start_ms, end_ms), readings_n, conflicts_n, reason)
                if not (goes_on and sqlite_append.lengthen_removal(connection, *noted)):
                    sqlite_append.note_removal(connection, *noted)
        return readings_n

    def removals(self) -> list[Removal]:
        """What was removed on purpose, oldest first."""
        with self._reading() as connection:
            return [
                Removal(*row)
                for row in connection.execute(
                    "SELECT removed_ms, name, start_ms, end_ms, readings_n, conflicts_n, reason"
                    " FROM removal JOIN channel ON id = removal.channel ORDER BY number"
                )
            ]

    def removed(self) -> list[Removal]:
        """The same, all of one channel and reason put together; sorted by both.

        Each reaches from its first window to its last, and is of the last one's moment.
        """
        with self._reading() as connection:
            return [
                Removal(*row)
                for row in connection.execute(
                    "SELECT max(removed_ms), name, min(start_ms), max(end_ms), sum(readings_n),"
                    " sum(conflicts_n), reason FROM removal JOIN channel ON id = removal.channel"
                    " GROUP BY name, reason ORDER BY name, reason"
                )
            ]

    @contextlib.contextmanager
    def _transaction(self, *, flushed: bool = True) -> Iterator[sqlite3.Connection]:
        """The writer, for one thread, within a transaction that is kept whole or not at all.

        One that is not ``flushed`` reaches the disk with the next that is.
        """
        if self.read_only:
            raise StoreError("This store was opened for reading only.", where=str(self.path))
        with self._writing:
            connection = self._open_writer()
            try:
                with contextlib.nullcontext() if flushed else _unflushed(connection):
                    connection.execute("BEGIN IMMEDIATE")
                    yield connection
                    connection.execute("COMMIT")
            except BaseException as error:
                # What failed may have broken the connection (disk gone, file replaced): start
                # from a fresh one. Closing it rolls the transaction back.
                self._close_writer()
                if isinstance(error, sqlite3.Error):
                    raise store_error(error, self.path) from error
                raise

    def _open_writer(self) -> sqlite3.Connection:
        if self._writer is None:
            try:
                self._writer = open_writer(self.path)
                self._claim = Claim(self.path)
            except sqlite3.Error as error:
                raise store_error(error, self.path) from error
            except OSError as error:
                self._close_writer()
                raise StoreError(
                    f"The readings cannot be held against a second writer ({error.strerror}).",
                    where=str(self.path.with_suffix(".lock")),
                    remedy="Make the folder writable for the user that runs vatside.",
                ) from error
            except BaseException:
                self._close_writer()
                raise
        return self._writer

    def _close_writer(self) -> None:
        self._channel_ids = {}
        self._open_slots.clear()
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        if self._claim is not None:
            self._claim.close()
            self._claim = None

    # -- reading ---------------------------------------------------------------------------

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        """Readings of a channel in the window, in time order, conflicts left out."""
        with self._reading() as connection:
            return sqlite_read.series(connection, channel, start_ms, end_ms)

    def conflicts(self, channel: str, start_ms: int, end_ms: int) -> list[Reading]:
        """Second values that came for a channel and time in the window, in time order."""
        with self._reading() as connection:
            rows = connection.execute(
                f"SELECT time_ms, value, marks FROM conflict WHERE {_IN_WINDOW}"
                " ORDER BY time_ms, value",
                (sqlite_read.id_of(connection, channel), start_ms, end_ms),
            )
            return [Reading(channel, time, value, Mark(marks)) for time, value, marks in rows]

    def before(self, channel: str, time_ms: int) -> Reading | None:
        """The last reading of a channel strictly before a time."""
        with self._reading() as connection:
            return sqlite_read.before(connection, channel, time_ms)

    def after(self, channel: str, time_ms: int) -> Reading | None:
        """The first reading of a channel at or after a time."""
        with self._reading() as connection:
            return sqlite_read.after(connection, channel, time_ms)

    def buckets(
        self, channel: str, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
    ) -> Buckets:
        """The window in ``n`` buckets, for a chart. Raises ``InvalidError`` for an empty one."""
        edges = edges_of(start_ms, end_ms, n)
        grain_ms = grain_of(start_ms, end_ms, n)
        parts = self._parts(channel, start_ms, end_ms, grain_ms, gap_limit_ms, edges)
        return buckets_from(channel, parts, start_ms, end_ms, n, gap_limit_ms=gap_limit_ms)

    def coverage(self, channel: str, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
        """How much of the window was recorded, and the holes in it, cut to the window."""
        parts = self._parts(channel, start_ms, end_ms, DAY_MS, gap_limit_ms)
        return coverage_from(parts, start_ms, end_ms, gap_limit_ms=gap_limit_ms)

    def _parts(
        self,
        channel: str,
        start_ms: int,
        end_ms: int,
        grain_ms: int,
        gap_limit_ms: int,
        edges: npt.NDArray[np.int64] | None = None,
    ) -> Parts:
        with self._reading() as connection:
            return sqlite_parts.parts(
                connection,
                self._recent.view(connection),
                channel,
                start_ms,
                end_ms,
                grain_ms=grain_ms,
                gap_limit_ms=gap_limit_ms,
                edges=edges,
            )

    def latest(self) -> dict[str, Reading]:
        """The reading with the latest time, per channel."""
        with self._reading() as connection:
            names = [name for (name,) in connection.execute("SELECT name FROM channel")]
            end = np.iinfo(np.int64).max
            found = {name: sqlite_read.before(connection, name, int(end)) for name in sorted(names)}
        return {name: reading for name, reading in found.items() if reading is not None}

    def channels(self) -> list[str]:
        """Ids of the channels that have readings, sorted."""
        with self._reading() as connection:
            rows = connection.execute(
                "SELECT name FROM channel"
                " WHERE packed_n > 0"
                " OR EXISTS (SELECT 1 FROM reading WHERE reading.channel = channel.id)"
                " ORDER BY name"
            )
            return [name for (name,) in rows]

    def count(self, channel: str | None = None) -> int:
        """Number of readings kept, of one channel or of all, conflicts left out."""
        with self._reading() as connection:
            if channel is None:
                row = connection.execute(
                    "SELECT (SELECT count(*) FROM reading)"
                    " + (SELECT coalesce(sum(packed_n), 0) FROM channel)"
                ).fetchone()
            else:
                row = connection.execute(
                    "SELECT packed_n + (SELECT count(*) FROM reading WHERE channel = channel.id)"
                    " FROM channel WHERE name = ?",
                    (channel,),
                ).fetchone()
            return 0 if row is None else int(row[0])

    # -- looking after the file --------------------------------------------------------------

    def check(self, sample_n: int | None = None) -> list[str]:
        """What is wrong with the file, in plain words; empty when nothing is.

        SQLite's own check, the accounts, and every packed hour and sum against a recomputation;
        with ``sample_n`` only so many hours, evenly spread.
        """
        with self._reading() as connection:
            return sqlite_check.check(connection, sample_n)

    def checksums(self) -> dict[str, Checksum]:
        """Count and checksum of every channel's readings, however they are kept."""
        with self._reading() as connection:
            return sqlite_check.checksums(connection)

    def backup(self, to: Path) -> Backup:
        """A verified copy of one moment in a file of its own, while the collector goes on.

        Put in the place of ``readings.db`` it is the store of that moment. Raises ``StoreError``
        when the file is there already, cannot be written, or is not equal to the original.
        """
        return sqlite_backup.backup(self._readers, to)

    def compact(self) -> int:
        """Give free space in the file back to the disk; how many bytes.

        Nothing can be appended meanwhile, and for the time being the disk has to hold the file
        twice.
        """
        if self.read_only:
            raise StoreError("This store was opened for reading only.", where=str(self.path))
        with self._writing:
            connection = self._open_writer()
            try:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                before = self.path.stat().st_size
                connection.execute("VACUUM")
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            except sqlite3.Error as error:
                self._close_writer()
                raise store_error(error, self.path) from error
        return before - self.path.stat().st_size

    def close(self) -> None:
        """Let go of files and connections."""
        self._readers.close()
        with self._writing:
            self._close_writer()

    def _reading(self) -> AbstractContextManager[sqlite3.Connection]:
        return self._readers.lend()


@contextlib.contextmanager
def _unflushed(connection: sqlite3.Connection) -> Iterator[None]:
    """Commits within leave the write-ahead log to be flushed by the next commit, or a checkpoint.

    ``NORMAL`` in WAL mode never leaves the file inconsistent (sqlite.org/pragma, synchronous).
    """
    (before,) = connection.execute("PRAGMA synchronous").fetchone()
    connection.execute(f"PRAGMA synchronous = {min(before, _NORMAL)}")
    yield
    connection.execute(f"PRAGMA synchronous = {before}")
