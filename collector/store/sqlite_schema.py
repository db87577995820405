"""The tables of ``readings.db`` and the named steps that bring an older file up to date.

Each migration runs in one transaction together with its own record in ``migration``, so a
file is always at one step or the next, never between.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable

from collector.errors import StoreError
from collector.store import packing, sqlite_hours

#: Marks a file as ours (``PRAGMA application_id``): the letters "vats".
APPLICATION_ID = 0x76617473

#: One row per count of :class:`collector.store.contract.Accounts`.
ACCOUNT_NAMES = (
    "messages_received",
    "messages_stored",
    "messages_duplicate",
    "messages_refused",
    "readings_received",
    "readings_stored",
    "readings_duplicate",
    "readings_refused",
    "conflicts",
)


def readings_as_rows(connection: sqlite3.Connection) -> None:
    """Channels, readings and conflicts as rows, accounts, refused messages, touched journal."""
    connection.execute("CREATE TABLE channel (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)")
    connection.execute(
        "CREATE TABLE reading ("
        " channel INTEGER NOT NULL REFERENCES channel (id), time_ms INTEGER NOT NULL,"
        " value REAL NOT NULL, marks INTEGER NOT NULL,"
        " PRIMARY KEY (channel, time_ms)) WITHOUT ROWID, STRICT"
    )
    connection.execute(
        "CREATE TABLE conflict ("
        " channel INTEGER NOT NULL REFERENCES channel (id), time_ms INTEGER NOT NULL,"
        " value REAL NOT NULL, marks INTEGER NOT NULL,"
        " PRIMARY KEY (channel, time_ms, value)) WITHOUT ROWID, STRICT"
    )
    connection.execute(
        "CREATE TABLE account (name TEXT PRIMARY KEY, count INTEGER NOT NULL) WITHOUT ROWID, STRICT"
    )
    connection.executemany(
        "INSERT INTO account (name, count) VALUES (?, 0)", [(name,) for name in ACCOUNT_NAMES]
    )
    connection.execute(
        "CREATE TABLE refused_message ("
        " number INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, reason TEXT NOT NULL,"
        " received_ms INTEGER NOT NULL, payload BLOB NOT NULL) STRICT"
    )
    connection.execute(
        "CREATE TABLE touched ("
        " seq INTEGER PRIMARY KEY AUTOINCREMENT,"
        " channel INTEGER NOT NULL REFERENCES channel (id),"
        " first_ms INTEGER NOT NULL, last_ms INTEGER NOT NULL) STRICT"
    )


def deliveries_that_may_repeat(connection: sqlite3.Connection) -> None:
    """What tells a repeated message without a time of its own, and what is settled of it."""
    connection.execute(
        "CREATE TABLE delivery ("
        " number INTEGER PRIMARY KEY, packet_id INTEGER NOT NULL, digest BLOB NOT NULL) STRICT"
    )
    connection.execute("CREATE TABLE settled (number INTEGER NOT NULL) STRICT")
    connection.execute("INSERT INTO settled VALUES (0)")


def settled_hours_packed(connection: sqlite3.Connection) -> None:
    """Packed hours, summaries of hours and days, and a log of what was removed.

    Readings stay as they are, as rows; the collector packs them in slices while it runs.
    """
    connection.execute("ALTER TABLE channel ADD COLUMN packed_n INTEGER NOT NULL DEFAULT 0")
    connection.execute(
        "CREATE TABLE packed_hour ("
        " channel INTEGER NOT NULL REFERENCES channel (id), hour INTEGER NOT NULL,"
        " count INTEGER NOT NULL, minutes BLOB, body BLOB NOT NULL,"
        " PRIMARY KEY (channel, hour)) STRICT"
    )
    connection.execute(
        "CREATE TABLE summary ("
        " channel INTEGER NOT NULL REFERENCES channel (id), width_ms INTEGER NOT NULL,"
        " block INTEGER NOT NULL, body BLOB NOT NULL,"
        " PRIMARY KEY (channel, width_ms, block)) WITHOUT ROWID, STRICT"
    )
    connection.execute(
        "CREATE TABLE removal ("
        " number INTEGER PRIMARY KEY, removed_ms INTEGER NOT NULL,"
        " channel INTEGER NOT NULL REFERENCES channel (id),"
        " start_ms INTEGER NOT NULL, end_ms INTEGER NOT NULL,"
        " readings_n INTEGER NOT NULL, conflicts_n INTEGER NOT NULL, reason TEXT NOT NULL) STRICT"
    )


def tens_of_minutes_summed(connection: sqlite3.Connection) -> None:
    """The sums of tens of minutes of every hour that was packed without them."""
    slots = connection.execute("SELECT channel, hour FROM packed_hour").fetchall()
    for slot in slots:
        (body,) = connection.execute(
            "SELECT body FROM packed_hour WHERE channel = ? AND hour = ?", slot
        ).fetchone()
        sqlite_hours.sum_tens(connection, slot, packing.unpack(body))


Migration = Callable[[sqlite3.Connection], None]

#: In the order they are applied; a step that has been released is never edited.
MIGRATIONS: tuple[Migration, ...] = (
    readings_as_rows,
    deliveries_that_may_repeat,
    settled_hours_packed,
    tens_of_minutes_summed,
)


def applied(connection: sqlite3.Connection) -> list[str]:
    """Names of the migrations on record in this file, in the order they were applied."""
    known = connection.execute(
        "SELECT 1 FROM sqlite_schema WHERE type = 'table' AND name = 'migration'"
    ).fetchone()
    if known is None:
        return []
    rows = connection.execute("SELECT name FROM migration ORDER BY number")
    return [name for (name,) in rows]


def is_current(connection: sqlite3.Connection, where: str) -> bool:
    """Whether every migration is applied; raises ``StoreError`` for a newer vatside's file."""
    done = applied(connection)
    known = [step.__name__ for step in MIGRATIONS]
    strange = [name for name in done if name not in known]
    if strange:
        raise StoreError(
            f"The file was written by a newer vatside (it has the step {strange[0]}).",
            where=where,
            remedy="Update vatside, or name another [store] folder in vatside.toml.",
        )
    return done == known


def migrate(connection: sqlite3.Connection, where: str) -> None:
    """Apply what is missing, each step in a transaction with its record.

    The connection is in autocommit mode. Raises ``StoreError`` when the file belongs to another
    program or to a newer vatside.
    """
    if is_current(connection, where):
        return
    _refuse_strangers(connection, where)
    for number, step in enumerate(MIGRATIONS, start=1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            if step.__name__ not in applied(connection):  # another process may have been faster
                _apply(connection, number, step)
        except BaseException:
            connection.execute("ROLLBACK")
            raise
        connection.execute("COMMIT")


def _apply(connection: sqlite3.Connection, number: int, step: Migration) -> None:
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(
        "CREATE TABLE IF NOT EXISTS migration ("
        " number INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,"
        " applied_ms INTEGER NOT NULL) STRICT"
    )
    step(connection)
    connection.execute(
        "INSERT INTO migration VALUES (?, ?, CAST(strftime('%s', 'now') AS INTEGER) * 1000)",
        (number, step.__name__),
    )


def _refuse_strangers(connection: sqlite3.Connection, where: str) -> None:
    (found,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if tables and found != APPLICATION_ID:
        raise StoreError(
            "This database belongs to another program.",
            where=where,
            remedy="Name another [store] folder in vatside.toml; the file was left as it is.",
        )
