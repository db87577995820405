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

from api.soak.program import Program, SettleRule, Step

#: One probe: (offset from the start [ms], value [°C]), in time order.
Points = Sequence[tuple[int, float]]
#: From which moment on [ms offset] which program is in force.
Edits = Sequence[tuple[int, Program]]


@dataclass(frozen=True)
class Read:
    """All that was read: the probes in the chamber's air, and one in a specimen if any."""

    air: Sequence[Points]
    specimen: Points | None
    gap: int

    @property
    def first(self) -> float:
        """When the chamber was first read; never is infinity."""
        return min((t for points in self.air for t, _ in points), default=math.inf)

    def moments(self, stop: int) -> list[int]:
        """When anything was read, from the chamber's first reading on."""
        probes = [*self.air, self.specimen or []]
        return sorted({t for points in probes for t, _ in points if self.first <= t <= stop})

    def before(self, moment: int) -> Read:
        """What had been read by a moment."""
        return Read(
            [[row for row in points if row[0] <= moment] for points in self.air],
            None if self.specimen is None else [r for r in self.specimen if r[0] <= moment],
            self.gap,
        )

    def known_until(self) -> int:
        """The moment up to which every probe has reported or is known to be lost."""
        probes = [*self.air, *([] if self.specimen is None else [self.specimen])]
        lasts = [points[-1][0] if points else 0 for points in probes]
        return min(last for last in lasts if max(lasts) - last <= self.gap)

    def chamber(self, moment: Fraction) -> list[Fraction] | None:
        """Every chamber probe's value at a moment; None where one has none."""
        values = [value(points, moment, self.gap) for points in self.air]
        return None if None in values else [v for v in values if v is not None]

    def piece(self, moment: Fraction) -> Fraction | None:
        """The specimen's temperature: its own probe's, or the chamber's mean without one."""
        if self.specimen is not None:
            return value(self.specimen, moment, self.gap)
        air = self.chamber(moment)
        return None if air is None else sum(air, Fraction(0)) / len(air)


@dataclass
class SlowStep:
    step: Step
    began: Fraction
    #: Since when the step's hottest reading is asked for: an edit does not forget it.
    peak_since: Fraction
    #: From when on a rule that looks back may look.
    judged_from: Fraction
    since: Fraction | None = None
    settled: Fraction | None = None
    done: Fraction | None = None
    dwell: Fraction = Fraction(0)
    watched: Fraction = Fraction(0)
    area: Fraction = Fraction(0)
    #: begin, end, how far over and under the band
    excursions: list[list[Fraction]] = field(default_factory=list)


@dataclass
class SlowRun:
    program: Program
    read: Read
    steps: list[SlowStep]
    holes: list[tuple[int, int]]
    until: int
    cooling: bool = False

    def finish(self, moment: Fraction) -> None:
        """The step under way is done: the next begins, or the chamber cools down."""
        self.steps[-1].done = moment
        self.cooling = len(self.steps) == len(self.program.steps)
        if not self.cooling:
            self.begin(moment)

    def begin(self, moment: Fraction) -> None:
        self.cooling = False
        self.steps.append(SlowStep(self.program.steps[len(self.steps)], moment, moment, moment))

    def accepts(self, program: Program) -> bool:
        """Rule 10: steps that are done stay, and none that was begun is dropped."""
        done = [log.step for log in self.steps if log.done is not None]
        return list(program.steps[: len(done)]) == done and len(program.steps) >= len(self.steps)

    def edit(self, program: Program, moment: Fraction) -> None:
        """Rule 10."""
        another_rule, log = program.settle != self.program.settle, self.steps[-1]
        self.program = program
        here = moment if self.read.first <= moment else log.began
        if log.done is not None:
            if len(program.steps) > len(self.steps):
                self.begin(moment)
            return
        step = program.steps[len(self.steps) - 1]
        if (step.low_c, step.high_c) != (log.step.low_c, log.step.high_c):
            self.steps[-1] = SlowStep(step, here, log.peak_since, here, excursions=log.excursions)
            return
        if another_rule:
            log.since, log.judged_from = None, here
        log.step = step
        if log.settled is not None and log.dwell >= Fraction(step.dwell_ms):
            self.finish(moment)


def value(points: Points, moment: Fraction, gap: int) -> Fraction | None:
    """A probe's value at a moment, None in a hole; on the edge of one, the reading there."""
    right = bisect_right(points, float(moment), key=lambda row: float(row[0]))
    if right and points[right - 1][0] == moment:
        return Fraction(points[right - 1][1])
    if right in (0, len(points)) or points[right][0] - points[right - 1][0] > gap:
        return None
    (t0, v0), (t1, v1) = points[right - 1], points[right]
    return Fraction(v0) + (Fraction(v1) - Fraction(v0)) * (moment - t0) / (t1 - t0)


def slow_run(program: Program, read: Read, until: int | None = None, edits: Edits = ()) -> SlowRun:
    """The run up to ``until`` [ms offset], or as far as is known."""
    stop = read.known_until() if until is None else until
    start = Fraction(0)
    run = SlowRun(program, read, [SlowStep(program.steps[0], start, start, start)], [], stop)
    moments = read.moments(stop)
    reads = set(moments)
    if read.first <= stop and stop not in reads:
        moments.append(stop)
    waiting = list(edits)
    for left, right in pairwise(moments):
        while waiting and waiting[0][0] <= left:
            moment, edited = waiting.pop(0)
            run.edit(edited, Fraction(moment))
        if read.chamber(Fraction(left + right, 2)) is None:
            run.steps[-1].since = None
            if run.holes and run.holes[-1][1] == left:
                run.holes[-1] = (run.holes[-1][0], right)
            else:
                run.holes.append((left, right))
        else:
            _walk(run, Fraction(left), Fraction(right))
        log = run.steps[-1]
        if right in reads and log.settled is None and _steady(run, log, right):
            log.settled = Fraction(right)
    for moment, edited in waiting:
        run.edit(edited, Fraction(moment))
    return run


def _walk(run: SlowRun, left: Fraction, right: Fraction) -> None:
    """One recorded stretch in which every probe runs straight."""
    read, now = run.read, left
    settle = run.program.settle
    while now < right and not run.cooling:
        log = run.steps[-1]
        low, high = Fraction(log.step.low_c), Fraction(log.step.high_c)
        near = [Fraction(log.step.setpoint_c) + w for w in _either(settle.within_k)]
        cuts = {right} | _crossings(read, left, right, (low, high), near)
        nearest = min(cut for cut in cuts if cut > now)
        middle = (now + nearest) / 2
        air, piece = read.chamber(middle), read.piece(middle)
        assert air is not None
        inside = all(low <= v <= high for v in air)
        ready = inside and _may_settle(settle.rule, piece, near)
        log.since = (log.since if log.since is not None else now) if ready else None
        if log.since is not None and log.settled is None:
            moment = log.since + Fraction(settle.hold_min) * 60_000
            if moment <= nearest:
                log.settled = now = max(moment, now)
            if moment > nearest or now == right:
                now = nearest
                continue
        end = nearest
        if log.settled is not None:
            if inside:
                end = min(nearest, now + Fraction(log.step.dwell_ms) - log.dwell)
                log.dwell += end - now
            log.watched += end - now
            at = read.chamber((now + end) / 2)
            assert at is not None
            log.area += (end - now) * sum(at, Fraction(0)) / len(at)
            if not inside:
                _out(run, log, (now, end), (low, high), (left, right))
        now = end
        if log.settled is not None and log.dwell >= Fraction(log.step.dwell_ms):
            run.finish(now)


def _either(width: float) -> tuple[Fraction, Fraction]:
    return -Fraction(width), Fraction(width)


def _crossings(
    read: Read,
    left: Fraction,
    right: Fraction,
    band: Sequence[Fraction],
    near: Sequence[Fraction],
) -> set[Fraction]:
    """When the probes pass an edge of the band, or the specimen one of its own."""
    lines = [(value(points, left, read.gap), value(points, right, read.gap)) for points in read.air]
    found: set[Fraction] = set()
    for (a, b), edges in [
        *((line, band) for line in lines),
        ((read.piece(left), read.piece(right)), near),
    ]:
        if a is not None and b is not None and a != b:
            found |= {left + (edge - a) / (b - a) * (right - left) for edge in edges}
    return {cut for cut in found if left < cut < right}


def _may_settle(rule: SettleRule, piece: Fraction | None, near: Sequence[Fraction]) -> bool:
    """Whether holding on in the band, here and now, lets the step settle."""
    if rule is SettleRule.IN_BAND:
        return True
    if rule is SettleRule.NEAR_FINAL:
        return piece is not None and near[0] <= piece <= near[1]
    return False


def _steady(run: SlowRun, log: SlowStep, right: int) -> bool:
    """The two rules that are judged at readings, looking back no further than the step."""
    settle, read, now = run.program.settle, run.read, Fraction(right)
    if settle.rule in (SettleRule.IN_BAND, SettleRule.NEAR_FINAL) or log.done is not None:
        return False
    back = now - Fraction(settle.over_min) * 60_000
    if back < max(log.judged_from, Fraction(int(read.first))):
        return False
    within = [back, *(Fraction(t) for t in read.moments(right) if back < t)]
    for a, b in pairwise(within):
        middle = (a + b) / 2
        if read.chamber(middle) is None or read.piece(middle) is None:
            return False
    here = read.chamber(now)
    if here is None or not all(log.step.low_c <= v <= log.step.high_c for v in here):
        return False
    air = [read.chamber(moment) for moment in within]
    means = [sum(values, Fraction(0)) / len(values) for values in air if values is not None]
    pieces = [v for v in map(read.piece, within) if v is not None]
    if settle.rule is SettleRule.SLOW_CHANGE:
        return abs(pieces[-1] - pieces[0]) <= settle.change_k
    apart = max(abs(a - b) for a, b in zip(means, pieces, strict=True))
    return (
        max(means) - min(means) <= settle.change_k
        and max(pieces) - min(pieces) <= settle.change_k
        and apart <= settle.apart_k
    )


def _out(
    run: SlowRun,
    log: SlowStep,
    part: tuple[Fraction, Fraction],
    band: tuple[Fraction, Fraction],
    stretch: tuple[Fraction, Fraction],
) -> None:
    """A part out of band: a new excursion, or more of the last one."""
    left, right = stretch
    seen: list[Fraction] = []
    for points in run.read.air:
        a, b = value(points, left, run.read.gap), value(points, right, run.read.gap)
        assert a is not None
        assert b is not None
        seen += [a + (b - a) * (moment - left) / (right - left) for moment in part]
    none = Fraction(0)
    over, under = max(max(seen) - band[1], none), max(band[0] - min(seen), none)
    if log.excursions and log.excursions[-1][1] == part[0]:
        last = log.excursions[-1]
        log.excursions[-1] = [last[0], part[1], max(last[2], over), max(last[3], under)]
    else:
        log.excursions.append([part[0], part[1], over, under])


def readings_between(
    probes: Sequence[Points], begin: Fraction | float, end: Fraction | float
) -> list[float]:
    """Values of all readings made in [begin, end]."""
    return [v for points in probes for t, v in points if begin <= t <= end]


def slow_spread(read: Read, dwell: tuple[Fraction, Fraction | int], until: int) -> float | None:
    """How far the chamber's probes stood apart at most, at readings in a dwell; None with one."""
    instant = Fraction(1, 1000)
    apart = [
        max(values) - min(values)
        for moment in read.moments(until)
        if dwell[0] <= moment <= dwell[1]
        and (read.chamber(moment - instant) or (moment < until and read.chamber(moment + instant)))
        and (values := read.chamber(Fraction(moment)))
    ]
    return float(max(apart)) if apart and len(read.air) > 1 else None


def slow_place(
    program: Program, read: Read, offset: int, edits: Edits = ()
) -> Mapping[str, object]:
    """The heat a specimen had had by a moment, by running only so far."""
    run = slow_run(program, read, offset, edits)
    number, log = len(run.steps), run.steps[-1]
    completed = log.done is not None
    if not completed and log.settled is None and number > 1:
        since = readings_between(read.air, log.peak_since, offset)
        if max(since, default=-math.inf) <= run.steps[-2].step.high_c:
            number, log, completed = number - 1, run.steps[-2], True
    return {
        "step": number,
        "completed": completed,
        "dwell_ms": float(log.dwell),
        "mean_c": float(log.area / log.watched) if log.watched else None,
        "peak_c": max(readings_between(read.air, 0, offset), default=None),
    }
