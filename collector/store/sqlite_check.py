"""Whether ``readings.db`` is whole: packed hours and sums held against a recomputation."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator

import numpy as np

from collector.errors import StoreError
from collector.store import packing, pyramid, sqlite_read
from collector.store.checksum import Checksum, checksum_of
from collector.store.packing import Hour
from collector.store.pyramid import DAYS, HOURS, TENS
from collector.store.sqlite_hours import MINUTES_FROM_N, Slot, block_of
from collector.store.stretches import DAY_MS, HOUR_MS, MINUTE_MS

#: Faults that are told one by one.
_TOLD_N = 20


def check(connection: sqlite3.Connection, sample_n: int | None = None) -> list[str]:
    """What is wrong, in plain words, the first twenty faults; empty when nothing is.

    ``sample_n``: recompute only so many packed hours, evenly spread.
    """
    faults = []
    for fault in _faults(connection, sample_n):
        faults.append(fault)
        if len(faults) == _TOLD_N:
            break
    return faults


def checksums(connection: sqlite3.Connection) -> dict[str, Checksum]:
    """Count and checksum of every channel that has readings."""
    names = [name for (name,) in connection.execute("SELECT name FROM channel ORDER BY name")]
    found = {name: checksum_of(sqlite_read.by_day(connection, name)) for name in names}
    return {name: own for name, own in found.items() if own.count}


def _faults(connection: sqlite3.Connection, sample_n: int | None) -> Iterator[str]:
    for (line,) in connection.execute("PRAGMA integrity_check"):
        if line != "ok":
            yield f"SQLite: {line}"
    yield from _accounts(connection)
    slots: list[Slot] = connection.execute(
        "SELECT channel, hour FROM packed_hour ORDER BY channel, hour"
    ).fetchall()
    step = 1 if sample_n is None else max(1, -(-len(slots) // max(1, sample_n)))
    for slot in slots[::step]:
        yield from _hour(connection, slot)
    yield from _hours_without_readings(connection, set(slots))
    yield from _days(connection)


def _accounts(connection: sqlite3.Connection) -> Iterator[str]:
    counts = dict(connection.execute("SELECT name, count FROM account"))
    for kind in ("messages", "readings"):
        parts = sum(counts[f"{kind}_{one}"] for one in ("stored", "duplicate", "refused"))
        if counts[f"{kind}_received"] != parts:
            yield f"{counts[f'{kind}_received']} {kind} received, {parts} accounted for"
    (there,) = connection.execute(
        "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM conflict)"
        " + (SELECT coalesce(sum(count), 0) FROM packed_hour)"
        " + (SELECT coalesce(sum(readings_n + conflicts_n), 0) FROM removal)"
    ).fetchone()
    if there != counts["readings_stored"]:
        yield f"{counts['readings_stored']} readings stored, {there} there or removed on purpose"
    for name, noted, packed in connection.execute(
        "SELECT name, packed_n, (SELECT coalesce(sum(count), 0) FROM packed_hour"
        " WHERE packed_hour.channel = channel.id) FROM channel"
    ):
        if noted != packed:
            yield f"{name}: {noted} packed readings noted, {packed} there"


def _hour(connection: sqlite3.Connection, slot: Slot) -> Iterator[str]:
    """One packed hour against its own readings."""
    channel, number = slot
    where = f"channel {channel}, hour {number}"
    count, minutes, body = connection.execute(
        "SELECT count, minutes, body FROM packed_hour WHERE channel = ? AND hour = ?", slot
    ).fetchone()
    try:
        hour = packing.unpack(body)
    except StoreError as error:
        yield f"{where}: {error.what}"
        return
    steps = np.diff(hour.times_ms, prepend=-1, append=HOUR_MS)
    if count != len(hour) or not count or (steps <= 0).any():
        yield f"{where}: its times or their number are wrong"
        return
    start_ms = number * HOUR_MS
    if _in_rows(connection, channel, start_ms, start_ms + HOUR_MS):
        yield f"{where}: it is packed and in rows at once"
    if minutes != _minutes(hour):
        yield f"{where}: the sums of its minutes are not those of its readings"
    for level, words in (
        (HOURS, "its sum is not that"),
        (TENS, "the sums of its tens of minutes are not those"),
    ):
        block = block_of(connection, channel, level, start_ms // DAY_MS)
        own = block[(block["first_ms"] // HOUR_MS) == number % 24]
        summaries = pyramid.summarise(hour.times_ms, hour.values, level.width_ms)
        whole = pyramid.rebased(summaries, start_ms, start_ms // DAY_MS * DAY_MS)
        if own.tobytes() != whole.tobytes():
            yield f"{where}: {words} of its readings"


def _minutes(hour: Hour) -> bytes | None:
    if len(hour) <= MINUTES_FROM_N:
        return None
    return pyramid.summarise(hour.times_ms, hour.values, MINUTE_MS).tobytes()


def _in_rows(connection: sqlite3.Connection, channel: int, start_ms: int, end_ms: int) -> bool:
    row = connection.execute(
        "SELECT 1 FROM reading WHERE channel = ? AND time_ms >= ? AND time_ms < ? LIMIT 1",
        (channel, start_ms, end_ms),
    ).fetchone()
    return row is not None


def _hours_without_readings(connection: sqlite3.Connection, packed: set[Slot]) -> Iterator[str]:
    for channel, day, body in connection.execute(
        "SELECT channel, block, body FROM summary WHERE width_ms IN (?, ?)",
        (HOURS.width_ms, TENS.width_ms),
    ):
        hours = set((pyramid.of_bytes(body)["first_ms"] // HOUR_MS).tolist())
        for number in sorted(day * 24 + hour for hour in hours):
            if (channel, number) not in packed:
                yield f"channel {channel}, hour {number}: a sum, and nothing packed"


def _days(connection: sqlite3.Connection) -> Iterator[str]:
    """Every day that has a sum against the sums of its hours."""
    for channel, block, body in connection.execute(
        "SELECT channel, block, body FROM summary WHERE width_ms = ?", (DAYS.width_ms,)
    ).fetchall():
        start_ms = block * DAYS.block_ms
        for summary in pyramid.of_bytes(body):
            day = start_ms // DAY_MS + int(summary["first_ms"]) // DAY_MS
            where = f"channel {channel}, day {day}"
            if _in_rows(connection, channel, day * DAY_MS, (day + 1) * DAY_MS):
                yield f"{where}: it has a sum while some of it is in rows"
            hours = block_of(connection, channel, HOURS, day)
            if not len(hours):
                yield f"{where}: a sum, and nothing packed"
                continue
            whole = pyramid.rebased(pyramid.fold(hours), day * DAY_MS, start_ms)
            if whole.tobytes() != summary.tobytes():
                yield f"{where}: its sum is not that of its hours"
