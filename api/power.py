"""Prints found in a printer's power trace, waiting to be told what came of them. Pure.

The rules:

1.  Two levels are learned from the trace: what the printer takes at rest, and what it takes
    while it prints. Where they do not stand apart, nothing is found.
2.  A print is *busy* from a reading above the upper threshold on; it is *quiet* below the
    lower one. What lies between is busy right before and after what is busy (hysteresis).
3.  Quiet for no longer than the pause limit between two busy times is a pause of one print
    (a brown-out, a refill); longer parts two prints.
4.  A print starts half-way between the last quiet and its first busy reading, and ends
    likewise. Where a gap lies there, or the trace begins or stops, the print says between
    which moments it started or ended.
5.  A print is never made of a gap: a gap no longer than the pause limit between two busy
    times joins them and is listed; a longer one parts them.
6.  Busy times shorter than the shortest print (homing, a test exposure) are left out.
7.  A print is *cut short* when the power fell to nothing at its end and stayed there while
    the printer otherwise rests at a standby level.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from api.conditions import DOUBTFUL
from collector.readings import Series
from collector.store.contract import Gap

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

MS_PER_MIN = 60_000

#: A printing level is looked for above this [W]: common practice, no source (a lamp of 30 W
#: or more with its fans and motors; standby displays take less).
LEAST_PRINTING_W = 15.0
#: How far the two levels must stand apart [W] to be told apart at all.
LEAST_CONTRAST_W = 10.0
#: Added before a logarithm is taken [W], so that nothing and next to nothing are alike.
LOG_FLOOR_W = 5.0
#: Below this share of the standby level the printer is off, not at rest.
OFF_SHARE = 0.3
#: Rest is learned from readings at least this far from any busy one, where there are so many.
REST_APART_MS = (20 * MS_PER_MIN, 10 * MS_PER_MIN)
LEAST_REST_N = 20
#: Readings this near to a busy one are of a printer at work ...
BETWEEN_APART_MS = 2 * MS_PER_MIN
#: ... and tell what it takes between exposures where they are so many, and so far above rest [W].
LEAST_WORKING_N = 20
LEAST_WORKING_W = 3.0
#: Quiet for at least this long is listed as a pause.
SHORTEST_PAUSE_MS = 90_000


@dataclass(frozen=True, slots=True)
class Levels:
    """Power learned from a trace [W]: ``rest_w`` and ``printing_w`` are medians.

    ``upper_w`` and ``lower_w`` are the thresholds of rule 2; ``standby_w`` is the level the
    printer rests at when it is switched on.
    """

    rest_w: float
    standby_w: float
    printing_w: float
    upper_w: float
    lower_w: float


@dataclass(frozen=True, slots=True)
class PowerPrint:
    """A print found: best ``start_ms`` and ``end_ms``, each with the moments it lies between.

    ``running`` when the trace stops before it ends. ``pauses`` and ``gaps`` lie within it.
    """

    start_ms: int
    end_ms: int
    started_between: tuple[int | None, int]
    ended_between: tuple[int, int | None]
    pauses: tuple[Gap, ...]
    gaps: tuple[Gap, ...]
    cut_short: bool
    running: bool


@dataclass(frozen=True, slots=True)
class PowerPrints:
    """All prints found in a trace, in order, or the reason why none can be."""

    prints: tuple[PowerPrint, ...]
    levels: Levels | None
    refusal: str | None


def learn(series: Series) -> Levels | None:
    """The levels of a printer from its trace, the longer the better; None: not told apart.

    The split is the one with the largest variance between its two sides (Otsu 1979), of the
    logarithms, so that a short warm-up at many watts does not hide the lamp's.
    """
    values = series.values
    if len(values) < 2 or float(values.max()) <= LEAST_PRINTING_W:
        return None
    split = _split(values)
    busy = values >= split
    if busy.all() or not busy.any():
        return None
    rest = _at_rest(series, busy)
    # A printer takes its most while the lamp is on, which may be a tenth of the time.
    printing, most = (float(level) for level in np.quantile(values[busy], (0.5, 0.9)))
    highest_rest = float(np.quantile(rest, 0.98))
    if most - highest_rest < LEAST_CONTRAST_W:
        return None
    upper = max(split, highest_rest + 0.4 * (printing - highest_rest))
    on = rest[rest > OFF_SHARE * highest_rest]
    return Levels(
        rest_w=float(np.median(rest)),
        standby_w=float(np.median(on)) if len(on) else highest_rest,
        printing_w=printing,
        upper_w=upper,
        lower_w=_lower(series, busy, highest_rest, upper),
    )


def prints_in(
    series: Series,
    *,
    gap_limit_ms: int,
    levels: Levels | None = None,
    pause_limit_min: float = 20.0,
    shortest_min: float = 10.0,
) -> PowerPrints:
    """The prints in a power trace [W] by the rules on top; levels are learned when not given.

    Doubtful readings are left out, as in every figure.
    """
    kept = series.without(DOUBTFUL)
    known = levels or learn(kept)
    if known is None:
        return PowerPrints((), None, "printing and rest do not stand apart in this trace")
    runs = _busy_runs(kept, known, gap_limit_ms)
    spells = _joined(kept, runs, int(pause_limit_min * MS_PER_MIN))
    found = [_print(kept, spell, known, gap_limit_ms) for spell in spells]
    shortest_ms = shortest_min * MS_PER_MIN
    long_enough = (p for p in found if p.end_ms - p.start_ms >= shortest_ms)
    return PowerPrints(tuple(long_enough), known, None)


def _at_rest(series: Series, busy: Flags) -> Floats:
    """Readings of a printer at rest: the further from any busy one, the surer."""
    quiet = series.values[~busy]
    for apart_ms in REST_APART_MS:
        rest = series.values[~busy & _far_from(series.times_ms, busy, apart_ms)]
        if len(rest) >= LEAST_REST_N:
            return rest
    return quiet


def _lower(series: Series, busy: Flags, highest_rest: float, upper: float) -> float:
    """The power below which a printer is quiet [W].

    A meter that reads now and then meets the lamp of a printer seldom. What it takes between
    two exposures is told by the readings between busy ones; half-way from there to rest it is
    quiet, or half-way from the upper threshold where that is less.
    """
    between = ~busy & ~_far_from(series.times_ms, busy, BETWEEN_APART_MS)
    working = series.values[between]
    level = (highest_rest + upper) / 2
    if len(working) < LEAST_WORKING_N:
        return level
    least = float(np.quantile(working, 0.25))
    if least - highest_rest < LEAST_WORKING_W:
        return level
    return min(level, (highest_rest + least) / 2)


def _split(values: Floats) -> float:
    """The threshold above the least printing level that parts the readings best."""
    edges = np.geomspace(LEAST_PRINTING_W, float(values.max()), 200)
    ordered = np.sort(np.log(np.maximum(values, 0.0) + LOG_FLOOR_W))
    sums = np.concatenate(([0.0], np.cumsum(ordered)))
    below = np.searchsorted(ordered, np.log(edges + LOG_FLOOR_W))
    above = len(ordered) - below
    inner = (below > 0) & (above > 0)
    low = sums[below[inner]] / below[inner]
    high = (sums[-1] - sums[below[inner]]) / above[inner]
    between = below[inner].astype(float) * above[inner] * (high - low) ** 2
    if len(between) == 0:
        return LEAST_PRINTING_W
    # Any split within an empty stretch is as good: take its middle.
    best = edges[inner][between >= between.max() * (1 - 1e-9)]
    return float((best[0] + best[-1]) / 2)


def _far_from(times: npt.NDArray[np.int64], busy: Flags, apart_ms: int) -> Flags:
    """Which readings lie far from any busy one."""
    marks = times[busy]
    after = np.searchsorted(marks, times)
    left = times - marks[np.maximum(after - 1, 0)]
    right = marks[np.minimum(after, len(marks) - 1)] - times
    far: Flags = (np.abs(left) >= apart_ms) & (np.abs(right) >= apart_ms)
    return far


def _busy_runs(series: Series, levels: Levels, gap_limit_ms: int) -> list[tuple[int, int]]:
    """First and last index of each unbroken busy run, by two thresholds (rule 2)."""
    state = np.where(
        series.values >= levels.upper_w, 1, np.where(series.values < levels.lower_w, 0, -1)
    )
    # Backwards across no gap: what was undecided before one may have been anything.
    before = np.where(
        np.diff(series.times_ms, append=series.times_ms[-1:]) > gap_limit_ms, 0, state
    )
    before = np.where(state == 1, 1, before)
    busy = _carried_on(state) | _carried_on(before[::-1])[::-1]
    change = np.diff(np.concatenate(([0], busy.astype(int), [0])))
    begins, ends = np.flatnonzero(change == 1), np.flatnonzero(change == -1) - 1
    return list(zip(begins.tolist(), ends.tolist(), strict=True))


def _carried_on(state: npt.NDArray[np.int64]) -> Flags:
    """Which readings are busy (1), or undecided (-1) right after busy ones."""
    decided = np.where(state >= 0, np.arange(len(state)), -1)
    last = np.maximum.accumulate(decided)
    busy: Flags = (last >= 0) & (state[np.maximum(last, 0)] == 1)
    return busy


def _joined(
    series: Series, runs: list[tuple[int, int]], pause_limit_ms: int
) -> list[list[tuple[int, int]]]:
    """Runs put together that lie no further apart than a pause may last."""
    spells: list[list[tuple[int, int]]] = []
    for first, last in runs:
        for begin, end in _parted(series, first, last, pause_limit_ms):
            before = spells[-1][-1][1] if spells else None
            if (
                before is not None
                and series.times_ms[begin] - series.times_ms[before] <= pause_limit_ms
            ):
                spells[-1].append((begin, end))
            else:
                spells.append([(begin, end)])
    return spells


def _parted(series: Series, first: int, last: int, limit_ms: int) -> list[tuple[int, int]]:
    """A busy run cut at every hole that is longer than a pause may last (rule 5)."""
    times = series.times_ms[first : last + 1]
    cuts = (np.flatnonzero(np.diff(times) > limit_ms) + first).tolist()
    return list(zip([first, *(cut + 1 for cut in cuts)], [*cuts, last], strict=True))


def _print(
    series: Series, spell: list[tuple[int, int]], levels: Levels, gap_limit_ms: int
) -> PowerPrint:
    times, (first, last) = series.times_ms, (spell[0][0], spell[-1][1])
    before = int(times[first - 1]) if first > 0 else None
    after = int(times[last + 1]) if last + 1 < len(times) else None
    begin, end = int(times[first]), int(times[last])
    within = times[first : last + 1]
    wide = np.flatnonzero(np.diff(within) > gap_limit_ms)
    pauses = [
        Gap(_middle(times, left), _middle(times, right - 1))
        for (_, left), (right, _) in pairwise(spell)
    ]
    return PowerPrint(
        start_ms=begin
        if before is None or begin - before > gap_limit_ms
        else (before + begin) // 2,
        end_ms=end if after is None or after - end > gap_limit_ms else (end + after) // 2,
        started_between=(before, begin),
        ended_between=(end, after),
        pauses=tuple(gap for gap in pauses if gap.end_ms - gap.start_ms >= SHORTEST_PAUSE_MS),
        gaps=tuple(Gap(int(within[i]), int(within[i + 1])) for i in wide),
        cut_short=_went_dark(series, last, levels),
        running=after is None,
    )


def _middle(times: npt.NDArray[np.int64], index: int) -> int:
    """Half-way between a reading and the next."""
    return int(times[index] + times[index + 1]) // 2


def _went_dark(series: Series, last: int, levels: Levels) -> bool:
    """Whether the readings right after a print are those of a printer without power."""
    after = series.values[last + 2 : last + 7]
    off_w = OFF_SHARE * levels.standby_w
    return len(after) > 0 and off_w > 1.0 and bool((after < off_w).all())
