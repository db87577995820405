"""The readings as they are believed: every value through its channel's chain when it is asked for.

The store underneath keeps what was received and is never rewritten; it stays within reach as
``raw``. A correction that is entered late and dated back therefore shows in every answer from
then on, old readings too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from collector.calibration import Chain, Times
from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.signals import Values
from collector.store.contract import (
    Accounts,
    Appended,
    Arrival,
    Buckets,
    Changes,
    Coverage,
    ReadingStore,
    RefusedMessage,
)
from collector.store.stretches import buckets_of

Chains = Callable[[], Mapping[str, Chain]]


class CorrectedStore:
    """A :class:`~collector.store.contract.ReadingStore` to read through, never to append to.

    ``chains`` gives the chain of each channel that has one, as of now; it is asked at every
    call, so what it costs is paid at every call. A reading whose signal is beyond the range
    of its conversion has the value at the range's end and carries the mark IMPLAUSIBLE; all
    other marks are those that the collector gave.
    """

    def __init__(self, raw: ReadingStore, chains: Chains) -> None:
        self.raw = raw
        self._chains = chains

    def append(self, arrivals: Sequence[Arrival]) -> Appended:
        """Refused with ``StoreError``: only what was received is ever kept."""
        raise StoreError(
            "Corrected readings are computed and cannot be appended.",
            where="store",
            remedy="Append what was received to the store underneath.",
        )

    def delete_range(self, channel: str, start_ms: int, end_ms: int) -> int:
        """Refused with ``StoreError``, as :meth:`append` is."""
        raise StoreError(
            "Corrected readings are computed and cannot be removed.",
            where="store",
            remedy="Remove what was received from the store underneath.",
        )

    # -- corrected -------------------------------------------------------------------------

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        """Corrected readings of a channel in the window, in time order, conflicts left out."""
        return _series(self.raw.between(channel, start_ms, end_ms), self._chain(channel))

    def before(self, channel: str, time_ms: int) -> Reading | None:
        """The last reading of a channel strictly before a time, corrected."""
        return _reading(self.raw.before(channel, time_ms), self._chain(channel))

    def after(self, channel: str, time_ms: int) -> Reading | None:
        """The first reading of a channel at or after a time, corrected."""
        return _reading(self.raw.after(channel, time_ms), self._chain(channel))

    def latest(self) -> dict[str, Reading]:
        """The reading with the latest time, per channel, corrected."""
        chains = self._chains()
        return {
            channel: _reading_of(reading, chains[channel]) if channel in chains else reading
            for channel, reading in self.raw.latest().items()
        }

    def buckets(
        self, channel: str, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
    ) -> Buckets:
        """The window in ``n`` buckets, for a chart.

        Extremes are exact. So are means under an offset or a two-point correction; behind a
        curved chain (a signal, a correction through three points or more) the mean is the
        chain of the received mean, good enough for a line in a chart. Buckets at which the
        correction changes are computed from their readings and are exact.
        """
        found = self.raw.buckets(channel, start_ms, end_ms, n, gap_limit_ms=gap_limit_ms)
        chain = self._chain(channel)
        if chain.changes_nothing:
            return found
        mapped = _mapped(found, chain)
        edges = np.append(found.starts_ms, end_ms)
        for number in sorted(self._torn(channel, chain, edges)):
            first, last = int(edges[number]), int(edges[number + 1])
            exact = self._from_readings(channel, chain, first, last, gap_limit_ms)
            mapped.minima[number] = exact.minima[0]
            mapped.maxima[number] = exact.maxima[0]
            mapped.means[number] = exact.means[0]
        return mapped

    def _torn(self, channel: str, chain: Chain, edges: Times) -> set[int]:
        """Numbers of the buckets on which readings before and after a change bear.

        Those are the bucket of the last reading before it and that of the first one after it;
        whatever lies between them has no reading.
        """
        torn: set[int] = set()
        for change_ms in dict.fromkeys(chain.changes_ms):
            beside = (self.raw.before(channel, change_ms), self.raw.after(channel, change_ms))
            for reading in beside:
                if reading is not None and edges[0] <= reading.time_ms < edges[-1]:
                    torn.add(int(np.searchsorted(edges, reading.time_ms, side="right")) - 1)
        return torn

    def _from_readings(
        self, channel: str, chain: Chain, start_ms: int, end_ms: int, gap_limit_ms: int
    ) -> Buckets:
        """One bucket from its corrected readings and its neighbours."""
        before, after = self.raw.before(channel, start_ms), self.raw.after(channel, end_ms)
        series = self.raw.between(
            channel,
            start_ms if before is None else before.time_ms,
            end_ms if after is None else after.time_ms + 1,
        )
        values = chain.apply(series.values, series.times_ms)
        return buckets_of(
            channel, series.times_ms, values, start_ms, end_ms, 1, gap_limit_ms=gap_limit_ms
        )

    def _chain(self, channel: str) -> Chain:
        return self._chains().get(channel, _AS_RECEIVED)

    # -- the same for raw and corrected ------------------------------------------------------

    def channels(self) -> list[str]:
        """Ids of the channels that have readings, sorted."""
        return self.raw.channels()

    def coverage(self, channel: str, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
        """How much of the window was recorded, and the holes in it."""
        return self.raw.coverage(channel, start_ms, end_ms, gap_limit_ms=gap_limit_ms)

    def count(self, channel: str | None = None) -> int:
        """Number of readings kept, of one channel or of all."""
        return self.raw.count(channel)

    def accounts(self) -> Accounts:
        """The accounts as of the last append."""
        return self.raw.accounts()

    def refused(self, limit: int = 100) -> list[RefusedMessage]:
        """The newest refused messages, newest first."""
        return self.raw.refused(limit)

    def changes(self, cursor: int | None = None) -> Changes:
        """What was received after ``cursor``; a correction that was entered does not show here."""
        return self.raw.changes(cursor)

    def close(self) -> None:
        """Close the store underneath."""
        self.raw.close()


_AS_RECEIVED = Chain()


def _series(series: Series, chain: Chain) -> Series:
    if chain.changes_nothing:
        return series
    doubts = np.where(chain.outside(series.values), int(Mark.IMPLAUSIBLE), 0).astype(np.uint8)
    values = chain.apply(series.values, series.times_ms)
    return Series(series.channel, series.times_ms, values, series.marks | doubts)


def _reading_of(reading: Reading, chain: Chain) -> Reading:
    """As :func:`_series` to the last bit, so that one reading has one value however asked for."""
    rows = [(reading.time_ms, reading.value, int(reading.marks))]
    return next(iter(_series(Series.of(reading.channel, rows), chain)))


def _reading(reading: Reading | None, chain: Chain) -> Reading | None:
    return None if reading is None else _reading_of(reading, chain)


def _mapped(found: Buckets, chain: Chain) -> Buckets:
    """Received buckets through the correction in force at the start of each.

    Chains are monotone, so extremes map to extremes; behind a falling one they trade places.
    """
    filled = found.counts > 0
    minima, maxima, means = (
        _where(filled, column, found.starts_ms, chain)
        for column in (found.minima, found.maxima, found.means)
    )
    if not chain.rising:
        minima, maxima = maxima, minima
    return replace(found, minima=minima, maxima=maxima, means=means)


def _where(filled: npt.NDArray[np.bool_], column: Values, times_ms: Times, chain: Chain) -> Values:
    corrected = np.full(len(column), np.nan)
    corrected[filled] = chain.apply(column[filled], times_ms[filled])
    return corrected
