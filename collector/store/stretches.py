"""Coverage and buckets, computed from readings in time order. Pure.

The *stretch* between two neighbouring readings is covered when it is no longer than the gap
limit, and then the quantity is taken to run straight from one to the other; a longer stretch
is a gap, across which nothing is computed. All arrays are in time order; times are whole
milliseconds since 1970 UTC; windows are half-open.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.errors import InvalidError
from collector.store.contract import Buckets, Coverage, Gap

Times = npt.NDArray[np.int64]
Values = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Integral:
    """Running integral of covered stretches: ``area`` [unit·ms] and ``covered`` [ms] at readings.

    ``slope`` [unit/ms] and ``rate`` (1 covered, 0 gap) belong to the stretch that begins at the
    same place; the last of each is 0, so nothing runs on beyond the last reading.
    """

    times_ms: Times
    values: Values
    area: Values
    covered: Values
    slope: Values
    rate: Values

    def at(self, moments_ms: Times) -> tuple[Values, Values]:
        """Area and covered time from the first reading up to each moment."""
        place = np.searchsorted(self.times_ms, moments_ms, side="right") - 1
        inside = place >= 0
        place = np.maximum(place, 0)
        past = np.where(inside, moments_ms - self.times_ms[place], 0).astype(np.float64)
        past *= self.rate[place]
        area = self.area[place] + past * (self.values[place] + 0.5 * self.slope[place] * past)
        return np.where(inside, area, 0.0), np.where(inside, self.covered[place] + past, 0.0)


def _integral(times_ms: Times, values: Values, gap_limit_ms: int) -> _Integral:
    lengths = np.diff(times_ms)
    rate = np.append((lengths <= gap_limit_ms).astype(np.float64), 0.0)
    slope = np.append(np.diff(values) / lengths, 0.0) * rate
    covered = lengths * rate[:-1]
    area = covered * 0.5 * (values[:-1] + values[1:])
    return _Integral(
        times_ms,
        values,
        np.concatenate(([0.0], np.cumsum(area))),
        np.concatenate(([0.0], np.cumsum(covered))),
        slope,
        rate,
    )


def coverage_of(times_ms: Times, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
    """How much of a window was recorded, and the holes in it.

    ``times_ms`` are the readings of the window together with the last one before it and the
    first one at or after its end, where there are such. Gaps are cut to the window. Where
    there is no reading beyond an edge, the stretch between that edge and the nearest reading
    is not covered, and is a gap when it is longer than the gap limit. A window with no
    reading in it or around it is one gap. Raises ``InvalidError`` for an empty window.
    """
    _check_window(start_ms, end_ms)
    count = int(np.count_nonzero((times_ms >= start_ms) & (times_ms < end_ms)))
    if len(times_ms) == 0:
        return Coverage(0.0, (Gap(start_ms, end_ms),), 0)
    edges = np.concatenate(
        ([min(start_ms, int(times_ms[0]))], times_ms, [max(end_ms, int(times_ms[-1]))])
    )
    lengths = np.diff(edges)
    cut = np.maximum(0, np.minimum(edges[1:], end_ms) - np.maximum(edges[:-1], start_ms))
    covered = lengths <= gap_limit_ms
    holes = np.flatnonzero(~covered & (cut > 0))
    covered[0] = covered[-1] = False
    gaps = tuple(
        Gap(max(int(edges[i]), start_ms), min(int(edges[i + 1]), end_ms)) for i in holes.tolist()
    )
    return Coverage(int(cut[covered].sum()) / (end_ms - start_ms), gaps, count)


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
    """A window cut into ``n`` equal buckets: exact extremes, time-weighted means, coverage.

    ``times_ms`` and ``values`` are the readings of the window together with the last one
    before it and the first one at or after its end, where there are such. The mean is the
    integral over the covered part of a bucket divided by its length (the trapezoid rule, as
    Flux ``timeWeightedAvg()``); the plain mean where readings stand alone between gaps.
    Raises ``InvalidError`` for an empty window or fewer than one bucket.
    """
    _check_window(start_ms, end_ms)
    if n < 1:
        raise InvalidError(f"{n} buckets cannot be drawn.", where="n", remedy="Ask for 1 or more.")
    edges = start_ms + (np.arange(n + 1, dtype=object) * (end_ms - start_ms) // n).astype(np.int64)
    widths = np.maximum(np.diff(edges), 1)
    inside = (times_ms >= start_ms) & (times_ms < end_ms)
    minima, maxima, plain, counts = _extremes(times_ms[inside], values[inside], edges, n)
    means, coverage = np.full(n, np.nan), np.zeros(n)
    if len(times_ms):
        level = float(values.mean())  # taken off before summing, to keep the digits
        area, covered = _integral(times_ms, values - level, gap_limit_ms).at(edges)
        covered_ms = np.diff(covered)
        coverage = np.clip(covered_ms / widths, 0.0, 1.0)
        whole = covered_ms > 0
        weighted = level + np.divide(np.diff(area), covered_ms, where=whole, out=np.zeros(n))
        means = np.where(whole, weighted, plain)
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


def _extremes(
    times_ms: Times, values: Values, edges: Times, n: int
) -> tuple[Values, Values, Values, npt.NDArray[np.int64]]:
    """Minimum, maximum, plain mean and count per bucket, NaN where a bucket is empty."""
    first = np.searchsorted(times_ms, edges)
    counts = np.diff(first)
    filled = np.flatnonzero(counts)
    minima, maxima, plain = (np.full(n, np.nan) for _ in range(3))
    if len(filled):
        starts = first[:-1][filled]
        minima[filled] = np.minimum.reduceat(values, starts)
        maxima[filled] = np.maximum.reduceat(values, starts)
        plain[filled] = np.add.reduceat(values, starts) / counts[filled]
    return minima, maxima, plain, counts.astype(np.int64)


def _check_window(start_ms: int, end_ms: int) -> None:
    if end_ms <= start_ms:
        raise InvalidError(
            f"The window from {start_ms} to {end_ms} ms is empty.",
            where="window",
            remedy="Let it end after it starts.",
        )
