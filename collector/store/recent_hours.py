"""Hours of readings kept as arrays in memory, so that the next chart need not read them again.

What is kept is a copy, and each question is answered as if it were not there. The journal of
what was touched, which every append and removal writes in its own transaction, tells what of it
still holds: an hour is cut back to the first moment touched since, and only what lies behind
that is read again. So the newest hour of a live channel costs the readings that came since.

A question belongs to one read transaction, and may use what is kept only while both have come
equally far in the journal; a reader of an older moment reads for itself.
"""

from __future__ import annotations

import operator
import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from collector.store import sqlite_read
from collector.store.stretches import HOUR_MS, Times, Values

#: Readings kept at the most; a reading takes 24 bytes. Half as many again are kept end to end.
KEPT_MOST_N = 800_000

#: An hour, even one without readings, counts as so many more.
_HOUR_COUNTS_N = 500

_NOWHERE = (1, 0)

#: A channel's number and an hour, counted from 1970.
Slot = tuple[int, int]


@dataclass(frozen=True, slots=True)
class RecentHour:
    """The readings of an hour in time order, with their running integral.

    ``times_ms`` are since 1970, ``area`` [unit·ms] is the integral from the first reading up to
    each one, ``longest_ms`` the longest stretch between two of them. From ``until_ms`` on
    nothing is known.
    """

    until_ms: int
    times_ms: Times
    values: Values
    area: Values
    longest_ms: int

    @classmethod
    def of(cls, until_ms: int, times_ms: Times, values: Values) -> Self:
        """From readings in time order."""
        stretches = np.diff(times_ms)
        area = np.zeros(len(times_ms))
        with np.errstate(over="ignore", invalid="ignore"):  # values near the largest double
            np.cumsum(stretches * (0.5 * values[1:] + 0.5 * values[:-1]), out=area[1:])
        return cls(until_ms, times_ms, values, area, int(stretches.max(initial=0)))

    def __len__(self) -> int:
        return len(self.times_ms)

    def up_to(self, moment_ms: int) -> Self:
        """What it knows before a moment."""
        place = int(np.searchsorted(self.times_ms, moment_ms))
        return type(self).of(moment_ms, self.times_ms[:place], self.values[:place])


@dataclass(frozen=True, slots=True)
class Run:
    """Hours end to end; ``heads`` are the places where each of them begins."""

    hours: tuple[RecentHour, ...]
    times_ms: Times
    values: Values
    area: Values
    heads: Times

    @classmethod
    def of(cls, hours: Sequence[RecentHour]) -> Self:
        """Of hours in time order, each with readings."""
        times_ms = np.concatenate([hour.times_ms for hour in hours])
        values = np.concatenate([hour.values for hour in hours])
        area = np.concatenate([hour.area for hour in hours])
        heads = np.cumsum([0, *(len(hour) for hour in hours[:-1])])
        return cls(tuple(hours), times_ms, values, area, heads)

    def __len__(self) -> int:
        return len(self.times_ms)

    def of_same(self, hours: Sequence[RecentHour]) -> bool:
        """Whether it is of these very hours."""
        return len(hours) == len(self.hours) and all(map(operator.is_, hours, self.hours))


class RecentHours:
    """What is kept for all readers of a file; safe to use from threads."""

    def __init__(self, most_n: int = KEPT_MOST_N) -> None:
        self._most_n = most_n
        self._lock = threading.Lock()
        self._hours: OrderedDict[Slot, RecentHour] = OrderedDict()
        self._runs: OrderedDict[int, Run] = OrderedDict()
        self._kept_n = 0
        self._cursor = 0

    @property
    def kept_n(self) -> int:
        """Readings kept now, with what the hours count as."""
        return self._kept_n

    def view(self, connection: sqlite3.Connection) -> HoursView:
        """What one read transaction may use."""
        (cursor,) = connection.execute("SELECT coalesce(max(seq), 0) FROM touched").fetchone()
        with self._lock:
            if cursor > self._cursor:
                self._catch_up(connection, cursor)
        return HoursView(self, connection, cursor)

    def _catch_up(self, connection: sqlite3.Connection, cursor: int) -> None:
        """Cut back what was touched since; forget all when the journal does not reach so far."""
        touched = connection.execute(
            "SELECT seq, channel, first_ms, last_ms FROM touched WHERE seq > ? ORDER BY seq",
            (self._cursor,),
        ).fetchall()
        if touched[0][0] != self._cursor + 1:
            self._hours.clear()
            self._kept_n = 0
        self._cut_back(_spans(touched))
        self._cursor = cursor

    def _cut_back(self, spans: Mapping[int, tuple[int, int]]) -> None:
        for slot, hour in list(self._hours.items()):
            first_ms, last_ms = spans.get(slot[0], _NOWHERE)
            start_ms = slot[1] * HOUR_MS
            if start_ms <= last_ms and first_ms < hour.until_ms:
                self._drop(slot)
                if start_ms < first_ms:
                    self._put(slot, hour.up_to(first_ms))

    def kept(self, cursor: int, slots: Iterable[Slot]) -> dict[Slot, RecentHour]:
        """What is kept of these hours, if the asker has come as far in the journal."""
        with self._lock:
            if cursor != self._cursor:
                return {}
            found = {slot: self._hours[slot] for slot in slots if slot in self._hours}
            for slot in found:
                self._hours.move_to_end(slot)
        return found

    def keep(self, cursor: int, hours: dict[Slot, RecentHour]) -> None:
        """Keep these, and let go of what was not asked for longest."""
        with self._lock:
            if cursor != self._cursor:
                return
            for slot, hour in hours.items():
                self._drop(slot)
                self._put(slot, hour)
            while self._kept_n > self._most_n:
                self._drop(next(iter(self._hours)))

    def run(self, channel: int, hours: Sequence[RecentHour]) -> Run:
        """Hours end to end, as they were put together last time if they are the same."""
        with self._lock:
            run = self._runs.get(channel)
            if run is not None and run.of_same(hours):
                self._runs.move_to_end(channel)
                return run
        run = Run.of(hours)
        with self._lock:
            self._runs[channel] = run
            self._runs.move_to_end(channel)
            while sum(map(len, self._runs.values())) > self._most_n // 2:
                self._runs.popitem(last=False)
        return run

    def _put(self, slot: Slot, hour: RecentHour) -> None:
        self._hours[slot] = hour
        self._kept_n += len(hour) + _HOUR_COUNTS_N

    def _drop(self, slot: Slot) -> None:
        hour = self._hours.pop(slot, None)
        if hour is not None:
            self._kept_n -= len(hour) + _HOUR_COUNTS_N


def _spans(
    touched: Iterable[tuple[int, int, int, int]],
) -> dict[int, tuple[int, int]]:
    """For each channel from where to where it was touched."""
    spans: dict[int, tuple[int, int]] = {}
    for _, channel, first_ms, last_ms in touched:
        first, last = spans.get(channel, (first_ms, last_ms))
        spans[channel] = min(first, first_ms), max(last, last_ms)
    return spans


class HoursView:
    """Hours as one read transaction sees them, from memory as far as they are kept."""

    def __init__(self, recent: RecentHours, connection: sqlite3.Connection, cursor: int) -> None:
        self._recent = recent
        self._connection = connection
        self._cursor = cursor

    def hours(self, channel: int, first: int, end: int) -> list[RecentHour]:
        """The hours of a channel from ``first`` up to ``end``, each whole, in order."""
        slots = [(channel, hour) for hour in range(first, end)]
        found = self._recent.kept(self._cursor, slots)
        read: dict[Slot, RecentHour] = {}
        run: list[Slot] = []
        for slot in slots:
            kept = found.get(slot)
            if kept is None:
                run.append(slot)
                continue
            read |= self._read(run)
            run = []
            end_ms = (slot[1] + 1) * HOUR_MS
            if kept.until_ms < end_ms:
                read[slot] = self._completed(channel, kept, end_ms)
        read |= self._read(run)
        if read:
            self._recent.keep(self._cursor, read)
            found |= read
        return [found[slot] for slot in slots]

    def run(self, channel: int, hours: Sequence[RecentHour]) -> Run:
        """Hours in time order, each with readings, end to end."""
        return self._recent.run(channel, hours)

    def kept(self, channel: int, hour: int) -> RecentHour | None:
        """One whole hour, if it is kept."""
        found = self._recent.kept(self._cursor, [(channel, hour)]).get((channel, hour))
        return found if found is not None and found.until_ms == (hour + 1) * HOUR_MS else None

    def _completed(self, channel: int, kept: RecentHour, end_ms: int) -> RecentHour:
        times_ms, values = self._readings(channel, kept.until_ms, end_ms)
        return RecentHour.of(
            end_ms,
            np.concatenate((kept.times_ms, times_ms)),
            np.concatenate((kept.values, values)),
        )

    def _read(self, run: list[Slot]) -> dict[Slot, RecentHour]:
        """Neighbouring hours from the file."""
        if not run:
            return {}
        channel, first = run[0]
        end = run[-1][1] + 1
        times_ms, values = self._readings(channel, first * HOUR_MS, end * HOUR_MS)
        edges_ms = np.arange(first, end + 1, dtype=np.int64) * HOUR_MS
        places = np.searchsorted(times_ms, edges_ms).tolist()
        return {
            slot: RecentHour.of(
                (slot[1] + 1) * HOUR_MS, times_ms[begin:end].copy(), values[begin:end].copy()
            )
            for slot, begin, end in zip(run, places[:-1], places[1:], strict=True)
        }

    def _readings(self, channel: int, start_ms: int, end_ms: int) -> tuple[Times, Values]:
        """Times and values of a window, in time order."""
        pieces = [
            (hour.times_ms, hour.values)
            for hour in sqlite_read.hours_in(self._connection, channel, start_ms, end_ms)
        ]
        packed_n = len(pieces)
        pieces += sqlite_read.rows_in(self._connection, channel, start_ms, end_ms)
        if not pieces:
            return np.empty(0, dtype=np.int64), np.empty(0)
        times_ms, values = (np.concatenate(columns) for columns in zip(*pieces, strict=True))
        if 0 < packed_n < len(pieces):
            order = np.argsort(times_ms, kind="stable")
            times_ms, values = times_ms[order], values[order]
        return times_ms, values
