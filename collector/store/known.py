"""What the remote store is known to have of late, so that a repeated reading is told apart.

Kept by channel and hour (UTC) beside the queue in ``spool.db``. An hour is either known whole
or not at all: it is asked for from the store when a reading falls into it, unless it lies after
everything the store has of that channel, as in live traffic, when nothing has to be asked. As
nobody else writes there, what is known stays true; the hours not used for longest are let go.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Protocol

from collector.readings import Reading
from collector.store.settling import Point
from collector.store.stretches import HOUR_MS

#: Hours kept known per channel; three days of live traffic.
HOURS_KEPT_N = 72

#: At most so many hours are asked for at once.
_HOURS_ASKED_N = 24

_NEVER_MS = -(2**63)


class Remote(Protocol):
    """What is asked of the remote store; each raises when it does not answer."""

    def last_ms(self, channel: str) -> int | None:
        """Time of a channel's last reading; None when it has none."""

    def points(self, channel: str, start_ms: int, end_ms: int) -> Iterable[Point]:
        """Everything of a channel in a window."""


class Known:
    """The index for :func:`~collector.store.settling.plan_of`, on the spool's connection."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        rows = connection.execute("SELECT name, id, last_ms FROM known_channel").fetchall()
        self._ids: dict[str, int] = {name: number for name, number, _ in rows}
        self._last_ms: dict[str, int] = {name: last_ms for name, _, last_ms in rows}

    def first(self, channel: str, time_ms: int) -> tuple[float, int] | None:
        """Value and marks of a channel and time; None when the store has nothing there."""
        if time_ms > self._last_ms[channel]:  # as in live traffic: nothing to look up
            return None
        found: tuple[float, int] | None = self._connection.execute(
            "SELECT value, marks FROM known WHERE channel = ? AND time_ms = ?",
            (self._ids[channel], time_ms),
        ).fetchone()
        return found

    def others(self, channel: str, time_ms: int) -> Sequence[float]:
        """The second values there, in the order in which they came."""
        rows = self._connection.execute(
            "SELECT value FROM known_other WHERE channel = ? AND time_ms = ? ORDER BY nth",
            (self._ids[channel], time_ms),
        )
        return [value for (value,) in rows]

    def missing(self, readings: Iterable[Reading]) -> list[Missing]:
        """What has to be made known before these readings can be judged."""
        wanted: dict[str, set[int]] = defaultdict(set)
        for reading in readings:
            wanted[reading.channel].add(reading.time_ms // HOUR_MS)
        found = []
        for channel, hours in wanted.items():
            last_ms = None
            if channel in self._ids:
                number = self._ids[channel]
                rows = self._connection.execute(
                    "SELECT hour FROM known_hour WHERE channel = ?", (number,)
                )
                hours.difference_update([hour for (hour,) in rows])
                last_ms = self._last_ms[channel]
            if hours:
                found.append(Missing(channel, frozenset(hours), last_ms))
        return found


@dataclass(frozen=True, slots=True)
class Missing:
    """Hours of a channel that are not known, and when its last reading was, if that is known."""

    channel: str
    hours: frozenset[int]
    last_ms: int | None

    def learned(self, remote: Remote) -> Iterator[Note]:
        """Ask for what is missing; each note is to be kept before the next is asked for.

        So a server that often breaks off is asked again only for what it has not told yet.
        """
        last_ms = remote.last_ms(self.channel) if self.last_ms is None else self.last_ms
        last_ms = _NEVER_MS if last_ms is None else last_ms
        asked = sorted(hour for hour in self.hours if hour * HOUR_MS <= last_ms)
        yield Note(self.channel, tuple(self.hours.difference(asked)), (), last_ms)
        for begin, end in _runs(asked):
            points = remote.points(self.channel, begin * HOUR_MS, end * HOUR_MS)
            yield Note(self.channel, tuple(range(begin, end)), tuple(points), last_ms)


@dataclass(frozen=True, slots=True)
class Note:
    """Hours of a channel that are known from now on, and all that is in them."""

    channel: str
    hours: tuple[int, ...]
    points: tuple[Point, ...]
    last_ms: int

    def keep(self, connection: sqlite3.Connection) -> None:
        """Note it, in the transaction that is open."""
        connection.execute(
            "INSERT OR IGNORE INTO known_channel (name, last_ms) VALUES (?, ?)",
            (self.channel, self.last_ms),
        )
        number = _id_of(connection, self.channel)
        connection.executemany(
            "INSERT INTO known_hour VALUES (?, ?, 0)", [(number, hour) for hour in self.hours]
        )
        _add(connection, {self.channel: number}, self.points)


def _id_of(connection: sqlite3.Connection, channel: str) -> int:
    row = connection.execute("SELECT id FROM known_channel WHERE name = ?", (channel,)).fetchone()
    return int(row[0])


def _runs(hours: list[int]) -> Iterator[tuple[int, int]]:
    """Neighbouring hours as half-open runs, none of them very long."""
    begin = 0
    for i in range(1, len(hours) + 1):
        if i == len(hours) or hours[i] != hours[i - 1] + 1 or i - begin >= _HOURS_ASKED_N:
            yield hours[begin], hours[i - 1] + 1
            begin = i


def _add(connection: sqlite3.Connection, ids: dict[str, int], points: Iterable[Point]) -> None:
    firsts, marks, others = [], [], []
    for point in points:
        channel = ids[point.channel]
        if point.nth:
            others.append((channel, point.time_ms, point.nth, point.value))
        elif point.value is None:
            marks.append((point.marks, channel, point.time_ms))
        else:
            firsts.append((channel, point.time_ms, point.value, point.marks))
    connection.executemany("INSERT OR REPLACE INTO known VALUES (?, ?, ?, ?)", firsts)
    connection.executemany("UPDATE known SET marks = ? WHERE channel = ? AND time_ms = ?", marks)
    connection.executemany("INSERT OR REPLACE INTO known_other VALUES (?, ?, ?, ?)", others)


def add(
    connection: sqlite3.Connection, points: Iterable[Point], readings: Iterable[Reading], used: int
) -> None:
    """Note that the store has these points now, which came of these readings.

    The hours of the readings count as used at ``used``, which only goes up; those not used for
    longest are let go.
    """
    ids: dict[str, int] = dict(connection.execute("SELECT name, id FROM known_channel").fetchall())
    _add(connection, ids, points)
    last: dict[str, int] = {}
    hours: set[tuple[int, int, int]] = set()
    for reading in readings:
        last[reading.channel] = max(reading.time_ms, last.get(reading.channel, reading.time_ms))
        hours.add((used, ids[reading.channel], reading.time_ms // HOUR_MS))
    connection.executemany(
        "UPDATE known_channel SET last_ms = max(last_ms, ?) WHERE name = ?",
        [(last_ms, channel) for channel, last_ms in last.items()],
    )
    connection.executemany(
        "UPDATE known_hour SET used = ? WHERE channel = ? AND hour = ?", sorted(hours)
    )
    for channel in last:
        _let_go(connection, ids[channel])


def newest(
    connection: sqlite3.Connection, channel: str, start_ms: int, end_ms: int, most_n: int
) -> list[tuple[int, float, int]]:
    """Time, value and marks of the newest known readings of a channel in a window."""
    return connection.execute(
        "SELECT time_ms, value, marks FROM known WHERE time_ms >= ? AND time_ms < ?"
        " AND channel = (SELECT id FROM known_channel WHERE name = ?)"
        " ORDER BY time_ms DESC LIMIT ?",
        (start_ms, end_ms, channel, most_n),
    ).fetchall()


def _let_go(connection: sqlite3.Connection, channel: int) -> None:
    rows = connection.execute(
        "SELECT hour FROM known_hour WHERE channel = ? ORDER BY used DESC, hour DESC"
        " LIMIT -1 OFFSET ?",
        (channel, HOURS_KEPT_N),
    ).fetchall()
    for (hour,) in rows:
        _forget_hours(connection, channel, hour, hour + 1)


def forget(connection: sqlite3.Connection, channel: str, start_ms: int, end_ms: int) -> None:
    """Know nothing of the hours that a window touches, so that they are asked for again."""
    row = connection.execute("SELECT id FROM known_channel WHERE name = ?", (channel,)).fetchone()
    if row is not None:
        _forget_hours(connection, row[0], start_ms // HOUR_MS, -(-end_ms // HOUR_MS))


def _forget_hours(connection: sqlite3.Connection, channel: int, begin: int, end: int) -> None:
    connection.execute(
        "DELETE FROM known_hour WHERE channel = ? AND hour >= ? AND hour < ?", (channel, begin, end)
    )
    for table in ("known", "known_other"):
        connection.execute(
            f"DELETE FROM {table} WHERE channel = ? AND time_ms >= ? AND time_ms < ?",
            (channel, begin * HOUR_MS, end * HOUR_MS),
        )
