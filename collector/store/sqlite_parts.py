"""Charts and coverage from ``readings.db``: a window in the coarsest parts that will do.

Rows come from hours kept in memory (:mod:`collector.store.recent_hours`), packed hours from
their sums (:mod:`collector.store.pyramid`) where the question is coarse enough, and from memory
too where it is not.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from collector.store import packing, pyramid, sqlite_read
from collector.store.pyramid import DAYS, HOURS, TENS, Level, Summaries
from collector.store.recent_hours import HoursView, RecentHour, Run
from collector.store.stretches import HOUR_MS, MINUTE_MS, Parts, Times

#: Readings are summed where there are this many for each sum.
_WORTH_N = 2

#: Hours that are taken from memory, and kept there, for one question; more go by unkept.
_RECENT_MOST_N = 240

#: From so many hours on, the last one is taken apart from the rest.
_SPLIT_FROM_N = 4

#: Times within a summary's block are unsigned and of 32 bits.
_BLOCK_MOST_MS = 2**32

#: From what level on finer ones are asked.
_FINER = {DAYS: HOURS, HOURS: TENS}


def parts(
    connection: sqlite3.Connection,
    recent: HoursView,
    name: str,
    start_ms: int,
    end_ms: int,
    *,
    grain_ms: int,
    gap_limit_ms: int,
    edges: Times | None = None,
) -> Parts:
    """The window in parts, with the last reading before it and the first one from its end on.

    No part holds a gap, nor reaches over a multiple of ``grain_ms`` (a minute, ten, an hour or
    a day), or, where that is 1, over one of ``edges``.
    """
    channel = sqlite_read.id_of(connection, name)
    asked = _Asked(connection, recent, channel, gap_limit_ms, edges)
    within = list(asked.within(start_ms, end_ms, grain_ms))  # first: the hours it takes are kept
    return Parts.joined(
        [*asked.last_before(name, start_ms), *within, *asked.first_after(name, end_ms)]
    )


def _single(time_ms: int, value: float) -> Parts:
    return Parts.of_readings(
        np.array([time_ms], dtype=np.int64), np.array([value], dtype=np.float64)
    )


class _Asked:
    """One question for parts: the channel, the gap limit, and the edges of narrow buckets."""

    def __init__(
        self,
        connection: sqlite3.Connection,
        recent: HoursView,
        channel: int,
        gap_limit_ms: int,
        edges: Times | None,
    ) -> None:
        self._connection = connection
        self._recent = recent
        self._channel = channel
        self._gap_limit_ms = gap_limit_ms
        self._edges = edges

    # -- around the window ---------------------------------------------------------------------

    def last_before(self, name: str, time_ms: int) -> Iterator[Parts]:
        """The last reading strictly before a time, if there is one."""
        hour = self._recent.kept(self._channel, (time_ms - 1) // HOUR_MS)
        place = 0 if hour is None else int(np.searchsorted(hour.times_ms, time_ms))
        if hour is not None and place > 0:
            yield _single(int(hour.times_ms[place - 1]), float(hour.values[place - 1]))
            return
        reading = sqlite_read.before(self._connection, name, time_ms)
        if reading is not None:
            yield _single(reading.time_ms, reading.value)

    def first_after(self, name: str, time_ms: int) -> Iterator[Parts]:
        """The first reading at or after a time, if there is one."""
        hour = self._recent.kept(self._channel, time_ms // HOUR_MS)
        place = 0 if hour is None else int(np.searchsorted(hour.times_ms, time_ms))
        if hour is not None and place < len(hour):
            yield _single(int(hour.times_ms[place]), float(hour.values[place]))
            return
        reading = sqlite_read.after(self._connection, name, time_ms)
        if reading is not None:
            yield _single(reading.time_ms, reading.value)

    # -- the window ----------------------------------------------------------------------------

    def within(self, start_ms: int, end_ms: int, grain_ms: int) -> Iterator[Parts]:
        """The window's own readings in parts."""
        if grain_ms < MINUTE_MS:
            yield from self._fine(start_ms, end_ms)
            return
        yield from self.packed(start_ms, end_ms, grain_ms)
        yield from self._in_rows(start_ms, end_ms, grain_ms)

    def _fine(self, start_ms: int, end_ms: int) -> Iterator[Parts]:
        """All readings, in rows and packed, cut at the edges."""
        first, end = start_ms // HOUR_MS, (end_ms - 1) // HOUR_MS + 1
        if end - first > _RECENT_MOST_N:
            yield from self.packed(start_ms, end_ms, 1)
            yield from self._passing_rows(start_ms, end_ms, 1)
            return
        hours = self._recent.hours(self._channel, first, end)
        yield from self._of_hours(hours, start_ms, end_ms, self._edges)

    def _in_rows(self, start_ms: int, end_ms: int, grain_ms: int) -> Iterator[Parts]:
        """What is in rows, an hour at a time: no sum is of more, the next one may be packed."""
        numbers = self._hours_in_rows(start_ms, end_ms)
        if len(numbers) > _RECENT_MOST_N:
            yield from self._passing_rows(start_ms, end_ms, grain_ms)
            return
        grain_ms = min(grain_ms, HOUR_MS)
        for number in numbers:
            hours = self._recent.hours(self._channel, number, number + 1)
            edges = np.arange(number * HOUR_MS, (number + 1) * HOUR_MS, grain_ms)
            yield from self._of_hours(hours, start_ms, end_ms, edges)

    def _hours_in_rows(self, start_ms: int, end_ms: int) -> list[int]:
        """Which hours of a window are in rows; no more of them than are worth telling apart."""
        numbers: list[int] = []
        while len(numbers) <= _RECENT_MOST_N:
            (time_ms,) = self._connection.execute(
                "SELECT min(time_ms) FROM reading"
                " WHERE channel = ? AND time_ms >= ? AND time_ms < ?",
                (self._channel, start_ms, end_ms),
            ).fetchone()
            if time_ms is None:
                break
            numbers.append(time_ms // HOUR_MS)
            start_ms = (numbers[-1] + 1) * HOUR_MS
        return numbers

    def _passing_rows(self, start_ms: int, end_ms: int, grain_ms: int) -> Iterator[Parts]:
        """What is in rows, many at a time and none of it kept in memory."""
        grain_ms = min(grain_ms, HOUR_MS)
        for times_ms, values in sqlite_read.rows_in(
            self._connection, self._channel, start_ms, end_ms
        ):
            yield from self._summed(times_ms, values, grain_ms)

    def _of_hours(
        self, hours: Sequence[RecentHour], start_ms: int, end_ms: int, edges: Times | None
    ) -> Iterator[Parts]:
        """Hours in time order in as few parts as edges and gaps allow, cut to the window."""
        torn = [hour for hour in hours if hour.longest_ms > self._gap_limit_ms]
        for hour in torn:
            inside = slice(*np.searchsorted(hour.times_ms, (start_ms, end_ms)).tolist())
            yield from self._cut(hour.times_ms[inside], hour.values[inside], edges)
        whole = [hour for hour in hours if len(hour) and hour.longest_ms <= self._gap_limit_ms]
        # The last hour of a live channel is another one each time; the rest stays together.
        split = len(whole) - 1 if len(whole) >= _SPLIT_FROM_N else 0
        for part in (whole[:split], whole[split:]):
            if part:
                yield from self._of_run(part, start_ms, end_ms, edges)

    def _of_run(
        self, hours: Sequence[RecentHour], start_ms: int, end_ms: int, edges: Times | None
    ) -> Iterator[Parts]:
        """Hours with readings and no gap within."""
        run = self._recent.run(self._channel, hours) if len(hours) > 1 else Run.of(hours)
        begin, end = np.searchsorted(run.times_ms, (start_ms, end_ms)).tolist()
        if begin == end:
            return
        starts = _cuts(run.times_ms, begin, end, edges, run.heads)
        finite = all(math.isfinite(hour.area[-1]) for hour in hours)
        if end - begin < _WORTH_N * len(starts) or not finite:
            yield from self._cut(run.times_ms[begin:end], run.values[begin:end], edges)
            return
        ends = np.append(starts[1:], end) - 1
        yield Parts(
            run.times_ms[starts],
            run.times_ms[ends],
            run.values[starts],
            run.values[ends],
            np.minimum.reduceat(run.values[:end], starts),
            np.maximum.reduceat(run.values[:end], starts),
            run.area[ends] - run.area[starts],
            ends - starts + 1,
        )

    # -- readings as they come -----------------------------------------------------------------

    def _summed(
        self, times_ms: Times, values: npt.NDArray[np.float64], grain_ms: int
    ) -> Iterator[Parts]:
        """Readings in as few parts as grain, edges and gaps allow, where that is worth it."""
        if grain_ms == 1:
            yield from self._cut(times_ms, values, self._edges)
        elif len(times_ms):
            first_ms = int(times_ms[0]) // grain_ms * grain_ms
            edges = np.unique(times_ms // grain_ms) * grain_ms
            yield from self._cut(times_ms, values, edges[edges > first_ms])

    def _cut(
        self, times_ms: Times, values: npt.NDArray[np.float64], edges: Times | None
    ) -> Iterator[Parts]:
        """The same from readings alone, cut at edges; without any, each is a part of its own."""
        n = len(times_ms)
        if not n:
            return
        starts = _cuts(times_ms, 0, n, edges, ())
        base_ms = int(times_ms[0])
        if n < _WORTH_N * len(starts) or times_ms[-1] - base_ms >= _BLOCK_MOST_MS:
            yield Parts.of_readings(times_ms, values)
            return
        found = pyramid.summarise_from(times_ms - base_ms, values, starts)
        good = found["longest_ms"] <= self._gap_limit_ms
        yield pyramid.parts_of(found[good], np.array(base_ms))
        if not good.all():
            torn = np.repeat(~good, np.diff(np.append(starts, n)))
            yield Parts.of_readings(times_ms[torn], values[torn])

    # -- packed hours --------------------------------------------------------------------------

    def packed(self, start_ms: int, end_ms: int, grain_ms: int) -> Iterator[Parts]:
        """What is packed, in the coarsest parts that the grain and the gap limit allow."""
        if start_ms >= end_ms:
            return
        level = next((one for one in (DAYS, HOURS, TENS) if grain_ms >= one.width_ms), None)
        if level is not None:
            yield from self._from_blocks(level, start_ms, end_ms)
        elif grain_ms >= MINUTE_MS:
            yield from self._from_minutes(start_ms, end_ms)
        else:
            for hour in sqlite_read.hours_in(self._connection, self._channel, start_ms, end_ms):
                yield from self._summed(hour.times_ms, hour.values, grain_ms)

    def _from_blocks(self, level: Level, start_ms: int, end_ms: int) -> Iterator[Parts]:
        """Summaries of a level; the ends, and what holds a gap, in finer parts."""
        width_ms = level.width_ms
        finer_ms = _FINER[level].width_ms if level in _FINER else MINUTE_MS
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
            " FROM packed_hour WHERE channel = ? AND hour >= ? AND hour < ? ORDER BY hour",
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


def _cuts(
    times_ms: Times, begin: int, end: int, edges: Times | None, heads: Sequence[int] | Times
) -> Times:
    """Places from ``begin`` to ``end`` where a part has to begin: at edges and at ``heads``.

    ``begin`` is always one of them.
    """
    if edges is None:
        return np.arange(begin, end)
    places = np.searchsorted(times_ms, edges)
    places = np.concatenate(([begin], places, heads)).astype(np.int64)
    places = np.sort(places[(places >= begin) & (places < end)], kind="stable")
    return places[np.concatenate(([True], places[1:] != places[:-1]))]


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
