"""What is read from ``readings.db`` within one read transaction: rows and packed hours as one.

Every function takes an open connection. An hour is in rows or packed, never both
(:mod:`collector.store.sqlite_hours`), so the two are simply put together.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import numpy as np

from collector.readings import Mark, Reading, Series
from collector.store import packing
from collector.store.packing import Hour
from collector.store.stretches import DAY_MS, HOUR_MS, Times, Values

#: Rows that are taken at a time, so that what is not packed yet takes no more memory.
_CHUNK_N = 50_000

_HOURS = "channel = ? AND hour >= ? AND hour < ?"
_NO_TIME_MS = -(2**62)


def id_of(connection: sqlite3.Connection, channel: str) -> int:
    """Number of a channel; -1, which no reading has, when nothing came from it yet."""
    row = connection.execute("SELECT id FROM channel WHERE name = ?", (channel,)).fetchone()
    return -1 if row is None else int(row[0])


# -- single readings -----------------------------------------------------------------------------


def before(connection: sqlite3.Connection, name: str, time_ms: int) -> Reading | None:
    """The last reading of a channel strictly before a time."""
    channel = id_of(connection, name)
    row = connection.execute(
        "SELECT time_ms, value, marks FROM reading WHERE channel = ? AND time_ms < ?"
        " ORDER BY time_ms DESC LIMIT 1",
        (channel, time_ms),
    ).fetchone()
    least = (row[0] if row else _NO_TIME_MS) // HOUR_MS
    packed = connection.execute(
        f"SELECT hour, body FROM packed_hour WHERE {_HOURS} ORDER BY hour DESC",
        (channel, least + 1, (time_ms - 1) // HOUR_MS + 1),
    )
    for number, body in packed:  # the second one at the latest has a reading before
        hour = packing.unpack(body)
        place = int(np.searchsorted(hour.times_ms, time_ms - number * HOUR_MS)) - 1
        if place >= 0:
            row = _row_of(hour, number, place)
            break
    packed.close()
    return None if row is None else Reading(name, row[0], row[1], Mark(row[2]))


def after(connection: sqlite3.Connection, name: str, time_ms: int) -> Reading | None:
    """The first reading of a channel at or after a time."""
    channel = id_of(connection, name)
    row = connection.execute(
        "SELECT time_ms, value, marks FROM reading WHERE channel = ? AND time_ms >= ?"
        " ORDER BY time_ms LIMIT 1",
        (channel, time_ms),
    ).fetchone()
    most = (row[0] if row else -_NO_TIME_MS) // HOUR_MS
    packed = connection.execute(
        f"SELECT hour, body FROM packed_hour WHERE {_HOURS} ORDER BY hour",
        (channel, time_ms // HOUR_MS, most),
    )
    for number, body in packed:
        hour = packing.unpack(body)
        place = int(np.searchsorted(hour.times_ms, time_ms - number * HOUR_MS))
        if place < len(hour):
            row = _row_of(hour, number, place)
            break
    packed.close()
    return None if row is None else Reading(name, row[0], row[1], Mark(row[2]))


def _row_of(hour: Hour, number: int, place: int) -> tuple[int, float, int]:
    return (
        number * HOUR_MS + int(hour.times_ms[place]),
        float(hour.values[place]),
        int(hour.marks[place]),
    )


# -- all readings of a window ----------------------------------------------------------------------


def series(connection: sqlite3.Connection, name: str, start_ms: int, end_ms: int) -> Series:
    """Readings of a channel in the window, in time order, conflicts left out."""
    channel = id_of(connection, name)
    rows = connection.execute(
        "SELECT time_ms, value, marks FROM reading"
        " WHERE channel = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms",
        (channel, start_ms, end_ms),
    ).fetchall()
    found = Series.of(name, rows)
    hours = list(hours_in(connection, channel, start_ms, end_ms))
    if not hours:
        return found
    times_ms = np.concatenate([found.times_ms, *(hour.times_ms for hour in hours)])
    values = np.concatenate([found.values, *(hour.values for hour in hours)])
    marks = np.concatenate([found.marks, *(hour.marks for hour in hours)])
    if rows:
        order = np.argsort(times_ms, kind="stable")
        times_ms, values, marks = times_ms[order], values[order], marks[order]
    return Series(name, times_ms, values, marks)


def rows_in(
    connection: sqlite3.Connection, channel: int, start_ms: int, end_ms: int
) -> Iterator[tuple[Times, Values]]:
    """Times and values of the readings in rows, in time order, many at a time."""
    cursor = connection.execute(
        "SELECT time_ms, value FROM reading"
        " WHERE channel = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms",
        (channel, start_ms, end_ms),
    )
    while rows := cursor.fetchmany(_CHUNK_N):
        times, values = zip(*rows, strict=True)
        yield (
            np.fromiter(times, dtype=np.int64, count=len(rows)),
            np.fromiter(values, dtype=np.float64, count=len(rows)),
        )


def hours_in(
    connection: sqlite3.Connection, channel: int, start_ms: int, end_ms: int
) -> Iterator[Hour]:
    """Packed hours in time order, cut to the window, with times since 1970."""
    packed = connection.execute(
        f"SELECT hour, body FROM packed_hour WHERE {_HOURS} ORDER BY hour",
        (channel, start_ms // HOUR_MS, (end_ms - 1) // HOUR_MS + 1),
    )
    for number, body in packed:
        hour = packing.unpack(body)
        times_ms = hour.times_ms + number * HOUR_MS
        first, last = 0, len(hour)
        if number * HOUR_MS < start_ms or (number + 1) * HOUR_MS > end_ms:
            first, last = np.searchsorted(times_ms, (start_ms, end_ms)).tolist()
        yield Hour(times_ms[first:last], hour.values[first:last], hour.marks[first:last])


def by_day(connection: sqlite3.Connection, name: str) -> Iterator[Series]:
    """All readings of a channel in time order, a day at a time."""
    following = after(connection, name, _NO_TIME_MS)
    while following is not None:
        start_ms = following.time_ms // DAY_MS * DAY_MS
        yield series(connection, name, start_ms, start_ms + DAY_MS)
        following = after(connection, name, start_ms + DAY_MS)
