"""Coverage and buckets, computed from what was recorded, in time order. Pure.

The *stretch* between two neighbouring readings is covered when it is no longer than the gap
limit, and then the quantity is taken to run straight from one to the other; a longer stretch
is a gap, across which nothing is computed. All arrays are in time order; times are whole
milliseconds since 1970 UTC; windows are half-open.

A *part* is one reading, or the sum of several in which there is no gap. Whatever is computed
here is the same from parts as from the readings they stand for, as long as no bucket's edge
lies inside a part.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from collector.errors import InvalidError
from collector.store.contract import Buckets, Coverage, Gap

MINUTE_MS = 60_000
TEN_MINUTES_MS = 10 * MINUTE_MS
HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Parts:
    """Parts of the record as arrays of equal length, in time order.

    ``first_ms`` and ``last_ms`` are the times of a part's first and last reading, ``first``
    and ``last`` their values; ``low`` and ``high`` its extremes; ``area`` [unit·ms] the integral
    from its first reading to its last; ``count`` its readings.
    """

    first_ms: Times
    last_ms: Times
    first: Values
    last: Values
    low: Values
    high: Values
    area: Values
    count: Times

    @classmethod
    def of_readings(cls, times_ms: Times, values: Values) -> Self:
        """Each reading as a part of its own."""
        n = len(times_ms)
        return cls(
            times_ms,
            times_ms,
            values,
            values,
            values,
            values,
            np.zeros(n),
            np.ones(n, dtype=np.int64),
        )

    @classmethod
    def joined(cls, pieces: Sequence[Parts]) -> Self:
        """Pieces that nowhere overlap as one, in time order."""
        full = [piece for piece in pieces if len(piece)]
        if not full:
            return cls.of_readings(np.empty(0, dtype=np.int64), np.empty(0))
        columns = [
            np.concatenate([getattr(piece, column.name) for piece in full])
            for column in fields(cls)
        ]
        if (np.diff(columns[0]) <= 0).any():
            order = np.argsort(columns[0], kind="stable")
            columns = [column[order] for column in columns]
        return cls(*columns)

    def __len__(self) -> int:
        return len(self.first_ms)

    def knots(self) -> tuple[Times, Values, bool]:
        """Times and values where parts begin and end; whether each part is one reading.

        Then there is one knot for each part, else two.
        """
        if (self.last_ms == self.first_ms).all():
            return self.first_ms, self.first, True
        times = np.column_stack((self.first_ms, self.last_ms)).ravel()
        return times, np.column_stack((self.first, self.last)).ravel(), False


@dataclass(frozen=True, slots=True)
class _Integral:
    """Running integral of covered stretches, up to the first reading of each part.

    ``area`` [unit·ms] and ``covered`` [ms] lie before a part, ``own_area`` and ``own_ms`` within
    it. ``slope`` [unit/ms] and ``rate`` (1 covered, 0 gap) belong to the stretch after it; the
    last of each is 0, so nothing runs on beyond the last reading.
    """

    first_ms: Times
    last_ms: Times
    last: Values
    area: Values
    covered: Values
    own_area: Values
    own_ms: Times
    slope: Values
    rate: Values

    def at(self, moments_ms: Times) -> tuple[Values, Values]:
        """Area and covered time from the first reading up to moments that lie within no part."""
        place = np.searchsorted(self.first_ms, moments_ms, side="right") - 1
        begun = place >= 0
        place = np.maximum(place, 0)
        past = (moments_ms - self.last_ms[place]).astype(np.float64)
        ended = begun & (past >= 0)  # else it is the moment at which a part begins
        past = np.where(ended, past * self.rate[place], 0.0)
        beyond = past * (self.last[place] + 0.5 * self.slope[place] * past)
        area = self.area[place] + np.where(ended, self.own_area[place] + beyond, 0.0)
        covered = self.covered[place] + np.where(ended, self.own_ms[place] + past, 0.0)
        return np.where(begun, area, 0.0), np.where(begun, covered, 0.0)


def _integral(parts: Parts, level: float, gap_limit_ms: int) -> _Integral:
    """The running integral of the quantity less ``level``."""
    first, last = parts.first - level, parts.last - level
    own_ms = parts.last_ms - parts.first_ms
    own_area = parts.area - level * own_ms
    lengths = parts.first_ms[1:] - parts.last_ms[:-1]
    rate = (lengths <= gap_limit_ms).astype(np.float64)
    covered = lengths * rate
    slope = (first[1:] - last[:-1]) / lengths * rate
    area = covered * 0.5 * (last[:-1] + first[1:])
    return _Integral(
        parts.first_ms,
        parts.last_ms,
        last,
        np.concatenate(([0.0], np.cumsum(area + own_area[:-1]))),
        np.concatenate(([0.0], np.cumsum(covered + own_ms[:-1]))),
        own_area,
        own_ms,
        np.append(slope, 0.0),
        np.append(rate, 0.0),
    )


def coverage_of(times_ms: Times, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
    """How much of a window was recorded, and the holes in it, from the times of readings.

    As :func:`coverage_from`.
    """
    if (
        len(times_ms) > 1
        and times_ms[0] <= start_ms < end_ms <= times_ms[-1]
        and int(np.diff(times_ms).max()) <= gap_limit_ms
    ):
        # By far the most windows have no gap, and then there is nothing to look for.
        first, last = np.searchsorted(times_ms, (start_ms, end_ms)).tolist()
        return Coverage(1.0, (), last - first)
    parts = Parts.of_readings(times_ms, np.zeros(len(times_ms)))
    return coverage_from(parts, start_ms, end_ms, gap_limit_ms=gap_limit_ms)


def coverage_from(parts: Parts, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
    """How much of a window was recorded, and the holes in it.

    ``parts`` are those of the window together with the last reading before it and the first
    one at or after its end, where there are such. Gaps are cut to the window. Where there is
    no reading beyond an edge, the stretch between that edge and the nearest reading is not
    covered, and is a gap when it is longer than the gap limit. A window with no reading in it
    or around it is one gap. Raises ``InvalidError`` for an empty window.
    """
    _check_window(start_ms, end_ms)
    if len(parts) == 0:
        return Coverage(0.0, (Gap(start_ms, end_ms),), 0)
    inside = (parts.first_ms >= start_ms) & (parts.first_ms < end_ms)
    times_ms, _, single = parts.knots()
    edges = np.concatenate(
        ([min(start_ms, int(times_ms[0]))], times_ms, [max(end_ms, int(times_ms[-1]))])
    )
    lengths = np.diff(edges)
    cut = np.maximum(0, np.minimum(edges[1:], end_ms) - np.maximum(edges[:-1], start_ms))
    covered = lengths <= gap_limit_ms
    if not single:
        covered[1::2] = True
    holes = np.flatnonzero(~covered & (cut > 0))
    covered[0] = covered[-1] = False
    gaps = tuple(
        Gap(max(int(edges[i]), start_ms), min(int(edges[i + 1]), end_ms)) for i in holes.tolist()
    )
    share = int(cut[covered].sum()) / (end_ms - start_ms)
    return Coverage(share, gaps, int(parts.count[inside].sum()))


def grain_of(start_ms: int, end_ms: int, n: int) -> int:
    """What the inner edges of ``n`` buckets are whole multiples of [ms].

    The longest of 1, a minute, ten, an hour and a day that a bucket holds twice.
    """
    grains = (DAY_MS, HOUR_MS, TEN_MINUTES_MS, MINUTE_MS)
    return next((grain for grain in grains if end_ms - start_ms >= 2 * grain * n), 1)


def edges_of(start_ms: int, end_ms: int, n: int) -> Times:
    """The ``n + 1`` edges of the buckets of a window, strictly increasing where it is long enough.

    Equal widths to the millisecond, then the inner edges moved to the nearest multiple of
    :func:`grain_of`, so that wide buckets can be put together from sums that are kept.
    Raises ``InvalidError`` for an empty window or fewer than one bucket.
    """
    _check_window(start_ms, end_ms)
    if n < 1:
        raise InvalidError(f"{n} buckets cannot be drawn.", where="n", remedy="Ask for 1 or more.")
    whole, rest = divmod(end_ms - start_ms, n)
    numbers = np.arange(n + 1, dtype=np.int64)
    edges = start_ms + numbers * whole + numbers * rest // n
    grain = grain_of(start_ms, end_ms, n)
    edges[1:-1] = (edges[1:-1] + grain // 2) // grain * grain
    return edges


def buckets_of(
    channel: str,
    times_ms: Times,
    values: Values,
    start_ms: int,
    end_ms: int,
    n: int,
    *,
    gap_limit_ms: int,
) -> Buckets:
    """A window cut into ``n`` buckets, from its readings. As :func:`buckets_from`."""
    parts = Parts.of_readings(times_ms, values)
    return buckets_from(channel, parts, start_ms, end_ms, n, gap_limit_ms=gap_limit_ms)


def buckets_from(
    channel: str, parts: Parts, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
) -> Buckets:
    """A window cut into ``n`` buckets: exact extremes, time-weighted means, coverage.

    ``parts`` are those of the window together with the last reading before it and the first
    one at or after its end, where there are such. The mean is the integral over the covered
    part of a bucket divided by its length (the trapezoid rule, as Flux ``timeWeightedAvg()``);
    the plain mean where readings stand alone between gaps. Raises ``InvalidError`` for an
    empty window or fewer than one bucket.
    """
    edges = edges_of(start_ms, end_ms, n)
    widths = np.maximum(np.diff(edges), 1)
    place = np.searchsorted(parts.first_ms, edges)
    minima, maxima, counts = _extremes(parts, place)
    means, coverage = np.full(n, np.nan), np.zeros(n)
    if len(parts):
        level = float(parts.first.mean())  # taken off before summing, to keep the digits
        area, covered = _integral(parts, level, gap_limit_ms).at(edges)
        covered_ms = np.diff(covered)
        coverage = np.clip(covered_ms / widths, 0.0, 1.0)
        whole = covered_ms > 0
        np.divide(np.diff(area), covered_ms, where=whole, out=means)
        means += level
        if not whole.all():
            means[~whole] = _plain_means(parts, place)[~whole]
        means[counts == 0] = np.nan
    return Buckets(
        channel=channel,
        starts_ms=edges[:-1],
        width_ms=(end_ms - start_ms) / n,
        minima=minima,
        maxima=maxima,
        means=means,
        counts=counts,
        coverage=coverage,
    )


def _extremes(parts: Parts, place: Times) -> tuple[Values, Values, Times]:
    """Minimum, maximum and count per bucket, NaN where one is empty.

    ``place`` has the first part of each bucket, and the first one after the last bucket.
    """
    filled = np.flatnonzero(np.diff(place))
    minima, maxima = (np.full(len(place) - 1, np.nan) for _ in range(2))
    counts = np.zeros(len(place) - 1, dtype=np.int64)
    if len(filled):
        # Cut at the end of the window: the last piece of reduceat runs on to the end.
        starts, end = place[:-1][filled], place[-1]
        minima[filled] = np.minimum.reduceat(parts.low[:end], starts)
        maxima[filled] = np.maximum.reduceat(parts.high[:end], starts)
        counts[filled] = np.add.reduceat(parts.count[:end], starts)
    return minima, maxima, counts


def _plain_means(parts: Parts, place: Times) -> Values:
    """Plain mean of each bucket, NaN where it is empty.

    It is that of single readings: asked for only where no stretch is covered.
    """
    parts_n = np.diff(place)
    filled = np.flatnonzero(parts_n)
    plain = np.full(len(parts_n), np.nan)
    if len(filled):
        starts, end = place[:-1][filled], place[-1]
        plain[filled] = np.add.reduceat(parts.first[:end], starts) / parts_n[filled]
    return plain


def _check_window(start_ms: int, end_ms: int) -> None:
    if end_ms <= start_ms:
        raise InvalidError(
            f"The window from {start_ms} to {end_ms} ms is empty.",
            where="window",
            remedy="Let it end after it starts.",
        )
