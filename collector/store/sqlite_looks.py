"""What ``readings.db`` and ``spool.db`` are both asked: accounts, refusals, deliveries, journal.

Both files have these tables in the same form; only the journal names a channel by its number in
one and by its name in the other.
"""

from __future__ import annotations

import sqlite3
from contextlib import AbstractContextManager
from typing import ClassVar

from collector.store.contract import (
    Accounts,
    Change,
    Changes,
    Deliveries,
    Delivery,
    RefusedMessage,
)


class Looks:
    """The looks that a file with these tables allows, on connections that a subclass gives."""

    #: Asks the journal for channel, first and last time of the entries after a number, in order.
    _touched_after: ClassVar[str]

    def _reading(self) -> AbstractContextManager[sqlite3.Connection]:
        """A connection on which everything is of one moment."""
        raise NotImplementedError

    def accounts(self) -> Accounts:
        """The accounts as of the last commit."""
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
            rows = connection.execute(self._touched_after, (cursor,))
            found = tuple(Change(*row) for row in rows)
            return Changes(newest, found, complete=oldest - 1 <= cursor <= newest)
