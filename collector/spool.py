"""A durable queue on disk in front of a remote store, with the accounts of what went through.

What comes in is on disk, flushed, before it is acknowledged; it stays until the remote store is
known to have it. Only then is it counted, in the one transaction that takes it out of the queue,
so ``received = stored + duplicate + refused`` is exact at every moment and nothing that was
written in part is ever counted as stored. The queue keeps its order and has a limit: when that
is reached it takes nothing more and says so, and the broker holds the rest.

One process writes; others may read the accounts, the refused messages and the journal.
"""

from __future__ import annotations

import contextlib
import math
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import orjson

from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.store import known, sqlite_append
from collector.store.claim import Claim
from collector.store.contract import (
    Arrival,
    Refusal,
)
from collector.store.settling import Settled
from collector.store.sqlite_append import REFUSED_BYTES_KEPT_N, keep_deliveries
from collector.store.sqlite_connections import connect, nothing_yet, store_error
from collector.store.sqlite_looks import Looks

_APPLICATION_ID = 0x7673_7031  # "vsp1"

_SCHEMA = """
CREATE TABLE waiting (
    number INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, received_ms INTEGER NOT NULL,
    readings_n INTEGER NOT NULL, body BLOB NOT NULL, payload BLOB NOT NULL) STRICT;
CREATE TABLE account (name TEXT PRIMARY KEY, count INTEGER NOT NULL) STRICT, WITHOUT ROWID;
CREATE TABLE refused_message (
    number INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, reason TEXT NOT NULL,
    received_ms INTEGER NOT NULL, payload BLOB NOT NULL) STRICT;
CREATE TABLE touched (
    seq INTEGER PRIMARY KEY AUTOINCREMENT, channel TEXT NOT NULL,
    first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL) STRICT;
CREATE TABLE delivery (
    number INTEGER PRIMARY KEY, packet_id INTEGER NOT NULL, digest BLOB NOT NULL) STRICT;
CREATE TABLE settled (number INTEGER NOT NULL) STRICT;
INSERT INTO settled VALUES (0);
CREATE TABLE known_channel (
    id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, last_ms INTEGER NOT NULL) STRICT;
CREATE TABLE known_hour (
    channel INTEGER NOT NULL, hour INTEGER NOT NULL, used INTEGER NOT NULL,
    PRIMARY KEY (channel, hour)) STRICT, WITHOUT ROWID;
CREATE TABLE known (
    channel INTEGER NOT NULL, time_ms INTEGER NOT NULL, value REAL NOT NULL,
    marks INTEGER NOT NULL, PRIMARY KEY (channel, time_ms)) STRICT, WITHOUT ROWID;
CREATE TABLE known_other (
    channel INTEGER NOT NULL, time_ms INTEGER NOT NULL, nth INTEGER NOT NULL,
    value REAL NOT NULL, PRIMARY KEY (channel, time_ms, nth)) STRICT, WITHOUT ROWID;
"""


#: Bytes and readings of what waits.
_SIZES = (
    "coalesce(sum(length(body) + length(payload) + length(topic) + 100), 0),"
    " coalesce(sum(readings_n), 0)"
)


@dataclass(frozen=True, slots=True)
class Waiting:
    """An arrival in the queue, and its number; numbers go up and are never used again."""

    number: int
    arrival: Arrival


@dataclass(frozen=True, slots=True)
class Queue:
    """How many messages and readings wait, and when the first of them came [ms since 1970]."""

    messages_n: int
    readings_n: int
    since_ms: int | None


class Spool(Looks):
    """The queue and its accounts in one file. Safe to use from threads.

    ``fits`` gives the first time and the end of the times that the remote store can keep [ms].
    With ``read_only`` nothing is made or changed, and every method raises ``StoreError`` until
    the collector has made the file. Raises ``StoreError`` when another process writes to it. The
    accounts are of what has left the queue.
    """

    _touched_after = "SELECT channel, first_ms, last_ms FROM touched WHERE seq > ? ORDER BY seq"

    def __init__(
        self,
        path: Path,
        *,
        limit_bytes: int = 2**30,
        fits: tuple[int, int] = (-(2**63), 2**63 - 1),
        read_only: bool = False,
    ) -> None:
        self.path = path
        self._limit_bytes = limit_bytes
        self._fits = fits
        self._writing = threading.RLock()
        self._writer: sqlite3.Connection | None = None
        self._claim: Claim | None = None
        self._bytes = 0
        self._readings_n = 0
        if not read_only:
            with self.transaction():
                pass

    # -- in and out --------------------------------------------------------------------------

    def put(self, arrivals: Sequence[Arrival], *, settled: int = 0) -> int:
        """Put arrivals at the end of the queue, on disk; the number of the last one there.

        Deliveries are kept in the same transaction. Raises ``StoreError`` when the queue is
        full or the disk does not take it; then nothing of it is kept.
        """
        rows = [_row(self._fitting(arrival)) for arrival in arrivals]
        size = sum(_size(row) for row in rows)
        with self.transaction() as connection:
            if rows and self._bytes + size > self._limit_bytes:
                raise self._full()
            connection.executemany(
                "INSERT INTO waiting (topic, received_ms, readings_n, body, payload)"
                " VALUES (?, ?, ?, ?, ?)",
                rows,
            )
            keep_deliveries(connection, arrivals, settled)
            (last,) = connection.execute(
                "SELECT coalesce(max(seq), 0) FROM sqlite_sequence WHERE name = 'waiting'"
            ).fetchone()
        self._bytes += size
        self._readings_n += sum(row[2] for row in rows)
        return int(last)

    def take(self, most_readings_n: int) -> list[Waiting]:
        """The oldest arrivals, up to so many readings but one arrival at least; they stay."""
        taken: list[Waiting] = []
        readings_n = 0
        with self.looking() as connection:
            for row in connection.execute(
                "SELECT number, readings_n, topic, received_ms, body, payload FROM waiting"
                " ORDER BY number"
            ):
                readings_n += row[1]
                if taken and readings_n > most_readings_n:
                    break
                taken.append(Waiting(row[0], _arrival(*row[2:])))
        return taken

    def settle(
        self, through: int, done: Settled, also: Callable[[sqlite3.Connection], None]
    ) -> None:
        """Take everything up to a number out of the queue and count it, in one transaction.

        ``also`` does its own part in that transaction.
        """
        with self.transaction() as connection:
            size, readings_n = connection.execute(
                f"SELECT {_SIZES} FROM waiting WHERE number <= ?", (through,)
            ).fetchone()
            connection.execute("DELETE FROM waiting WHERE number <= ?", (through,))
            _count(connection, done)
            sqlite_append.note_touched(connection, done.touched)
            also(connection)
        self._bytes -= size
        self._readings_n -= readings_n

    @contextlib.contextmanager
    def looking(self) -> Iterator[sqlite3.Connection]:
        """The writer's connection, to look at what it alone changes."""
        with self._writing:
            try:
                yield self._open()
            except sqlite3.Error as error:
                self._let_go()
                raise store_error(error, self.path) from error

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """The writer's connection inside one transaction that is flushed to disk at its end."""
        with self._writing:
            try:
                connection = self._open()
                connection.execute("BEGIN IMMEDIATE")
                yield connection
                connection.execute("COMMIT")
            except BaseException as error:
                # What failed may have broken the connection: start from a fresh one. Closing it
                # rolls the transaction back.
                self._let_go()
                if isinstance(error, sqlite3.Error):
                    raise store_error(error, self.path) from error
                raise

    # -- what it says ------------------------------------------------------------------------

    def waiting_n(self) -> int:
        """Number of messages that the remote store has not got yet."""
        with self._reading() as connection:
            return _messages_n(connection)

    def waiting(self) -> Queue:
        """How much waits for the remote store; at once for the writer, others have to count."""
        with self._reading() as connection:
            readings_n = self._readings_n
            if self._writer is None:
                _, readings_n = connection.execute(f"SELECT {_SIZES} FROM waiting").fetchone()
            first = connection.execute(
                "SELECT received_ms FROM waiting ORDER BY number LIMIT 1"
            ).fetchone()
            messages_n = _messages_n(connection)
        return Queue(messages_n, readings_n if messages_n else 0, first[0] if first else None)

    def lately(
        self, channels: Sequence[str], start_ms: int, end_ms: int, most_n: int
    ) -> Iterator[Series]:
        """The newest readings of each channel in a window: what waits, and what is known there.

        One channel after the other, for all at once would be much to hold. Of a queue that is
        longer than that the end is looked at alone.
        """
        waiting: dict[str, dict[int, tuple[float, int]]] = {channel: {} for channel in channels}
        with self._reading() as connection:
            bodies = _last_bodies(connection, start_ms, most_n * len(channels))
            for channel, time_ms, value, marks in _readings_in(bodies):
                if channel in waiting and start_ms <= time_ms < end_ms:
                    waiting[channel].setdefault(time_ms, (value, marks))
            for channel in channels:
                kept = waiting.pop(channel)
                for time_ms, value, marks in known.newest(
                    connection, channel, start_ms, end_ms, most_n
                ):
                    kept[time_ms] = (value, marks)  # what waits for it is a second value
                newest = sorted(kept)[-most_n:]
                yield Series.of(channel, [(at, *kept[at]) for at in newest])

    def close(self) -> None:
        """Let go of the file; another process may write to it then."""
        with self._writing:
            self._let_go()

    # -- inside ------------------------------------------------------------------------------

    def _fitting(self, arrival: Arrival) -> Arrival:
        """The arrival with the readings that no store could keep turned into refusals."""
        first_ms, end_ms = self._fits
        unfit = [
            reading
            for reading in arrival.readings
            if not (math.isfinite(reading.value) and first_ms <= reading.time_ms < end_ms)
        ]
        if not unfit or arrival.again:
            return arrival
        reason = "value or time is outside what can be kept"
        return replace(
            arrival,
            readings=tuple(reading for reading in arrival.readings if reading not in unfit),
            refusals=(*arrival.refusals, *(Refusal(reason, one.channel) for one in unfit)),
        )

    def _full(self) -> StoreError:
        return StoreError(
            f"The spool is full: {self._bytes / 2**20:.0f} MB wait for the remote store.",
            where=str(self.path),
            remedy="Bring the remote store back, or raise spool_limit_mb in [influx].",
        )

    def _open(self) -> sqlite3.Connection:
        if self._writer is None:
            try:
                self.path.parent.mkdir(parents=True, exist_ok=True)
                self._claim = Claim(self.path)
            except OSError as error:
                raise StoreError(
                    f"The spool cannot be opened ({error.strerror}).",
                    where=str(self.path),
                    remedy="Make its folder writable for the user that runs vatside.",
                ) from error
            try:
                self._writer = connect(self.path, "rwc")
                _make(self._writer, self.path)
                self._bytes, self._readings_n = self._writer.execute(
                    f"SELECT {_SIZES} FROM waiting"
                ).fetchone()
            except BaseException:
                self._let_go()
                raise
        return self._writer

    def _let_go(self) -> None:
        if self._writer is not None:
            self._writer.close()
            self._writer = None
        if self._claim is not None:
            self._claim.close()
            self._claim = None

    @contextlib.contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """A read-only connection inside one transaction: all it reads is of one moment."""
        if not self.path.exists():
            raise nothing_yet(self.path)
        connection = None
        try:
            connection = connect(self.path, "ro")
            connection.execute("BEGIN")
            if not _is_ours(connection):
                raise nothing_yet(self.path)
            yield connection
        except sqlite3.Error as error:
            raise store_error(error, self.path) from error
        finally:
            if connection is not None:
                connection.close()


def _messages_n(connection: sqlite3.Connection) -> int:
    """Numbers go up by one and leave from the lowest, so nothing has to be counted."""
    (n,) = connection.execute(
        "SELECT coalesce(max(number) - min(number) + 1, 0) FROM waiting"
    ).fetchone()
    return int(n)


def _last_bodies(connection: sqlite3.Connection, since_ms: int, most_n: int) -> list[bytes]:
    """The end of the queue in its order: what came since then, and about so many readings."""
    bodies: list[bytes] = []
    readings_n = 0
    for received_ms, n, body in connection.execute(
        "SELECT received_ms, readings_n, body FROM waiting ORDER BY number DESC"
    ):
        if received_ms < since_ms or readings_n > most_n:
            break
        readings_n += n
        bodies.append(body)
    bodies.reverse()
    return bodies


def _is_ours(connection: sqlite3.Connection) -> bool:
    (found,) = connection.execute("PRAGMA application_id").fetchone()
    return bool(found == _APPLICATION_ID)


def _make(connection: sqlite3.Connection, path: Path) -> None:
    """Set the connection up for flushed commits, and make the tables of a new file."""
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    if _is_ours(connection):
        return
    if connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0]:
        raise StoreError(
            "This database belongs to another program.",
            where=str(path),
            remedy="Name another [store] folder in vatside.toml; the file was left as it is.",
        )
    connection.executescript(
        f"BEGIN IMMEDIATE; {_SCHEMA} PRAGMA application_id = {_APPLICATION_ID}; COMMIT;"
    )


def _row(arrival: Arrival) -> tuple[str, int, int, bytes, bytes]:
    body = orjson.dumps(
        [
            [[r.channel, r.time_ms, r.value, int(r.marks)] for r in arrival.readings],
            [[refusal.reason, refusal.channel] for refusal in arrival.refusals],
            arrival.again,
        ]
    )
    payload = arrival.payload[:REFUSED_BYTES_KEPT_N]
    return arrival.topic, arrival.received_ms, len(arrival.readings), body, payload


def _size(row: tuple[str, int, int, bytes, bytes]) -> int:
    return len(row[0]) + len(row[3]) + len(row[4]) + 100


#: Every mark that fits the marks' bits, made once: making one takes longer than the rest.
_MARKS = [Mark(bits) for bits in range(256)]


def _arrival(topic: str, received_ms: int, body: bytes, payload: bytes) -> Arrival:
    readings, refusals, again = orjson.loads(body)
    return Arrival(
        topic,
        received_ms,
        tuple(Reading(name, time, value, _MARKS[bits]) for name, time, value, bits in readings),
        tuple(Refusal(reason, channel) for reason, channel in refusals),
        payload,
        again=again,
    )


def _readings_in(bodies: Iterable[bytes]) -> Iterator[tuple[str, int, float, int]]:
    """Channel, time, value and marks of every reading that came for the first time."""
    for body in bodies:
        readings, _, again = orjson.loads(body)
        if not again:
            yield from map(tuple, readings)


def _count(connection: sqlite3.Connection, done: Settled) -> None:
    connection.executemany(
        "INSERT INTO account (name, count) VALUES (?, ?)"
        " ON CONFLICT (name) DO UPDATE SET count = count + excluded.count",
        [(name, count) for name, count in done.counts.items() if count],
    )
    sqlite_append.note_refused(connection, done.refused)
