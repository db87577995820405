"""Summaries with or without doubtful readings: what is left out, and what is left.

A mark never changes or removes a reading. Whoever sums readings up chooses which count; left
to itself a summary leaves out the implausible ones and says how many.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.workshop import Workshop
from collector.quality import limits_of
from collector.readings import Mark, Series
from collector.store.contract import Buckets, Gap
from collector.store.stretches import Parts, Times, buckets_of, coverage_from, coverage_of

EVERY_MARK = ~Mark.NONE

#: Up to so many readings of a window are looked at one by one.
READ_AT_MOST_N = 100_000


class Counted(enum.StrEnum):
    """Which readings count in a summary."""

    PLAUSIBLE = "plausible"
    UNMARKED = "unmarked"
    ALL = "all"

    @property
    def left_out(self) -> Mark:
        """The marks whose readings are left out."""
        return _LEFT_OUT[self]


_LEFT_OUT = {
    Counted.PLAUSIBLE: Mark.IMPLAUSIBLE,
    Counted.UNMARKED: EVERY_MARK,
    Counted.ALL: Mark.NONE,
}


@dataclass(frozen=True, slots=True)
class Reduced:
    """A window in buckets from the readings that count.

    ``gaps`` are the holes between those; ``left_out_n`` how many do not count; ``marked`` the
    marked readings of the window, counted or not. Of a window of more than
    :data:`READ_AT_MOST_N` readings they are the implausible ones alone.
    """

    buckets: Buckets
    gaps: tuple[Gap, ...]
    left_out_n: int
    marked: Series


def reduced(
    workshop: Workshop,
    channel: str,
    start_ms: int,
    end_ms: int,
    n: int,
    counted: Counted = Counted.PLAUSIBLE,
) -> Reduced:
    """The window [start, end) [ms since 1970] in ``n`` buckets from the readings that count."""
    limit_ms = workshop.gap_limit_ms(channel)
    covered = workshop.store.coverage(channel, start_ms, end_ms, gap_limit_ms=limit_ms)
    if covered.count > READ_AT_MOST_N and counted is not Counted.UNMARKED:
        return _reduced_by_extremes(workshop, channel, start_ms, end_ms, n, counted)
    series = workshop.near(channel, start_ms, end_ms)
    marked = marked_in(series, start_ms, end_ms)
    kept = series.without(counted.left_out)
    if len(kept) == len(series):
        found = workshop.store.buckets(channel, start_ms, end_ms, n, gap_limit_ms=limit_ms)
        return Reduced(found, covered.gaps, 0, marked)
    return Reduced(
        buckets_of(channel, kept.times_ms, kept.values, start_ms, end_ms, n, gap_limit_ms=limit_ms),
        coverage_of(kept.times_ms, start_ms, end_ms, gap_limit_ms=limit_ms).gaps,
        len(marked) - len(marked.without(counted.left_out)),
        marked,
    )


def marked_in(series: Series, start_ms: int, end_ms: int) -> Series:
    """The readings of a series in a window [start, end) that carry a mark."""
    take = (series.marks != 0) & (series.times_ms >= start_ms) & (series.times_ms < end_ms)
    return Series(series.channel, series.times_ms[take], series.values[take], series.marks[take])


def _reduced_by_extremes(
    workshop: Workshop, channel: str, start_ms: int, end_ms: int, n: int, counted: Counted
) -> Reduced:
    """From sums where nothing is implausible, from readings in and beside the buckets elsewhere.

    Extremes are exact: a bucket with an implausible reading has one beyond the channel's limits.
    """
    limit_ms = workshop.gap_limit_ms(channel)
    found = workshop.store.buckets(channel, start_ms, end_ms, n, gap_limit_ms=limit_ms)
    holes = _Holes(limit_ms)
    edges = np.append(found.starts_ms, end_ms)
    suspect = _suspects(workshop, channel, start_ms, end_ms, n)
    marked: list[tuple[int, float, int]] = []
    for number in np.flatnonzero(_reached(suspect, edges, limit_ms)).tolist():
        first, last = int(edges[number]), int(edges[number + 1])
        series = workshop.near(channel, first, last)
        if suspect[number]:
            marked += [(r.time_ms, r.value, int(r.marks)) for r in marked_in(series, first, last)]
        kept = series.without(counted.left_out)
        exact = buckets_of(
            channel, kept.times_ms, kept.values, first, last, 1, gap_limit_ms=limit_ms
        )
        for column in ("minima", "maxima", "means", "counts", "coverage"):
            getattr(found, column)[number] = getattr(exact, column)[0]
        holes.look_at(kept.times_ms, first, last)
    doubtful = Series.of(channel, marked)
    left_out_n = len(doubtful) - len(doubtful.without(counted.left_out))
    covered = workshop.store.coverage(channel, start_ms, end_ms, gap_limit_ms=limit_ms)
    gaps = _joined([*covered.gaps, *holes.gaps()])
    return Reduced(found, gaps, left_out_n, doubtful)


class _Holes:
    """Gaps between the readings that count, from stretches of the record looked at in order.

    Of each stretch only the ends of its covered pieces are kept.
    """

    def __init__(self, limit_ms: int) -> None:
        self._limit_ms = limit_ms
        self._runs: list[tuple[int, int, list[tuple[int, int]]]] = []

    def look_at(self, times_ms: Times, start_ms: int, end_ms: int) -> None:
        """The readings that count in [start, end), with the neighbours around it [ms]."""
        if self._runs and self._runs[-1][1] == start_ms:
            start_ms, _, pieces = self._runs.pop()
            times_ms = times_ms[np.searchsorted(times_ms, pieces[-1][1] + 1) if pieces else 0 :]
        else:
            pieces = []
        self._runs.append((start_ms, end_ms, pieces))
        if len(times_ms):
            cuts = np.flatnonzero(np.diff(times_ms) > self._limit_ms)
            firsts = times_ms[np.concatenate(([0], cuts + 1))].tolist()
            lasts = times_ms[np.append(cuts, len(times_ms) - 1)].tolist()
            pieces += zip(firsts, lasts, strict=True)

    def gaps(self) -> list[Gap]:
        """The gaps within what was looked at."""
        found: list[Gap] = []
        for start_ms, end_ms, pieces in self._runs:
            firsts, lasts = np.array(pieces or [(0, 0)], np.int64)[: len(pieces)].T
            none = np.zeros(len(pieces))
            parts = Parts(firsts, lasts, none, none, none, none, none, np.ones_like(firsts))
            found += coverage_from(parts, start_ms, end_ms, gap_limit_ms=self._limit_ms).gaps
        return found


def _joined(gaps: Sequence[Gap]) -> tuple[Gap, ...]:
    """Gaps in order, those that overlap as one; a reading parts those that only touch."""
    joined: list[Gap] = []
    for gap in sorted(gaps, key=lambda gap: gap.start_ms):
        if joined and gap.start_ms < joined[-1].end_ms:
            last = joined.pop()
            gap = Gap(last.start_ms, max(last.end_ms, gap.end_ms))
        joined.append(gap)
    return tuple(joined)


def _suspects(
    workshop: Workshop, channel: str, start_ms: int, end_ms: int, n: int
) -> npt.NDArray[np.bool_]:
    """Which buckets hold a value beyond the channel's limits, corrected in any way it ever was.

    The collector marks by those limits, through the calibrations that were on record when a
    reading came; chains are monotone, so a bucket's extremes tell of every reading in it.
    """
    known = [one for one in workshop.settings.channels if one.id == channel]
    if not known:
        return np.zeros(n, dtype=np.bool_)
    limits = limits_of(known[0])
    found = workshop.converted.buckets(
        channel, start_ms, end_ms, n, gap_limit_ms=workshop.gap_limit_ms(channel)
    )
    ways = [(found.minima, found.maxima)]
    ways += [
        (one.apply(found.minima), one.apply(found.maxima))
        for one in workshop.record.calibrations.ever(channel)
    ]
    beyond = np.zeros(n, dtype=np.bool_)
    for minima, maxima in ways:
        beyond |= (minima < limits.lowest) | (maxima > limits.highest)
    return beyond


def _reached(
    suspect: npt.NDArray[np.bool_], edges: npt.NDArray[np.int64], limit_ms: int
) -> npt.NDArray[np.bool_]:
    """The buckets into which the line to a reading of a suspect one may reach."""
    reached = np.zeros(len(suspect), dtype=np.bool_)
    for number in np.flatnonzero(suspect).tolist():
        reached |= (edges[1:] > edges[number] - limit_ms) & (
            edges[:-1] < edges[number + 1] + limit_ms
        )
    return reached
