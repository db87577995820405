"""Packed hours in ``readings.db`` and the sums over them: made, taken apart, kept true.

What always holds, after every transaction:

- an hour of a channel is rows in ``reading`` or one row in ``packed_hour``, never both;
- a packed hour has its summary and those of its tens of minutes in the channel's blocks of that
  day, and an hour that is not packed has none; its minutes are summed when it has more than
  ``MINUTES_FROM_N`` readings;
- a day has its summary only while all its readings are packed.

So whatever is in rows is read from rows, and nothing is ever counted twice.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterable, Iterator

import numpy as np
import numpy.typing as npt

from collector.store import packing, pyramid
from collector.store.packing import Hour
from collector.store.pyramid import DAYS, HOURS, TENS, Level, Summaries
from collector.store.stretches import DAY_MS, HOUR_MS, MINUTE_MS, TEN_MINUTES_MS, Times

#: An hour with more readings than this stays as rows: packing it would hold up the next insert.
HOUR_MOST_N = 36_000

#: Minutes are summed in hours with more readings than this; others are unpacked as fast.
MINUTES_FROM_N = 600

#: An hour is settled when its channel has a reading this long after its start.
SETTLED_AFTER_MS = 2 * HOUR_MS

#: A channel's number and an hour, counted from 1970.
Slot = tuple[int, int]

_ROW = np.dtype([("time_ms", np.int64), ("value", np.float64), ("marks", np.uint8)])

NO_SUMMARIES: Summaries = np.empty(0, dtype=pyramid.SUMMARY)

_IN_WINDOW = "channel = ? AND time_ms >= ? AND time_ms < ?"


# -- one hour --------------------------------------------------------------------------------


def read_hour(connection: sqlite3.Connection, slot: Slot) -> Hour | None:
    """A packed hour's readings; None when it is not packed."""
    row = connection.execute(
        "SELECT body FROM packed_hour WHERE channel = ? AND hour = ?", slot
    ).fetchone()
    return None if row is None else packing.unpack(row[0])


def write_hour(connection: sqlite3.Connection, slot: Slot, hour: Hour) -> None:
    """Keep an hour packed, in place of what was packed there, with all its sums.

    An hour without readings is taken out.
    """
    before_n = _take_out(connection, slot)
    start_ms = slot[1] * HOUR_MS
    summary = NO_SUMMARIES
    if len(hour):
        minutes = None
        if len(hour) > MINUTES_FROM_N:
            minutes = pyramid.summarise(hour.times_ms, hour.values, MINUTE_MS).tobytes()
        connection.execute(
            "INSERT INTO packed_hour (channel, hour, count, minutes, body) VALUES (?, ?, ?, ?, ?)",
            (*slot, len(hour), minutes, packing.pack(hour)),
        )
        summary = pyramid.summarise(hour.times_ms, hour.values, HOUR_MS)
    sum_tens(connection, slot, hour)
    _set_summaries(connection, slot[0], HOURS, (start_ms, start_ms + HOUR_MS), summary)
    _forget_day(connection, slot)
    connection.execute(
        "UPDATE channel SET packed_n = packed_n + ? WHERE id = ?", (len(hour) - before_n, slot[0])
    )


def pack_hour(connection: sqlite3.Connection, slot: Slot) -> bool:
    """Pack an hour that is in rows; False when it has too many readings."""
    channel, start_ms = slot[0], slot[1] * HOUR_MS
    window = (channel, start_ms, start_ms + HOUR_MS)
    cursor = connection.execute(
        f"SELECT time_ms, value, marks FROM reading WHERE {_IN_WINDOW}"
        f" ORDER BY time_ms LIMIT {HOUR_MOST_N + 1}",
        window,
    )
    rows = np.fromiter(cursor, dtype=_ROW)
    if len(rows) > HOUR_MOST_N:
        return False
    hour = Hour(
        rows["time_ms"] - start_ms,
        np.ascontiguousarray(rows["value"]),
        np.ascontiguousarray(rows["marks"]),
    )
    connection.execute(f"DELETE FROM reading WHERE {_IN_WINDOW}", window)
    write_hour(connection, slot, hour)
    sum_day(connection, channel, start_ms // DAY_MS)
    return True


def open_hour(connection: sqlite3.Connection, slot: Slot) -> None:
    """Turn a packed hour back into rows, so that readings can be added."""
    hour = read_hour(connection, slot)
    if hour is None:
        return
    start_ms = slot[1] * HOUR_MS
    write_hour(connection, slot, hour_where(hour, np.zeros(len(hour), dtype=np.bool_)))
    connection.executemany(
        "INSERT INTO reading (channel, time_ms, value, marks) VALUES (?, ?, ?, ?)",
        [
            (slot[0], start_ms + time_ms, value, marks)
            for time_ms, value, marks in zip(
                hour.times_ms.tolist(), hour.values.tolist(), hour.marks.tolist(), strict=True
            )
        ],
    )


def hour_where(hour: Hour, keep: npt.NDArray[np.bool_]) -> Hour:
    """The readings of an hour that are to be kept."""
    return Hour(hour.times_ms[keep], hour.values[keep], hour.marks[keep])


def _take_out(connection: sqlite3.Connection, slot: Slot) -> int:
    """Delete a packed hour; how many readings it had."""
    row = connection.execute(
        "DELETE FROM packed_hour WHERE channel = ? AND hour = ? RETURNING count", slot
    ).fetchone()
    return 0 if row is None else int(row[0])


# -- sums over hours and days ------------------------------------------------------------------


def block_of(connection: sqlite3.Connection, channel: int, level: Level, block: int) -> Summaries:
    """One block of summaries; empty when there is none."""
    row = connection.execute(
        "SELECT body FROM summary WHERE channel = ? AND width_ms = ? AND block = ?",
        (channel, level.width_ms, block),
    ).fetchone()
    return pyramid.of_bytes(b"" if row is None else row[0])


def _set_summaries(
    connection: sqlite3.Connection,
    channel: int,
    level: Level,
    window: tuple[int, int],
    summaries: Summaries = NO_SUMMARIES,
) -> None:
    """Put these in the place of all summaries of a window of whole slots in one block.

    Their times are from the start of the window on.
    """
    block = window[0] // level.block_ms
    from_ms = block * level.block_ms
    kept = block_of(connection, channel, level, block)
    changed = pyramid.with_stretch(
        kept,
        window[0] - from_ms,
        window[1] - from_ms,
        pyramid.rebased(summaries, window[0], from_ms),
    )
    if not len(summaries) and len(changed) == len(kept):
        return
    key = (channel, level.width_ms, block)
    if len(changed):
        connection.execute(
            "INSERT OR REPLACE INTO summary (channel, width_ms, block, body) VALUES (?, ?, ?, ?)",
            (*key, changed.tobytes()),
        )
    else:
        connection.execute(
            "DELETE FROM summary WHERE channel = ? AND width_ms = ? AND block = ?", key
        )


def _forget_day(connection: sqlite3.Connection, slot: Slot) -> None:
    """Take out the sum of the day of an hour."""
    start_ms = slot[1] * HOUR_MS // DAY_MS * DAY_MS
    _set_summaries(connection, slot[0], DAYS, (start_ms, start_ms + DAY_MS))


def sum_tens(connection: sqlite3.Connection, slot: Slot, hour: Hour) -> None:
    """Give an hour the sums of its tens of minutes; one without readings has none."""
    start_ms = slot[1] * HOUR_MS
    summaries = NO_SUMMARIES
    if len(hour):
        summaries = pyramid.summarise(hour.times_ms, hour.values, TEN_MINUTES_MS)
    _set_summaries(connection, slot[0], TENS, (start_ms, start_ms + HOUR_MS), summaries)


def sum_day(connection: sqlite3.Connection, channel: int, day: int) -> None:
    """Give a day its summary, if all its readings are packed."""
    start_ms = day * DAY_MS
    hours = block_of(connection, channel, HOURS, day)
    in_rows = connection.execute(
        f"SELECT 1 FROM reading WHERE {_IN_WINDOW} LIMIT 1",
        (channel, start_ms, start_ms + DAY_MS),
    ).fetchone()
    whole = NO_SUMMARIES if in_rows or not len(hours) else pyramid.fold(hours)
    _set_summaries(connection, channel, DAYS, (start_ms, start_ms + DAY_MS), whole)


# -- before readings are added -------------------------------------------------------------------


def packed_among(
    connection: sqlite3.Connection, slots: Iterable[Slot], open_slots: set[Slot]
) -> set[Slot]:
    """Which of these hours are packed; the days of the others lose their summary.

    ``open_slots`` are hours known to be in rows, in days without a summary; it is added to.
    """
    packed: set[Slot] = set()
    for slot in set(slots) - open_slots:
        row = connection.execute(
            "SELECT 1 FROM packed_hour WHERE channel = ? AND hour = ?", slot
        ).fetchone()
        if row:
            packed.add(slot)
        else:
            _forget_day(connection, slot)
            open_slots.add(slot)
    return packed


class PackedHours:
    """Hours that an append finds packed: looked into, and opened only for a new reading."""

    def __init__(
        self, connection: sqlite3.Connection, packed: set[Slot], open_slots: set[Slot]
    ) -> None:
        self._connection = connection
        self._packed = packed
        self._open_slots = open_slots
        self._values: dict[Slot, dict[int, float]] = {}

    def value(self, channel: int, time_ms: int) -> float | None:
        """The value that is packed for this time."""
        slot = (channel, time_ms // HOUR_MS)
        if slot not in self._packed:
            return None
        if slot not in self._values:
            hour = read_hour(self._connection, slot)
            assert hour is not None
            times_ms = hour.times_ms + slot[1] * HOUR_MS
            pairs = zip(times_ms.tolist(), hour.values.tolist(), strict=True)
            self._values[slot] = dict(pairs)
        return self._values[slot].get(time_ms)

    def open(self, channel: int, time_ms: int) -> None:
        """Turn the hour of this time into rows, if it is packed."""
        slot = (channel, time_ms // HOUR_MS)
        if slot in self._packed:
            open_hour(self._connection, slot)
            self._packed.discard(slot)
            self._open_slots.add(slot)


# -- settled hours -------------------------------------------------------------------------------


def settle(
    connection: sqlite3.Connection, budget_s: float, too_full: set[Slot]
) -> tuple[int, bool]:
    """Pack settled hours, oldest first, for about so long; how many, and whether more are left.

    At least one hour is packed if there is one. ``too_full`` notes hours that stay as rows.
    """
    until = time.monotonic() + budget_s
    packed_n = 0
    for slot in _settled(connection, too_full):
        if packed_n and time.monotonic() >= until:
            return packed_n, True
        if pack_hour(connection, slot):
            packed_n += 1
        else:
            too_full.add(slot)
    return packed_n, False


def _settled(connection: sqlite3.Connection, too_full: set[Slot]) -> Iterator[Slot]:
    """Settled hours that are in rows; each is asked for after the one before is dealt with."""
    for (channel,) in connection.execute("SELECT id FROM channel ORDER BY id").fetchall():
        (newest_ms,) = connection.execute(
            "SELECT max(time_ms) FROM reading WHERE channel = ?", (channel,)
        ).fetchone()
        if newest_ms is None:
            continue
        (newest_packed,) = connection.execute(
            "SELECT max(hour) FROM packed_hour WHERE channel = ?", (channel,)
        ).fetchone()
        if newest_packed is not None:
            newest_ms = max(newest_ms, newest_packed * HOUR_MS)
        from_ms = -(2**62)
        while True:
            (oldest_ms,) = connection.execute(
                "SELECT min(time_ms) FROM reading WHERE channel = ? AND time_ms >= ?",
                (channel, from_ms),
            ).fetchone()
            if oldest_ms is None:
                break
            hour = oldest_ms // HOUR_MS
            if hour * HOUR_MS + SETTLED_AFTER_MS > newest_ms:
                break
            if (channel, hour) not in too_full:
                yield channel, hour
            from_ms = (hour + 1) * HOUR_MS


# -- taking readings out -------------------------------------------------------------------------


def cut(
    connection: sqlite3.Connection,
    channel: int,
    start_ms: int,
    end_ms: int,
    doomed_ms: Times | None = None,
) -> tuple[int, int]:
    """Remove a window's readings, or only those at ``doomed_ms`` (sorted, within the window).

    Conflicts at the same times go with them. Gives how many readings and how many conflicts.
    """
    readings_n, conflicts_n = (
        _cut_rows(connection, table, (channel, start_ms, end_ms), doomed_ms)
        for table in ("reading", "conflict")
    )
    hours = connection.execute(
        "SELECT hour FROM packed_hour WHERE channel = ? AND hour BETWEEN ? AND ? ORDER BY hour",
        (channel, start_ms // HOUR_MS, (end_ms - 1) // HOUR_MS),
    ).fetchall()
    for (number,) in hours:
        readings_n += _cut_packed(connection, (channel, number), start_ms, end_ms, doomed_ms)
    for day in sorted({start_ms // DAY_MS, (end_ms - 1) // DAY_MS} | {h // 24 for (h,) in hours}):
        sum_day(connection, channel, day)
    return readings_n, conflicts_n


def _cut_rows(
    connection: sqlite3.Connection,
    table: str,
    window: tuple[int, int, int],
    doomed_ms: Times | None,
) -> int:
    """Remove a window's rows, or only those at ``doomed_ms``; how many."""
    if doomed_ms is None:
        return connection.execute(f"DELETE FROM {table} WHERE {_IN_WINDOW}", window).rowcount
    there = connection.execute(
        f"SELECT DISTINCT time_ms FROM {table} WHERE {_IN_WINDOW}", window
    ).fetchall()
    doomed = np.intersect1d(np.array([time_ms for (time_ms,) in there], dtype=np.int64), doomed_ms)
    return connection.executemany(
        f"DELETE FROM {table} WHERE channel = ? AND time_ms = ?",
        [(window[0], time_ms) for time_ms in doomed.tolist()],
    ).rowcount


def _cut_packed(
    connection: sqlite3.Connection,
    slot: Slot,
    start_ms: int,
    end_ms: int,
    doomed_ms: Times | None,
) -> int:
    """Remove a window's readings, or only those at ``doomed_ms``, from a packed hour."""
    hour = read_hour(connection, slot)
    assert hour is not None
    times_ms = hour.times_ms + slot[1] * HOUR_MS
    gone = (times_ms >= start_ms) & (times_ms < end_ms)
    if doomed_ms is not None:
        gone &= np.isin(times_ms, doomed_ms)
    if gone.any():
        write_hour(connection, slot, hour_where(hour, ~gone))
    return int(np.count_nonzero(gone))
