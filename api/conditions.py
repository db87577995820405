"""Readings and a window in, what really happened out: mean, extremes, coverage, gaps. Pure.

Between two neighbouring readings the quantity is taken to run straight. A stretch between
neighbours no longer than the gap limit is *covered*; a longer one is a *gap*, and no figure
of :func:`summarise` is computed across it. At the edges of the window the line is cut, using
the neighbour outside where the series brings one that is near enough. Windows are half-open,
``start_ms <= time < end_ms``; weights are lengths of time, so unevenly spaced readings and
bursts count for the time they stand for and no more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from collector.errors import InvalidError
from collector.readings import Mark, Series
from collector.store.contract import Gap
from collector.store.stretches import coverage_of

Floats = npt.NDArray[np.float64]

#: Readings that carry one of these marks are left out of every figure, and counted.
DOUBTFUL = Mark.IMPLAUSIBLE | Mark.STUCK | Mark.JUMP | Mark.CLOCK | Mark.CONFLICT

MS_PER_MIN = 60_000.0
MS_PER_HOUR = 3_600_000.0


@dataclass(frozen=True, slots=True)
class Summary:
    """What one channel did in one window; figures are in the channel's unit.

    ``mean``, ``deviation`` (standard deviation) and ``slope_per_h`` (least squares) are
    time-weighted over the covered stretches; ``minimum`` and ``maximum`` are of the readings
    inside the window. ``minutes_below`` and ``degree_hours_below`` lie below the limit
    ``below``, ``..._above`` above the limit ``above``: None where no limit was asked for. All
    figures are None when ``withheld`` says why they cannot be given. ``coverage`` is the
    covered share of the window, 0 to 1; ``marked_out`` counts readings left out as doubtful.
    """

    start_ms: int
    end_ms: int
    count: int
    marked_out: int
    coverage: float
    gaps: tuple[Gap, ...]
    withheld: str | None = None
    mean: float | None = None
    minimum: float | None = None
    maximum: float | None = None
    deviation: float | None = None
    slope_per_h: float | None = None
    below: float | None = None
    minutes_below: float | None = None
    degree_hours_below: float | None = None
    above: float | None = None
    minutes_above: float | None = None
    degree_hours_above: float | None = None

    @property
    def longest_gap_ms(self) -> int:
        """Length of the longest gap within the window [ms]; 0 when there is none."""
        return max((gap.end_ms - gap.start_ms for gap in self.gaps), default=0)


@dataclass(frozen=True, slots=True)
class WindowValue:
    """The one figure by which a print enters an analysis, or the reason it has none."""

    value: float | None
    reason: str | None
    coverage: float
    count: int


@dataclass(frozen=True, slots=True)
class _Stretches:
    """Covered straight pieces within a window: times [ms from its start] and end values."""

    begin: Floats
    end: Floats
    first: Floats
    last: Floats
    lengths: Floats

    @property
    def covered_ms(self) -> float:
        return float(self.lengths.sum())

    @property
    def integral(self) -> float:
        """Area under the pieces [unit x ms]."""
        return float(self.lengths @ (self.first + self.last)) / 2


def summarise(
    series: Series,
    start_ms: int,
    end_ms: int,
    *,
    gap_limit_ms: int,
    below: float | None = None,
    above: float | None = None,
    least_coverage: float = 0.5,
    left_out: Mark = DOUBTFUL,
    goes_on: tuple[bool, bool] = (False, False),
) -> Summary:
    """Sum up one channel over [start_ms, end_ms).

    ``series`` may bring neighbours from outside the window, and should; ``goes_on`` says
    whether the record goes on before and after it all the same, across a gap. Figures are withheld
    when less than ``least_coverage`` of the window is covered. Raises ``InvalidError`` for a
    window that does not end after it starts, or a gap limit that is not positive.
    """
    _check_window(start_ms, end_ms, gap_limit_ms)
    kept = series.without(left_out) if left_out else series
    inside = _inside(kept, start_ms, end_ms)
    all_inside = inside if kept is series else _inside(series, start_ms, end_ms)
    times_ms = _going_on(kept.times_ms, start_ms, end_ms, gap_limit_ms, goes_on)
    covered = coverage_of(times_ms, start_ms, end_ms, gap_limit_ms=gap_limit_ms)
    bare: dict[str, Any] = {
        "start_ms": start_ms,
        "end_ms": end_ms,
        "count": covered.count,
        "marked_out": _count(all_inside) - covered.count,
        "coverage": covered.share,
        "gaps": covered.gaps,
        "below": below,
        "above": above,
    }
    reason = _too_little(covered.share, least_coverage)
    if reason:
        return Summary(**bare, withheld=reason)
    stretches = _stretches(kept, start_ms, end_ms, gap_limit_ms)
    mean, deviation, slope_per_h = _moments(stretches)
    minutes_below, degree_hours_below = _under(stretches, below, 1.0)
    minutes_above, degree_hours_above = _under(stretches, above, -1.0)
    values = kept.values[inside]
    return Summary(
        **bare,
        mean=mean,
        minimum=float(values.min()) if len(values) else None,
        maximum=float(values.max()) if len(values) else None,
        deviation=deviation,
        slope_per_h=slope_per_h,
        minutes_below=minutes_below,
        degree_hours_below=degree_hours_below,
        minutes_above=minutes_above,
        degree_hours_above=degree_hours_above,
    )


def together(
    first: Series,
    second: Series,
    combine: Callable[[Floats, Floats], Floats],
    *,
    channel: str,
    gap_limits_ms: tuple[float, float],
    left_out: Mark = DOUBTFUL,
) -> Series:
    """A quantity made of two, such as vat minus room or the dew point, as a series of its own.

    It has a value at every reading of either series at which both are recorded, each taken to
    run straight between readings no further apart than its own gap limit. A hole in either is
    a hole in it. A difference made so is exact in between; a dew point is near enough.
    """
    times, one, other = side_by_side(
        first.without(left_out), second.without(left_out), gap_limits_ms
    )
    values = combine(one, other)
    return Series(channel, times, values, np.zeros(len(values), np.uint8))


def side_by_side(
    first: Series, second: Series, gap_limits_ms: tuple[float, float]
) -> tuple[npt.NDArray[np.int64], Floats, Floats]:
    """Two series at every reading of either at which both are recorded: times and values.

    Each is taken to run straight between readings no further apart than its gap limit.
    """
    if np.array_equal(first.times_ms, second.times_ms):
        return first.times_ms, first.values, second.values
    times = np.union1d(first.times_ms, second.times_ms)
    known = np.ones(len(times), bool)
    columns = []
    for part, limit in zip((first, second), gap_limits_ms, strict=True):
        if len(part) == 0:
            return part.times_ms, part.values, part.values
        left = np.searchsorted(part.times_ms, times, side="right") - 1
        right = np.searchsorted(part.times_ms, times)
        inside = (left >= 0) & (right < len(part))
        left, right = np.maximum(left, 0), np.minimum(right, len(part) - 1)
        known &= inside & (part.times_ms[right] - part.times_ms[left] <= limit)
        columns.append(np.interp(times, part.times_ms, part.values))
    return times[known], columns[0][known], columns[1][known]


#: What a first-layers value needs (method: keeps its error at or below 0.05 °C).
FIRST_LAYERS_COVERAGE = 0.60
FIRST_LAYERS_READINGS = 5

#: What a whole-print value needs (method: keeps its error at or below 0.2 °C).
WHOLE_PRINT_COVERAGE = 0.80
WHOLE_PRINT_END_SHARE = 0.10


def first_layers_value(
    series: Series, start_ms: int, end_ms: int, *, gap_limit_ms: int, left_out: Mark = DOUBTFUL
) -> WindowValue:
    """Mean over a first-layers window, lost minutes taken from a straight line.

    Covered stretches are kept as they are; what is not covered follows the least-squares line
    through the readings inside the window. Needs 60 % of the window covered and 5 readings:
    the plain mean of what happens to be there is 0.2 to 0.3 °C too warm when a vat's record
    starts late.
    """
    _check_window(start_ms, end_ms, gap_limit_ms)
    kept = series.without(left_out)
    inside = _inside(kept, start_ms, end_ms)
    count = _count(inside)
    stretches = _stretches(kept, start_ms, end_ms, gap_limit_ms)
    length = float(end_ms - start_ms)
    coverage = stretches.covered_ms / length
    reason = _too_little(coverage, FIRST_LAYERS_COVERAGE)
    if reason is None and count < FIRST_LAYERS_READINGS:
        reason = f"{count} readings in this window; it takes {FIRST_LAYERS_READINGS}"
    if reason:
        return WindowValue(None, reason, coverage, count)
    times = (kept.times_ms[inside] - start_ms).astype(np.float64)
    slope, level = _line(times, kept.values[inside])
    # The line over the lost minutes: the whole window's area less the covered pieces'.
    centre = float(np.sum(stretches.lengths * (stretches.begin + stretches.end)) / 2)
    lost_area = level * (length - stretches.covered_ms) + slope * (length**2 / 2 - centre)
    return WindowValue((stretches.integral + lost_area) / length, None, coverage, count)


def whole_print_value(
    series: Series, start_ms: int, end_ms: int, *, gap_limit_ms: int, left_out: Mark = DOUBTFUL
) -> WindowValue:
    """Mean over a whole print of the readings joined by straight lines.

    The one figure that bridges a hole: with 80 % of the window covered and at most 10 %
    missing at either end the method found its error at or below 0.2 °C. Before the first and
    after the last known point the nearest value stands.
    """
    _check_window(start_ms, end_ms, gap_limit_ms)
    kept = series.without(left_out)
    count = _count(_inside(kept, start_ms, end_ms))
    stretches = _stretches(kept, start_ms, end_ms, gap_limit_ms)
    length = float(end_ms - start_ms)
    coverage = stretches.covered_ms / length
    reason = _too_little(coverage, WHOLE_PRINT_COVERAGE)
    if reason is None:
        missing = {
            "start": float(stretches.begin[0]) / length,
            "end": 1.0 - float(stretches.end[-1]) / length,
        }
        for end, share in missing.items():
            if share > WHOLE_PRINT_END_SHARE:
                reason = f"no reading over {share:.0%} of the window at its {end}"
    if reason:
        return WindowValue(None, reason, coverage, count)
    times = np.concatenate(([0.0], np.ravel((stretches.begin, stretches.end), "F"), [length]))
    values = np.ravel((stretches.first, stretches.last), "F")
    values = np.concatenate((values[:1], values, values[-1:]))
    area = float(np.sum(np.diff(times) * (values[1:] + values[:-1])) / 2)
    return WindowValue(area / length, None, coverage, count)


def _check_window(start_ms: int, end_ms: int, gap_limit_ms: int) -> None:
    if end_ms <= start_ms:
        raise InvalidError(
            "The window ends before it starts.", where="end", remedy="Give a later end."
        )
    if not gap_limit_ms > 0:
        raise InvalidError(
            "The gap limit is not a positive length.", where="gap_limit_ms", remedy="Give one."
        )


def _going_on(
    times_ms: npt.NDArray[np.int64],
    start_ms: int,
    end_ms: int,
    gap_limit_ms: int,
    goes_on: tuple[bool, bool],
) -> npt.NDArray[np.int64]:
    """The times of readings with one put beyond the gap at either edge where the record goes on."""
    before, after = goes_on
    if before and (len(times_ms) == 0 or times_ms[0] > start_ms):
        times_ms = np.insert(times_ms, 0, start_ms - gap_limit_ms - 1)
    if after and (len(times_ms) == 0 or times_ms[-1] < end_ms):
        times_ms = np.append(times_ms, end_ms + gap_limit_ms + 1)
    return times_ms


def _inside(series: Series, start_ms: int, end_ms: int) -> slice:
    """The readings within the window; times increase, so they lie together."""
    first, last = np.searchsorted(series.times_ms, (start_ms, end_ms)).tolist()
    return slice(first, last)


def _count(inside: slice) -> int:
    return int(inside.stop - inside.start)


def _too_little(coverage: float, least: float) -> str | None:
    if coverage == 0:
        return "no record in this window"
    if coverage < least:
        return f"only {coverage:.0%} of this window was recorded; it takes {least:.0%}"
    return None


def _stretches(series: Series, start_ms: int, end_ms: int, gap_limit_ms: int) -> _Stretches:
    """The covered straight pieces, cut at the window's edges."""
    times = (series.times_ms - start_ms).astype(np.float64)
    values = series.values.copy()
    length = float(end_ms - start_ms)
    begin, end, first, last = times[:-1], times[1:], values[:-1], values[1:]
    take = (end - begin <= gap_limit_ms) & (end > 0) & (begin < length)
    if not take.all():
        begin, end, first, last = begin[take], end[take], first[take], last[take]
    if len(begin) == 0:
        return _Stretches(begin, end, first, last, end - begin)
    # Times increase, so that only the first piece and the last can reach over an edge.
    rates = [(last[n] - first[n]) / (end[n] - begin[n]) for n in (0, -1)]
    if begin[0] < 0:
        first[0], begin[0] = first[0] - rates[0] * begin[0], 0.0
    if end[-1] > length:
        last[-1], end[-1] = last[-1] - rates[1] * (end[-1] - length), length
    return _Stretches(begin, end, first, last, end - begin)


def _moments(stretches: _Stretches) -> tuple[float, float, float]:
    """Mean, standard deviation and least-squares slope per hour over straight pieces, exact.

    The integral of a product of two straight lines over a piece is its length times the
    product of their means plus a twelfth of the product of their rises.
    """
    lengths = stretches.lengths
    total = float(lengths.sum())
    level = (stretches.first + stretches.last) / 2
    mean = float(lengths @ level) / total
    level -= mean
    rise = stretches.last - stretches.first
    variance = float(lengths @ (level * level + rise * rise / 12)) / total
    middle = (stretches.begin + stretches.end) / 2
    middle -= float(lengths @ middle) / total
    weighted, squared = lengths * middle, lengths * lengths
    time_variance = float(weighted @ middle) + float(squared @ lengths) / 12
    together = float(weighted @ level) + float(squared @ rise) / 12
    return mean, max(variance, 0.0) ** 0.5, together / time_variance * MS_PER_HOUR


def _under(
    stretches: _Stretches, limit: float | None, sign: float
) -> tuple[float | None, float | None]:
    """Minutes under a limit and degree-hours under it; ``sign`` -1 turns both upside down.

    A piece that crosses the limit is split at the crossing.
    """
    if limit is None:
        return None, None
    a, b = sign * (limit - stretches.first), sign * (limit - stretches.last)
    deep, shallow = np.maximum(a, b), np.minimum(a, b)
    if not (deep > 0).any():
        return 0.0, 0.0
    crossing = (deep > 0) & (shallow < 0)
    share = np.where(crossing, deep / np.where(crossing, deep - shallow, 1.0), deep > 0)
    depth = np.where(crossing, deep / 2, (deep + shallow) / 2) * (deep > 0)
    time = stretches.lengths * share
    return float(np.sum(time)) / MS_PER_MIN, float(np.sum(time * depth)) / MS_PER_HOUR


def _line(times: Floats, values: Floats) -> tuple[float, float]:
    """Slope and level (at time 0) of the least-squares line."""
    middle, mean = float(times.mean()), float(values.mean())
    offsets = times - middle
    slope = float(np.sum(offsets * (values - mean)) / np.sum(offsets**2))
    return slope, mean - slope * middle
