"""A slow second soak engine, written from the rules on top of ``api.soak.engine`` alone.

It knows the whole run at once, cuts each stretch at every crossing of every probe, asks the
middle of each cut whether it is in band, and does its sums in exact fractions.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import pairwise

from api.soak.program import Program

#: One probe: (offset from the start [ms], value [°C]), in time order.
Points = Sequence[tuple[int, float]]


@dataclass
class SlowStep:
    began: Fraction
    since: Fraction | None = None
    settled: Fraction | None = None
    done: Fraction | None = None
    dwell: Fraction = Fraction(0)
    watched: Fraction = Fraction(0)
    area: Fraction = Fraction(0)
    excursions: list[list[Fraction]] = field(default_factory=list)


@dataclass
class SlowRun:
    steps: list[SlowStep]
    holes: list[tuple[int, int]]
    until: int
    cooling: bool


def value(points: Points, moment: Fraction, gap: int) -> Fraction | None:
    """A probe's value at a moment, None in a hole; on the edge of one, the reading there."""
    times = [t for t, _ in points]
    right = bisect_right(times, moment)
    if right and times[right - 1] == moment:
        return Fraction(points[right - 1][1])
    if right == 0 or right == len(times) or times[right] - times[right - 1] > gap:
        return None
    (t0, v0), (t1, v1) = points[right - 1], points[right]
    return Fraction(v0) + (Fraction(v1) - Fraction(v0)) * (moment - t0) / (t1 - t0)


def known_until(probes: Sequence[Points], gap: int) -> int:
    """The moment up to which every probe has reported or is known to be lost."""
    lasts = [points[-1][0] if points else 0 for points in probes]
    return min(last for last in lasts if max(lasts) - last <= gap)


def recorded(probes: Sequence[Points], moment: Fraction, gap: int) -> bool:
    return all(value(points, moment, gap) is not None for points in probes)


def slow_run(program: Program, probes: Sequence[Points], until: int | None = None) -> SlowRun:
    """The run up to ``until`` [ms offset], or as far as is known."""
    gap = int(program.gap_limit_ms)
    stop = known_until(probes, gap) if until is None else until
    moments = sorted({t for points in probes for t, _ in points if t <= stop} | {stop})
    first = min((t for points in probes for t, _ in points), default=0)
    moments = [moment for moment in moments if moment >= first]
    run = SlowRun([SlowStep(Fraction(0))], [], stop, cooling=False)
    for left, right in pairwise(moments):
        if recorded(probes, Fraction(left + right, 2), gap):
            _walk(run, program, probes, Fraction(left), Fraction(right))
            continue
        run.steps[-1].since = None
        if run.holes and run.holes[-1][1] == left:
            run.holes[-1] = (run.holes[-1][0], right)
        else:
            run.holes.append((left, right))
    return run


def _walk(
    run: SlowRun, program: Program, probes: Sequence[Points], left: Fraction, right: Fraction
) -> None:
    """One recorded stretch in which every probe runs straight."""
    gap = int(program.gap_limit_ms)
    now = left
    while now < right and not run.cooling:
        log, step = run.steps[-1], program.steps[len(run.steps) - 1]
        low, high = Fraction(step.low_c), Fraction(step.high_c)
        cuts = {now, right}
        for points in probes:
            a, b = value(points, left, gap), value(points, right, gap)
            assert a is not None
            assert b is not None
            for edge in (low, high):
                if a != b:
                    cuts.add(left + (edge - a) / (b - a) * (right - left))
        nearest = min(cut for cut in cuts if cut > now)
        middle = (now + nearest) / 2
        values = [value(points, middle, gap) for points in probes]
        assert None not in values
        known = [v for v in values if v is not None]
        inside = all(low <= v <= high for v in known)
        log.since = (log.since if log.since is not None else now) if inside else None
        if log.since is not None and log.settled is None:
            ready = log.since + Fraction(program.settle.hold_min) * 60_000
            if ready <= nearest:
                log.settled = now = max(ready, now)
            if ready > nearest or now == right:
                now = nearest
                continue
        end = nearest
        if inside:
            end = min(nearest, now + Fraction(step.dwell_ms) - log.dwell)
            log.dwell += end - now
        if log.settled is not None:
            at = [value(points, (now + end) / 2, gap) for points in probes]
            log.watched += end - now
            log.area += (end - now) * sum(v for v in at if v is not None) / len(at)
            if not inside:
                _out(log, now, end)
        now = end
        if log.dwell == Fraction(step.dwell_ms):
            log.done = now
            run.cooling = len(run.steps) == len(program.steps)
            if not run.cooling:
                run.steps.append(SlowStep(now))


def _out(log: SlowStep, begin: Fraction, end: Fraction) -> None:
    if log.excursions and log.excursions[-1][1] == begin:
        log.excursions[-1][1] = end
    else:
        log.excursions.append([begin, end])


def readings_between(
    probes: Sequence[Points], begin: Fraction | float, end: Fraction | float
) -> list[float]:
    """Values of all readings made in [begin, end]."""
    return [v for points in probes for t, v in points if begin <= t <= end]


def slow_place(program: Program, probes: Sequence[Points], offset: int) -> Mapping[str, object]:
    """The heat a specimen had had by a moment, by running only so far."""
    first = min((t for points in probes for t, _ in points), default=math.inf)
    if offset < first:
        return {"step": 1, "completed": False, "dwell_ms": 0, "peak_c": None}
    run = slow_run(program, probes, offset)
    number, log = len(run.steps), run.steps[-1]
    completed = log.done is not None
    if not completed and log.settled is None and number > 1:
        since = readings_between(probes, log.began, offset)
        if max(since, default=-math.inf) <= program.steps[number - 2].high_c:
            number, log, completed = number - 1, run.steps[-2], True
    return {
        "step": number,
        "completed": completed,
        "dwell_ms": float(log.dwell),
        "peak_c": max(readings_between(probes, 0, offset), default=None),
    }
