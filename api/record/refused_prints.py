"""Messages that were to put a print on record and made no sense, until somebody saw to them."""

from __future__ import annotations

import enum
import sqlite3
from dataclasses import dataclass
from datetime import datetime

from api.prints import MOST_ID
from api.record.database import Database
from api.record.moments import moment_or_none
from collector.errors import ConflictError, NotFoundError
from collector.readings import moment_of

#: Refused messages that are kept; the oldest that were seen to go first.
KEPT_MOST_N = 1_000

#: The longest payload that is kept whole [bytes].
PAYLOAD_MOST = 65_536


class Settled(enum.StrEnum):
    """What came of a refused message."""

    TAKEN = "taken"
    DISMISSED = "dismissed"


@dataclass(frozen=True, slots=True)
class RefusedPrint:
    """A refused message: where it came, its bytes, why it was refused, when and how often.

    ``payload`` is the beginning of it where ``bytes_n`` is more than it holds. ``print`` is what
    was put on record from it in the end.
    """

    id: int
    topic: str
    payload: bytes
    bytes_n: int
    reason: str
    first: datetime
    last: datetime
    times_n: int
    settled: Settled | None
    settled_at: datetime | None
    print: int | None


class RefusedPrints:
    """The refused messages, newest first. The same message again is counted, not kept twice."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, topic: str, payload: bytes, reason: str) -> None:
        """Keep a message that was refused just now."""
        now_ms, head = self._database.clock(), payload[:PAYLOAD_MOST]
        with self._database.transaction():
            same = self._database.row(
                "SELECT id FROM refused_print WHERE settled IS NULL AND topic = ? AND payload = ?"
                " AND bytes_n = ?",
                (topic, head, len(payload)),
            )
            if same is not None:
                self._database.change(
                    "UPDATE refused_print SET reason = ?, last_ms = ?, times_n = times_n + 1"
                    " WHERE id = ?",
                    (reason, now_ms, same["id"]),
                )
                return
            self._database.change(
                "INSERT INTO refused_print"
                " (topic, payload, bytes_n, reason, first_ms, last_ms, times_n)"
                " VALUES (?, ?, ?, ?, ?, ?, 1)",
                (topic, head, len(payload), reason, now_ms, now_ms),
            )
            self._database.change(
                "DELETE FROM refused_print WHERE id IN (SELECT id FROM refused_print"
                " ORDER BY settled IS NULL DESC, last_ms DESC, id DESC LIMIT -1 OFFSET ?)",
                (KEPT_MOST_N,),
            )

    def waiting(self, limit: int = 100) -> list[RefusedPrint]:
        """Those that nobody has seen to, newest first."""
        return self._found("settled IS NULL", limit)

    def all(self, limit: int = KEPT_MOST_N) -> list[RefusedPrint]:
        """Those that were seen to as well, newest first."""
        return self._found("1", limit)

    def waiting_n(self) -> int:
        """How many nobody has seen to."""
        row = self._database.row("SELECT count(*) FROM refused_print WHERE settled IS NULL")
        return 0 if row is None else int(row[0])

    def get(self, number: int) -> RefusedPrint:
        """One of them. Raises ``NotFoundError``."""
        row = None
        if 0 < number <= MOST_ID:
            row = self._database.row("SELECT * FROM refused_print WHERE id = ?", (number,))
        if row is None:
            raise NotFoundError(
                f"there is no refused message {number}",
                where="refused",
                remedy="List them anew; the oldest go once there are more than a thousand.",
            )
        return _refused_of(row)

    def open(self, number: int) -> RefusedPrint:
        """One that waits. Raises ``NotFoundError``, or ``ConflictError`` when it was seen to."""
        found = self.get(number)
        if found.settled is not None:
            raise ConflictError(
                f"this message was {found.settled.value} already",
                where="refused",
                remedy="There is nothing left to do with it.",
            )
        return found

    def settle(self, number: int, how: Settled, print_id: int | None = None) -> RefusedPrint:
        """Note what came of one that waits. Raises as :meth:`open` does."""
        with self._database.transaction():
            self.open(number)
            self._database.change(
                "UPDATE refused_print SET settled = ?, settled_ms = ?, print = ? WHERE id = ?",
                (how.value, self._database.clock(), print_id, number),
            )
            return self.get(number)

    def _found(self, condition: str, limit: int) -> list[RefusedPrint]:
        sql = f"SELECT * FROM refused_print WHERE {condition} ORDER BY last_ms DESC, id DESC"
        return [_refused_of(row) for row in self._database.rows(f"{sql} LIMIT ?", (limit,))]


def _refused_of(row: sqlite3.Row) -> RefusedPrint:
    settled = row["settled"]
    return RefusedPrint(
        id=row["id"],
        topic=row["topic"],
        payload=bytes(row["payload"]),
        bytes_n=row["bytes_n"],
        reason=row["reason"],
        first=moment_of(row["first_ms"]),
        last=moment_of(row["last_ms"]),
        times_n=row["times_n"],
        settled=None if settled is None else Settled(settled),
        settled_at=moment_or_none(row["settled_ms"]),
        print=row["print"],
    )
