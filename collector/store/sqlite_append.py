"""What one append does inside its transaction on ``readings.db``."""

from __future__ import annotations

import math
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from collector.readings import Mark, Reading
from collector.redelivery import SETTLED_KEPT_N
from collector.store import sqlite_hours
from collector.store.contract import Appended, Arrival
from collector.store.sqlite_hours import PackedHours, Slot
from collector.store.stretches import HOUR_MS

#: How many refused messages are kept, and how many bytes of each; older ones go first.
REFUSED_KEPT_N = 1_000
REFUSED_BYTES_KEPT_N = 16_384

#: How many entries the journal behind ``changes`` keeps.
TOUCHED_KEPT_N = 10_000

#: A removal goes on from another when no more than this lies between them.
_GOES_ON_WITHIN_MS = HOUR_MS

_FIRST_MS = -62_135_596_800_000  # year 1, the first a datetime can name
_END_MS = 253_402_300_800_000  # year 10000

_INSERT = "INSERT INTO reading (channel, time_ms, value, marks) VALUES (?, ?, ?, ?)"

_NONE = Mark.NONE  # found faster than in the enum

Row = tuple[int, int, float, int]


@dataclass(slots=True)
class _Tally:
    """What an append has done so far."""

    counts: Counter[str] = field(default_factory=Counter)
    touched: dict[int, tuple[int, int]] = field(default_factory=dict)

    def touch(self, channel: int, time_ms: int) -> None:
        first, last = self.touched.get(channel, (time_ms, time_ms))
        self.touched[channel] = (min(first, time_ms), max(last, time_ms))


def append(
    connection: sqlite3.Connection,
    arrivals: Sequence[Arrival],
    ids: dict[str, int],
    open_slots: set[Slot],
) -> Appended:
    """Keep arrivals within the open transaction; ``ids`` (channel name to number) is filled in.

    So is ``open_slots``, the hours known to be in rows.
    """
    again = [arrival for arrival in arrivals if arrival.again]
    if again:
        arrivals = [arrival for arrival in arrivals if not arrival.again]
    _name_channels(connection, arrivals, ids)
    tally = _Tally()
    _count_again(again, tally.counts)
    rows, unfit = _rows(arrivals, ids)
    slots = {(channel, time_ms // HOUR_MS) for channel, time_ms, _, _ in rows}
    packed = sqlite_hours.packed_among(connection, slots, open_slots)
    if not (unfit or packed) and _insert_new(connection, rows):
        tally.touched = _stretches(rows)
        _count_all_new(arrivals, len(rows), tally.counts)
    else:
        hours = PackedHours(connection, packed, open_slots)
        for arrival in arrivals:
            _keep_one(connection, arrival, ids, tally, hours)
    _keep_refused(connection, arrivals if unfit else [one for one in arrivals if one.refusals])
    note_touched(connection, tally.touched)
    _add_to_accounts(connection, tally.counts)
    counts = tally.counts
    return Appended(
        stored=counts["readings_stored"] - counts["conflicts"],
        duplicate=counts["readings_duplicate"],
        conflict=counts["conflicts"],
        refused=counts["readings_refused"],
    )


def keep_deliveries(
    connection: sqlite3.Connection, arrivals: Iterable[Arrival], settled: int
) -> None:
    """Keep what tells the arrivals if they come again; let go of what is long settled."""
    new = [arrival.delivery for arrival in arrivals if arrival.delivery is not None]
    if new:
        connection.executemany(
            "INSERT INTO delivery (number, packet_id, digest) VALUES (?, ?, ?)",
            [(one.number, one.packet_id, one.digest) for one in new],
        )
    if settled:
        connection.execute("UPDATE settled SET number = max(number, ?)", (settled,))
        connection.execute(
            "DELETE FROM delivery WHERE number <= min("
            "(SELECT number FROM settled), (SELECT max(number) FROM delivery) - ?)",
            (SETTLED_KEPT_N,),
        )


def _name_channels(
    connection: sqlite3.Connection, arrivals: Iterable[Arrival], ids: dict[str, int]
) -> None:
    names = {reading.channel for arrival in arrivals for reading in arrival.readings}
    for name in sorted(names - ids.keys()):
        connection.execute("INSERT OR IGNORE INTO channel (name) VALUES (?)", (name,))
        row = connection.execute("SELECT id FROM channel WHERE name = ?", (name,)).fetchone()
        ids[name] = int(row[0])


def _fits(reading: Reading) -> bool:
    """Whether a reading can be kept at all: a finite value at a time the calendar has."""
    return math.isfinite(reading.value) and _FIRST_MS <= reading.time_ms < _END_MS


def _rows(arrivals: Iterable[Arrival], ids: dict[str, int]) -> tuple[list[Row], int]:
    """All readings as rows, and how many are unfit to be kept."""
    readings = [reading for arrival in arrivals for reading in arrival.readings]
    rows = [
        (ids[r.channel], r.time_ms, r.value, 0 if r.marks is _NONE else int(r.marks))
        for r in readings
        if -math.inf < r.value < math.inf and _FIRST_MS <= r.time_ms < _END_MS  # as _fits
    ]
    return rows, len(readings) - len(rows)


def _stretches(rows: Iterable[Row]) -> dict[int, tuple[int, int]]:
    """The first and the last time of each channel [ms]."""
    times_ms: defaultdict[int, list[int]] = defaultdict(list)
    for channel, time_ms, _, _ in rows:
        times_ms[channel].append(time_ms)
    return {channel: (min(times), max(times)) for channel, times in times_ms.items()}


def _insert_new(connection: sqlite3.Connection, rows: list[Row]) -> bool:
    """Insert all rows at once; nothing at all, and False, when one of them is there already."""
    if not rows:
        return True
    connection.execute("SAVEPOINT fresh")
    try:
        connection.executemany(_INSERT, rows)
    except sqlite3.IntegrityError:
        connection.execute("ROLLBACK TO fresh")
        connection.execute("RELEASE fresh")
        return False
    connection.execute("RELEASE fresh")
    return True


def _count_all_new(arrivals: Sequence[Arrival], stored_n: int, counts: Counter[str]) -> None:
    """Count messages of which every reading was stored; ``stored_n`` readings in all."""
    refusing = [one for one in arrivals if one.refusals]
    refused_n = sum(len(one.refusals) for one in refusing)
    messages_refused_n = sum(not one.readings for one in refusing)
    counts["messages_received"] += len(arrivals)
    counts["messages_stored"] += len(arrivals) - messages_refused_n
    counts["messages_refused"] += messages_refused_n
    counts["readings_received"] += stored_n + refused_n
    counts["readings_stored"] += stored_n
    counts["readings_refused"] += refused_n


def _count_again(again: Iterable[Arrival], counts: Counter[str]) -> None:
    """A message that was kept before is a duplicate, whatever it holds."""
    for arrival in again:
        held = len(arrival.readings) + len(arrival.refusals)
        counts["messages_received"] += 1
        counts["messages_duplicate"] += 1
        counts["readings_received"] += held
        counts["readings_duplicate"] += held


def _keep_one(
    connection: sqlite3.Connection,
    arrival: Arrival,
    ids: dict[str, int],
    tally: _Tally,
    hours: PackedHours,
) -> None:
    """Keep the readings of one message one by one, and count what became of each."""
    counts = tally.counts
    stored = duplicate = 0
    refused = len(arrival.refusals)
    for reading in arrival.readings:
        if not _fits(reading):
            refused += 1
            continue
        row = (ids[reading.channel], reading.time_ms, reading.value, int(reading.marks))
        kept, conflict = _keep_reading(connection, row, hours)
        if not kept:
            duplicate += 1
            continue
        stored += 1
        counts["conflicts"] += conflict
        tally.touch(row[0], row[1])
    counts["messages_received"] += 1
    counts[f"messages_{_verdict(stored, duplicate, refused)}"] += 1
    counts["readings_received"] += stored + duplicate + refused
    counts["readings_stored"] += stored
    counts["readings_duplicate"] += duplicate
    counts["readings_refused"] += refused


def _verdict(stored: int, duplicate: int, refused: int) -> str:
    """What a message counts as; one without readings and refusals brought base fields only."""
    if stored or not (duplicate or refused):
        return "stored"
    return "duplicate" if duplicate else "refused"


def _keep_reading(
    connection: sqlite3.Connection, row: Row, hours: PackedHours
) -> tuple[bool, bool]:
    """Keep one reading: whether it is new, and whether it is a second value for its time."""
    channel, time_ms, value, marks = row
    there = hours.value(channel, time_ms)
    if there is None:
        in_rows = connection.execute(
            "SELECT value FROM reading WHERE channel = ? AND time_ms = ?", (channel, time_ms)
        ).fetchone()
        if in_rows is None:
            hours.open(channel, time_ms)
            connection.execute(_INSERT, row)
            return True, False
        there = in_rows[0]
    if there == value:
        return False, False
    added = connection.execute(
        "INSERT OR IGNORE INTO conflict (channel, time_ms, value, marks) VALUES (?, ?, ?, ?)",
        (channel, time_ms, value, marks | Mark.CONFLICT),
    ).rowcount
    if added:
        hours.open(channel, time_ms)
        connection.execute(
            "UPDATE reading SET marks = marks | ? WHERE channel = ? AND time_ms = ?",
            (int(Mark.CONFLICT), channel, time_ms),
        )
    return bool(added), bool(added)


def _keep_refused(connection: sqlite3.Connection, arrivals: Iterable[Arrival]) -> None:
    """Keep each message of which something was refused, and let the oldest go."""
    rows = [
        (arrival.topic, reason, arrival.received_ms, arrival.payload[:REFUSED_BYTES_KEPT_N])
        for arrival in arrivals
        if (reason := _reason(arrival))
    ]
    note_refused(connection, rows)


def note_refused(
    connection: sqlite3.Connection, rows: Sequence[tuple[str, str, int, bytes]]
) -> None:
    """Keep topic, reason, time of arrival and payload of refused messages; the oldest go."""
    if not rows:
        return
    connection.executemany(
        "INSERT INTO refused_message (topic, reason, received_ms, payload) VALUES (?, ?, ?, ?)",
        rows[-REFUSED_KEPT_N:],
    )
    connection.execute(
        "DELETE FROM refused_message WHERE number <= (SELECT max(number) FROM refused_message) - ?",
        (REFUSED_KEPT_N,),
    )


def _reason(arrival: Arrival) -> str:
    """Why something of a message was refused, in one line; empty when nothing was."""
    reasons = [
        f"{refusal.channel}: {refusal.reason}" if refusal.channel else refusal.reason
        for refusal in arrival.refusals
    ]
    reasons += [
        f"{reading.channel}: value or time is outside what can be kept"
        for reading in arrival.readings
        if not _fits(reading)
    ]
    size = len(arrival.payload)
    if reasons and size > REFUSED_BYTES_KEPT_N:
        reasons.append(f"the first {REFUSED_BYTES_KEPT_N} of {size} bytes are kept")
    return "; ".join(reasons)


def note_touched(
    connection: sqlite3.Connection,
    touched: Mapping[int, tuple[int, int]] | Mapping[str, tuple[int, int]],
) -> None:
    """Note which stretches of which channels were touched, for ``changes``.

    A channel goes by its number in ``readings.db``, by its name in ``spool.db``.
    """
    if not touched:
        return
    connection.executemany(
        "INSERT INTO touched (channel, first_ms, last_ms) VALUES (?, ?, ?)",
        [(channel, first, last) for channel, (first, last) in touched.items()],
    )
    connection.execute(
        "DELETE FROM touched WHERE seq <= (SELECT max(seq) FROM touched) - ?", (TOUCHED_KEPT_N,)
    )


def note_removal(
    connection: sqlite3.Connection,
    channel: int,
    window: tuple[int, int],
    readings_n: int,
    conflicts_n: int,
    reason: str,
) -> None:
    """Note what was removed on purpose, and why."""
    connection.execute(
        "INSERT INTO removal"
        " (removed_ms, channel, start_ms, end_ms, readings_n, conflicts_n, reason)"
        " VALUES (CAST(strftime('%s', 'now') AS INTEGER) * 1000, ?, ?, ?, ?, ?, ?)",
        (channel, *window, readings_n, conflicts_n, reason),
    )


def lengthen_removal(
    connection: sqlite3.Connection,
    channel: int,
    window: tuple[int, int],
    readings_n: int,
    conflicts_n: int,
    reason: str,
) -> bool:
    """Add this to the newest removal, if it goes on from that; whether it did."""
    lengthened = connection.execute(
        "UPDATE removal SET end_ms = ?, readings_n = readings_n + ?,"
        " conflicts_n = conflicts_n + ?, removed_ms = CAST(strftime('%s', 'now') AS INTEGER) * 1000"
        " WHERE number = (SELECT max(number) FROM removal) AND channel = ? AND reason = ?"
        " AND end_ms BETWEEN ? AND ?",
        (
            window[1],
            readings_n,
            conflicts_n,
            channel,
            reason,
            window[0] - _GOES_ON_WITHIN_MS,
            window[0],
        ),
    )
    return lengthened.rowcount > 0


def _add_to_accounts(connection: sqlite3.Connection, counts: Counter[str]) -> None:
    connection.executemany(
        "UPDATE account SET count = count + ? WHERE name = ?",
        [(count, name) for name, count in counts.items() if count],
    )
