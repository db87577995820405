"""Readings in InfluxDB 2, behind the same contract as the file.

The collector's side has a spool: what comes is on disk here before it is acknowledged and goes
to the server in its own time. Readings are looked up at the server, and are seen there once it
has them; accounts, refused messages and the journal are kept in the spool's file, which the
pages read, so both look at the same [store] folder. One collector writes to a measurement:
what is a duplicate is told from what that collector has written and from what it has asked.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Self

import numpy as np

from collector.config import InfluxSettings
from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.spool import Spool
from collector.store import flux, known
from collector.store.contract import (
    Accounts,
    Appended,
    Arrival,
    Buckets,
    Changes,
    Coverage,
    Deliveries,
    HandOver,
    RefusedMessage,
)
from collector.store.influx import InfluxServer, Row, ms_of_text
from collector.store.influx_drain import Drain, Say, series_of
from collector.store.sqlite_append import note_touched
from collector.store.stretches import (
    MINUTE_MS,
    Parts,
    Times,
    Values,
    buckets_from,
    coverage_of,
    grain_of,
)

#: How long an append waits to be able to say what became of the readings [s].
PATIENCE_S = 1.0

#: A chart of fewer readings than this is computed from all of them.
CHART_READINGS_N = 200_000


class InfluxStore:
    """A :class:`~collector.store.contract.CollectingStore` in one bucket, with its spool.

    With ``read_only`` nothing is written anywhere. With ``open_later`` the spool is made by the
    first append. ``say`` is told when the server stops taking readings and when it takes them
    again. Safe to use from threads.
    """

    def __init__(
        self,
        settings: InfluxSettings,
        spool_path: Path,
        *,
        read_only: bool = False,
        open_later: bool = False,
        say: Say = lambda _: None,
        patience_s: float = PATIENCE_S,
        first_pause_s: float | None = None,
    ) -> None:
        self.settings = settings
        self.read_only = read_only
        self._place = flux.Place(settings.bucket, settings.measurement)
        self._server = InfluxServer(settings)
        self._path = spool_path
        self._looks = Spool(spool_path, read_only=True)
        self._say = say
        self._patience_s = patience_s
        self._pauses = {} if first_pause_s is None else {"first_pause_s": first_pause_s}
        self._appending = threading.Lock()
        self._spool: Spool | None = None
        self._drain: Drain | None = None
        if not (read_only or open_later):
            with self._appending:
                self._open()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # -- writing ---------------------------------------------------------------------------

    def append(self, arrivals: Sequence[Arrival], *, settled: int = 0) -> Appended:
        """Keep what arrived on disk here, durably, and hand it to the server from there.

        The counts are of what the server had taken within a moment; what waits because the
        server is away or slow is counted in the accounts when it gets there. Raises
        ``StoreError`` when the spool does not take it; the same call may be repeated.
        """
        if self.read_only:
            raise StoreError("This store was opened for reading only.", where=str(self._path))
        with self._appending:
            spool, drain = self._open()
            if not arrivals and not settled:
                return Appended()
            if arrivals:
                drain.expect()
            last = spool.put(arrivals, settled=settled)
            if not arrivals:
                return Appended()
            return drain.settled(last - len(arrivals) + 1, last, self._patience_s)

    def delete_range(self, channel: str, start_ms: int, end_ms: int) -> int:
        """Remove a channel's readings in the window, conflicts with them; how many readings.

        Raises ``StoreError`` while anything waits for the server: it could be of that window.
        """
        if self.read_only:
            raise StoreError("This store was opened for reading only.", where=str(self._path))
        with self._appending:
            spool, _ = self._open()
            if spool.waiting_n():
                raise StoreError(
                    "Readings wait for the server still.",
                    where=self.settings.url,
                    remedy="Try again when it has them.",
                )
            if flux.empty(start_ms, end_ms):
                return 0
            start_ms, end_ms = max(start_ms, flux.FIRST_MS), min(end_ms, flux.LAST_MS)
            removed = self._count(channel, start_ms, end_ms)
            first, last = self.after(channel, start_ms), self.before(channel, end_ms)
            if not removed or first is None or last is None:
                return 0
            with spool.transaction() as connection:  # before: if this fails, it is asked again
                known.forget(connection, channel, start_ms, end_ms)
            for place in (self._place, self._place.conflicts):
                self._server.delete(place, channel, start_ms, end_ms)
            with spool.transaction() as connection:
                note_touched(connection, {channel: (first.time_ms, last.time_ms)})
            return removed

    @property
    def waiting_n(self) -> int:
        """Number of messages on disk here that the server has not got yet."""
        return self._looks.waiting_n()

    @property
    def fault(self) -> str | None:
        """What keeps the server from taking readings; None when nothing does."""
        answer = self._drain.fault if self._drain else None
        return answer.words if answer else None

    def hand_over(self) -> HandOver:
        """What waits for the server, and why; the reason only where the writing is done."""
        try:
            queue = (self._spool or self._looks).waiting()
        except StoreError:  # nothing was ever put there
            return HandOver()
        answer = self._drain.fault if self._drain else None
        fault = None if answer is None else f"{answer.words} {answer.remedy or ''}".rstrip()
        stopped = self._drain is not None and self._drain.stopped
        return HandOver(queue.messages_n, queue.readings_n, queue.since_ms, fault, stopped)

    def lately(
        self, channels: Sequence[str], start_ms: int, end_ms: int, most_n: int
    ) -> Iterator[Series]:
        """What came of these channels of late, as far as it is on disk here, newest ``most_n``.

        That is what waits, and what was handed over in the last three days of traffic.
        """
        return self._looks.lately(channels, start_ms, end_ms, most_n)

    def wait_until_handed_over(self, patience_s: float = 60.0) -> None:
        """Return when the server has all; raises ``StoreError`` when it takes nothing so long."""
        with self._appending:
            _, drain = self._open()
        if drain.emptied(patience_s):
            return
        if drain.fault is not None:
            raise self._server.fault(drain.fault)
        raise StoreError(
            f"The server has taken nothing for {patience_s:g} s.",
            where=self.settings.url,
            remedy="Look at the server; what waits is on disk here and goes there later.",
        )

    def _open(self) -> tuple[Spool, Drain]:
        if self._spool is None or self._drain is None:
            self._spool = Spool(
                self._path,
                limit_bytes=self.settings.spool_limit_mb * 2**20,
                fits=(flux.FIRST_MS, flux.LAST_MS),
            )
            self._drain = Drain(self._spool, self._server, say=self._say, **self._pauses)
            self._drain.start()
        return self._spool, self._drain

    # -- reading ---------------------------------------------------------------------------

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        """Readings of a channel in the window, in time order, conflicts left out."""
        if flux.empty(start_ms, end_ms):
            return Series.of(channel, [])
        rows = self._server.rows(flux.readings(self._place, channel, start_ms, end_ms))
        return Series.of(channel, ((at, value, marks) for at, _, value, marks in series_of(rows)))

    def conflicts(self, channel: str, start_ms: int, end_ms: int) -> list[Reading]:
        """Second values that came for a channel and time in the window, in time order."""
        if flux.empty(start_ms, end_ms):
            return []
        rows = self._server.rows(flux.conflicts(self._place, channel, start_ms, end_ms))
        found = series_of(rows)
        return sorted(
            (Reading(channel, at, value, Mark(marks)) for at, _, value, marks in found),
            key=lambda reading: (reading.time_ms, reading.value),
        )

    def before(self, channel: str, time_ms: int) -> Reading | None:
        """The last reading of a channel strictly before a time."""
        if flux.empty(flux.FIRST_MS, time_ms):
            return None
        return self._one(channel, flux.last(self._place, channel, flux.FIRST_MS, time_ms))

    def after(self, channel: str, time_ms: int) -> Reading | None:
        """The first reading of a channel at or after a time."""
        if flux.empty(time_ms, flux.LAST_MS):
            return None
        return self._one(channel, flux.first(self._place, channel, time_ms, flux.LAST_MS))

    def latest(self) -> dict[str, Reading]:
        """The reading with the latest time, per channel."""
        by_channel: dict[str, list[Row]] = {}
        for row in self._server.rows(flux.latest(self._place)):
            by_channel.setdefault(row["channel"], []).append(row)
        found = {name: _newest(name, rows) for name, rows in sorted(by_channel.items())}
        return {name: reading for name, reading in found.items() if reading is not None}

    def channels(self) -> list[str]:
        """Ids of the channels that have readings, sorted."""
        return sorted(self.latest())

    def count(self, channel: str | None = None) -> int:
        """Number of readings kept, of one channel or of all, conflicts left out."""
        return self._count(channel, flux.FIRST_MS, flux.LAST_MS)

    def coverage(self, channel: str, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
        """How much of the window was recorded, and the holes in it, cut to the window."""
        first, last = self._neighbours(channel, start_ms, end_ms)
        times_ms = np.empty(0, dtype=np.int64)
        if not flux.empty(first, last):
            rows = self._server.rows(flux.times(self._place, channel, first, last))
            times_ms = np.array(sorted(ms_of_text(row["_time"]) for row in rows), dtype=np.int64)
        return coverage_of(times_ms, start_ms, end_ms, gap_limit_ms=gap_limit_ms)

    def buckets(
        self, channel: str, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
    ) -> Buckets:
        """The window in ``n`` buckets, for a chart. Raises ``InvalidError`` for an empty one.

        Where the server sums up minutes (buckets of two minutes and more, with very many
        readings), it gives the area under each, so that means are the same but for rounding;
        all else is the same to the last bit.
        """
        first, last = self._neighbours(channel, start_ms, end_ms)
        parts = self._parts(channel, first, last, start_ms, end_ms, n, gap_limit_ms)
        return buckets_from(channel, parts, start_ms, end_ms, n, gap_limit_ms=gap_limit_ms)

    def accounts(self) -> Accounts:
        """The accounts of what the server has taken or refused."""
        return self._looks.accounts()

    def refused(self, limit: int = 100) -> list[RefusedMessage]:
        """The newest refused messages, newest first; older ones than the newest 1,000 are gone."""
        return self._looks.refused(limit)

    def deliveries(self) -> Deliveries:
        """The deliveries that may come again, and those kept in case a broker forgets."""
        return self._looks.deliveries()

    def changes(self, cursor: int | None = None) -> Changes:
        """What was touched after ``cursor``; None gives only the cursor of now."""
        return self._looks.changes(cursor)

    def close(self) -> None:
        """Stop handing over, and let go of file and connections; what waits stays on disk."""
        if self._drain is not None:
            self._drain.stop()
        if self._spool is not None:
            self._spool.close()
        self._server.close()

    # -- inside ----------------------------------------------------------------------------

    def _count(self, channel: str | None, start_ms: int, end_ms: int) -> int:
        if flux.empty(start_ms, end_ms):
            return 0
        rows = self._server.rows(flux.count(self._place, channel, start_ms, end_ms))
        return sum(int(row["_value"]) for row in rows)

    def _one(self, channel: str, query: flux.Query) -> Reading | None:
        return _newest(channel, self._server.rows(query))

    def _neighbours(self, channel: str, start_ms: int, end_ms: int) -> tuple[int, int]:
        """The window made wide enough to hold the readings next to it."""
        before, after = self.before(channel, start_ms), self.after(channel, end_ms)
        return (
            start_ms if before is None else before.time_ms,
            end_ms if after is None else after.time_ms + 1,
        )

    def _parts(
        self,
        channel: str,
        first: int,
        last: int,
        start_ms: int,
        end_ms: int,
        n: int,
        gap_limit_ms: int,
    ) -> Parts:
        """The readings in ``first`` to ``last``, those of whole minutes summed where that helps."""
        begin, end = -(-start_ms // MINUTE_MS) * MINUTE_MS, end_ms // MINUTE_MS * MINUTE_MS
        sums = (
            n > 0
            and begin < end
            and grain_of(start_ms, end_ms, n) >= MINUTE_MS
            and gap_limit_ms >= MINUTE_MS  # so that there is no gap within a minute
            and self._count(channel, begin, end) > CHART_READINGS_N
        )
        if not sums:
            return self._readings(channel, first, last)
        return Parts.joined(
            [
                self._readings(channel, first, begin),
                self._minutes(channel, begin, end),
                self._readings(channel, end, last),
            ]
        )

    def _readings(self, channel: str, first: int, last: int) -> Parts:
        series = self.between(channel, first, last)
        return Parts.of_readings(series.times_ms, series.values)

    def _minutes(self, channel: str, begin: int, end: int) -> Parts:
        found = {
            name: self._server.rows(flux.windows(self._place, channel, begin, end, MINUTE_MS, name))
            for name in flux.AGGREGATES
        }
        starts = {name: _column(rows, "_start") for name, rows in found.items()}
        order = {name: np.argsort(times, kind="stable") for name, times in starts.items()}

        def values(name: str) -> Values:
            cells = np.array([float(row["_value"] or 0) for row in found[name]], dtype=np.float64)
            return cells[order[name]]

        if any(not np.array_equal(np.sort(starts["min"]), np.sort(s)) for s in starts.values()):
            # Readings came in between two of the questions: the next look has them all.
            return self._readings(channel, begin, end)
        first_ms = _column(found["first"], "_time")[order["first"]]
        last_ms = _column(found["last"], "_time")[order["last"]]
        first, last, count = values("first"), values("last"), values("count").astype(np.int64)
        area = np.where(count > 1, values("integral"), 0.0)  # a single reading spans no time
        return Parts(first_ms, last_ms, first, last, values("min"), values("max"), area, count)


def _column(rows: Sequence[Row], name: str) -> Times:
    return np.array([ms_of_text(row[name]) for row in rows], dtype=np.int64)


def _newest(channel: str, rows: Sequence[Row]) -> Reading | None:
    """The newest reading in rows of values and marks; None when there is none."""
    found = series_of(rows)
    if not found:
        return None
    at, _, value, marks = found[-1]
    return Reading(channel, at, value, Mark(marks))
