"""What ``readings.db`` and ``spool.db`` are both asked: accounts, refusals, deliveries, journal.

Both files have these tables in the same form; the journal names a channel by its number in one
and by its name in the other, so its query comes from whoever asks.
"""

from __future__ import annotations

import sqlite3

from collector.store.contract import (
    Accounts,
    Change,
    Changes,
    Deliveries,
    Delivery,
    RefusedMessage,
)


def accounts(connection: sqlite3.Connection) -> Accounts:
    """The accounts as they stand."""
    return Accounts(**dict(connection.execute("SELECT name, count FROM account")))


def refused(connection: sqlite3.Connection, limit: int) -> list[RefusedMessage]:
    """The newest refused messages, newest first."""
    rows = connection.execute(
        "SELECT number, topic, reason, received_ms, payload FROM refused_message"
        " ORDER BY number DESC LIMIT ?",
        (max(0, limit),),
    )
    return [RefusedMessage(*row) for row in rows]


def deliveries(connection: sqlite3.Connection) -> Deliveries:
    """The deliveries that may come again, and those kept in case a broker forgets."""
    rows = connection.execute("SELECT number, packet_id, digest FROM delivery ORDER BY number")
    kept = tuple(Delivery(*row) for row in rows)
    (settled,) = connection.execute("SELECT number FROM settled").fetchone()
    return Deliveries(kept, settled)


def changes(connection: sqlite3.Connection, cursor: int | None, after: str) -> Changes:
    """What was touched after ``cursor``; None gives only the cursor of now.

    ``after`` asks for channel, first and last time of the entries after a number.
    """
    oldest, newest = connection.execute(
        "SELECT coalesce(min(seq), 1), coalesce(max(seq), 0) FROM touched"
    ).fetchone()
    if cursor is None:
        return Changes(newest)
    found = tuple(Change(*row) for row in connection.execute(after, (cursor,)))
    return Changes(newest, found, complete=oldest - 1 <= cursor <= newest)
