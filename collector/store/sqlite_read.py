"""What is read from ``readings.db`` within one read transaction: rows and packed hours as one.

Every function takes an open connection and the number of a channel. An hour is in rows or
packed, never both (:mod:`collector.store.sqlite_hours`), so the two are simply put together.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from collector.readings import Mark, Reading, Series
from collector.store import packing, pyramid
from collector.store.packing import Hour
from collector.store.pyramid import DAYS, HOURS, Level, Summaries
from collector.store.stretches import DAY_MS, HOUR_MS, MINUTE_MS, Parts, Times

#: Rows that are summed at a time, so that what is not packed yet takes no more memory.
_CHUNK_N = 50_000

#: Readings are summed where there are this many for each sum.
_WORTH_N = 3

#: Times within a summary's block are unsigned and of 32 bits.
_BLOCK_MOST_MS = 2**32

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


# -- parts of the record --------------------------------------------------------------------------


def parts(
    connection: sqlite3.Connection,
    name: str,
    start_ms: int,
    end_ms: int,
    *,
    grain_ms: int,
    gap_limit_ms: int,
    edges: Times | None = None,
) -> Parts:
    """The window in parts, with the last reading before it and the first one from its end on.

    No part holds a gap, nor reaches over a multiple of ``grain_ms`` (a minute, an hour or a day),
    or, where that is 1, over one of ``edges``.
    """
    channel = id_of(connection, name)
    last, following = before(connection, name, start_ms), after(connection, name, end_ms)
    asked = _Asked(connection, channel, gap_limit_ms, edges)
    return Parts.joined(
        [
            *(_single(reading) for reading in (last,) if reading is not None),
            *asked.packed(start_ms, end_ms, grain_ms),
            *asked.in_rows(start_ms, end_ms, grain_ms),
            *(_single(reading) for reading in (following,) if reading is not None),
        ]
    )


def _single(reading: Reading) -> Parts:
    return Parts.of_readings(
        np.array([reading.time_ms], dtype=np.int64), np.array([reading.value], dtype=np.float64)
    )


class _Asked:
    """One question for parts: the channel, the gap limit, and the edges of narrow buckets."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        channel: int,
        gap_limit_ms: int,
        edges: Times | None,
    ) -> None:
        self._connection = connection
        self._channel = channel
        self._gap_limit_ms = gap_limit_ms
        self._edges = edges

    def in_rows(self, start_ms: int, end_ms: int, grain_ms: int) -> Iterator[Parts]:
        """What is in rows: readings, or sums of many of them at a time.

        No sum is of more than an hour: the next one may be packed.
        """
        grain_ms = min(grain_ms, HOUR_MS)
        cursor = self._connection.execute(
            "SELECT time_ms, value FROM reading"
            " WHERE channel = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms",
            (self._channel, start_ms, end_ms),
        )
        while rows := cursor.fetchmany(_CHUNK_N):
            times, values = zip(*rows, strict=True)
            yield from self._summed(
                np.array(times, dtype=np.int64), np.array(values, dtype=np.float64), grain_ms
            )

    def _summed(
        self, times_ms: Times, values: npt.NDArray[np.float64], grain_ms: int
    ) -> Iterator[Parts]:
        """Readings in as few parts as grain, edges and gaps allow, where that is worth it."""
        if not len(times_ms):
            return
        base_ms = int(times_ms[0])
        starts = self._starts(times_ms, grain_ms)
        if len(times_ms) < _WORTH_N * len(starts) or times_ms[-1] - base_ms >= _BLOCK_MOST_MS:
            yield Parts.of_readings(times_ms, values)
            return
        found = pyramid.summarise_from(times_ms - base_ms, values, starts)
        good = found["longest_ms"] <= self._gap_limit_ms
        yield pyramid.parts_of(found[good], np.array(base_ms))
        if not good.all():
            torn = np.repeat(~good, np.diff(np.append(starts, len(times_ms))))
            yield Parts.of_readings(times_ms[torn], values[torn])

    def _starts(self, times_ms: Times, grain_ms: int) -> Times:
        """Places at which a new part has to begin, the first one included."""
        if grain_ms > 1:
            return np.concatenate(([0], np.flatnonzero(np.diff(times_ms // grain_ms)) + 1))
        if self._edges is None:
            return np.arange(len(times_ms))
        within = np.searchsorted(self._edges, (times_ms[0], times_ms[-1]), side="right")
        places = np.searchsorted(times_ms, self._edges[within[0] : within[1]])
        return np.unique(np.concatenate(([0], places)))

    def packed(self, start_ms: int, end_ms: int, grain_ms: int) -> Iterator[Parts]:
        """What is packed, in the coarsest parts that the grain and the gap limit allow."""
        if start_ms >= end_ms:
            return
        if grain_ms >= DAY_MS:
            yield from self._from_blocks(DAYS, start_ms, end_ms)
        elif grain_ms >= HOUR_MS:
            yield from self._from_blocks(HOURS, start_ms, end_ms)
        elif grain_ms >= MINUTE_MS:
            yield from self._from_minutes(start_ms, end_ms)
        else:
            for hour in hours_in(self._connection, self._channel, start_ms, end_ms):
                yield from self._summed(hour.times_ms, hour.values, grain_ms)

    def _from_blocks(self, level: Level, start_ms: int, end_ms: int) -> Iterator[Parts]:
        """Summaries of whole days or hours; the ends, and what holds a gap, in finer parts."""
        width_ms, finer_ms = level.width_ms, HOUR_MS if level is DAYS else MINUTE_MS
        first, end = -(-start_ms // width_ms), end_ms // width_ms
        if first >= end:
            yield from self.packed(start_ms, end_ms, finer_ms)
            return
        summaries, starts_ms = self._blocks(level, first * width_ms, end * width_ms)
        slots = (summaries["first_ms"] + starts_ms) // width_ms
        inside = (slots >= first) & (slots < end)
        whole = summaries["longest_ms"] <= self._gap_limit_ms
        good = inside & whole
        yield pyramid.parts_of(summaries[good], starts_ms[good])
        # A day without a summary may have hours; an hour without one is not packed.
        rest = _others(slots[good], first, end) if level is DAYS else _runs(slots[inside & ~whole])
        for run_first, run_end in rest:
            yield from self.packed(run_first * width_ms, run_end * width_ms, finer_ms)
        yield from self.packed(start_ms, first * width_ms, finer_ms)
        yield from self.packed(end * width_ms, end_ms, finer_ms)

    def _blocks(self, level: Level, start_ms: int, end_ms: int) -> tuple[Summaries, Times]:
        """The summaries of the blocks that a window touches, and the start of the block of each."""
        rows = self._connection.execute(
            "SELECT block, body FROM summary"
            " WHERE channel = ? AND width_ms = ? AND block BETWEEN ? AND ? ORDER BY block",
            (
                self._channel,
                level.width_ms,
                start_ms // level.block_ms,
                (end_ms - 1) // level.block_ms,
            ),
        ).fetchall()
        return _laid_out(rows, level.block_ms)

    def _from_minutes(self, start_ms: int, end_ms: int) -> Iterator[Parts]:
        """Summaries of whole minutes; single readings at the ends and where there is a gap."""
        rows = self._connection.execute(
            "SELECT hour, minutes, CASE WHEN minutes IS NULL THEN body END"
            f" FROM packed_hour WHERE {_HOURS} ORDER BY hour",
            (self._channel, start_ms // HOUR_MS, (end_ms - 1) // HOUR_MS + 1),
        ).fetchall()
        bare = [(number, body) for number, minutes, body in rows if minutes is None]
        if bare:
            found = self._readings(bare, start_ms, end_ms)
            yield from self._summed(found.first_ms, found.first, MINUTE_MS)
        summaries, starts_ms = _laid_out(
            [(number, minutes) for number, minutes, _ in rows if minutes is not None], HOUR_MS
        )
        slots = (summaries["first_ms"] + starts_ms) // MINUTE_MS
        touched = (slots >= start_ms // MINUTE_MS) & (slots <= (end_ms - 1) // MINUTE_MS)
        good = (slots * MINUTE_MS >= start_ms) & ((slots + 1) * MINUTE_MS <= end_ms)
        good &= summaries["longest_ms"] <= self._gap_limit_ms
        if good.all():
            yield pyramid.parts_of(summaries, starts_ms)
            return
        yield pyramid.parts_of(summaries[good], starts_ms[good])
        torn = slots[touched & ~good]
        if len(torn):
            yield self._readings_of_minutes(torn, start_ms, end_ms)

    def _readings(self, rows: list[tuple[int, bytes]], start_ms: int, end_ms: int) -> Parts:
        hours = [(number, packing.unpack(body)) for number, body in rows]
        times_ms = np.concatenate([hour.times_ms + number * HOUR_MS for number, hour in hours])
        values = np.concatenate([hour.values for _, hour in hours])
        inside = (times_ms >= start_ms) & (times_ms < end_ms)
        return Parts.of_readings(times_ms[inside], values[inside])

    def _readings_of_minutes(self, minutes: Times, start_ms: int, end_ms: int) -> Parts:
        numbers = sorted(set((minutes * MINUTE_MS // HOUR_MS).tolist()))
        bodies = [
            (number, body)
            for number in numbers
            for (body,) in self._connection.execute(
                "SELECT body FROM packed_hour WHERE channel = ? AND hour = ?",
                (self._channel, number),
            )
        ]
        found = self._readings(bodies, start_ms, end_ms)
        own = np.isin(found.first_ms // MINUTE_MS, minutes)
        return Parts.of_readings(found.first_ms[own], found.first[own])


def _laid_out(rows: list[tuple[int, bytes]], block_ms: int) -> tuple[Summaries, Times]:
    """Blocks end to end, and the start of the block of each summary."""
    sizes = [len(body) // pyramid.SUMMARY.itemsize for _, body in rows]
    starts = np.array([number * block_ms for number, _ in rows], dtype=np.int64)
    return pyramid.of_bytes(b"".join(body for _, body in rows)), np.repeat(starts, sizes)


def _runs(slots: Times) -> list[tuple[int, int]]:
    """Sorted slots as runs of neighbours, each ``(first, end)``."""
    if not len(slots):
        return []
    cuts = np.flatnonzero(np.diff(slots) > 1)
    firsts = slots[np.concatenate(([0], cuts + 1))].tolist()
    ends = (slots[np.concatenate((cuts, [len(slots) - 1]))] + 1).tolist()
    return list(zip(firsts, ends, strict=True))


def _others(slots: Times, first: int, end: int) -> list[tuple[int, int]]:
    """The runs between sorted slots within ``(first, end)``."""
    edges = np.concatenate(([first - 1], slots, [end]))
    holes = np.flatnonzero(np.diff(edges) > 1)
    return [(int(edges[i]) + 1, int(edges[i + 1])) for i in holes.tolist()]
