"""Question 1 against its numbers to reach: coverage, two-sided answers, wrong statements."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from statistics import median

import numpy as np

from api.causes import PrintRow
from api.causes.answer import enough, link_of
from api.causes.curve import Threshold, span_of
from api.causes.link import SPARE_PRINTS, Direction
from api.causes.posterior import RiskModel, draw
from api.causes.rows import log_of, seed_of
from tests.bench.acceptance_table import Bound, Cell, Figures, at_least, at_most
from tests.bench.causes_worlds import (
    Flat,
    Logistic,
    Plates,
    Step,
    Upturn,
    World,
    bad_spells,
    one_resin,
    resins_by_season,
    three_resins,
)


@dataclass(frozen=True)
class Told:
    """What one log was told, and whether it was true."""

    counted: bool
    covered: bool
    cold_linked: bool
    cold_lasting: bool
    two_sided: bool
    false_lo: bool
    false_hi: bool
    width_c: float | None


def tell(rows: Sequence[PrintRow], truth_c: float, level: float, *, always: bool) -> Told:
    """Ask question 1 of a log. Without ``always`` the curve is fitted only after a link."""
    log = log_of(rows)
    counted = log.failures >= 3.0 - 1e-9 and log.good >= 3.0 - 1e-9
    ready = enough(log) and log.adjusters().spare_prints >= SPARE_PRINTS
    link = link_of(log) if ready else None
    cold = link is not None and link.linked and link.direction is Direction.LOW
    lasting = cold and link is not None and not link.only_seasonal
    draws = draw(RiskModel.of(log), seed_of(log.rows)) if (counted and always) or cold else None
    if draws is None:
        return Told(counted and always, False, cold, lasting, False, False, False, None)
    span = span_of(draws, level)
    coldest, warmest = float(log.temperature_c.min()), float(log.temperature_c.max())
    stated = span.within(coldest, warmest) if cold else Threshold(None, None, None)
    both = stated.lo_c is not None and stated.hi_c is not None
    width = stated.hi_c - stated.lo_c if stated.hi_c and stated.lo_c else None
    return Told(
        counted=counted and always,
        covered=span.lo_c <= truth_c <= span.hi_c,
        cold_linked=cold,
        cold_lasting=lasting,
        two_sided=both,
        false_lo=stated.lo_c is not None and stated.lo_c > truth_c,
        false_hi=stated.hi_c is not None and stated.hi_c < truth_c,
        width_c=width,
    )


HEADINGS = (
    "coverage",
    "linked",
    "with order too",
    "two-sided",
    "wrong",
    "wrong two-sided",
    "false safe",
    "width °C",
)


def run(world: World, prints_n: int, level: float, logs_n: int) -> Figures:
    """All logs of a world, seeds 0 to ``logs_n`` - 1."""
    began = time.process_time()
    truth = world.curve.limit_c(level)
    always = math.isfinite(truth)
    told = [tell(world.log(seed, prints_n), truth, level, always=always) for seed in range(logs_n)]
    two_sided = [t for t in told if t.two_sided]
    values = (
        share([t.covered for t in told if t.counted]),
        share([t.cold_linked for t in told]),
        share([t.cold_lasting for t in told]),
        len(two_sided) / logs_n,
        share([t.false_lo or t.false_hi for t in told]),
        sum(t.false_lo or t.false_hi for t in two_sided) / logs_n,
        share([t.false_hi for t in told]),
        median([t.width_c for t in told if t.width_c is not None] or [math.nan]),
    )
    return Figures(logs_n, dict(zip(HEADINGS, values, strict=True)), time.process_time() - began)


def share(marks: Sequence[bool]) -> float:
    return float(np.mean(marks)) if marks else math.nan


def _cell(world: World, prints_n: int, *bounds: Bound, level: float = 0.20) -> Cell:
    at = "" if level == 0.20 else f", level {level:g}"
    name = f"{world.name}{at}, {prints_n} prints"
    return Cell(name, partial(run, world, prints_n, level), bounds)


def _answered(coverage: float, two_sided: float, wrong: float) -> tuple[Bound, ...]:
    return (
        at_least("coverage", coverage),
        at_least("two-sided", two_sided),
        at_most("wrong", wrong),
    )


def _cells() -> Iterable[Cell]:
    gentle = World("logistic -0.35", one_resin, Logistic(-0.35))
    yield _cell(gentle, 30, *_answered(0.96, 0.03, 0.03))
    linked, width = partial(at_least, "linked"), partial(at_most, "width °C")
    yield _cell(gentle, 60, *_answered(0.95, 0.23, 0.04), linked(0.55), width(5.8))
    yield _cell(gentle, 150, *_answered(0.91, 0.85, 0.10), linked(0.95), width(3.5))
    steep = World("logistic -0.8", one_resin, Logistic(-0.8))
    yield _cell(steep, 60, *_answered(0.95, 0.58, 0.03), width(3.5))
    yield _cell(steep, 150, *_answered(0.94, 0.98, 0.05), width(1.9))
    floor = World("8 % unrelated failures", one_resin, Logistic(-0.6, 0.08))
    yield _cell(floor, 60, *_answered(0.95, 0.22, 0.05), width(5.6))
    yield _cell(floor, 150, *_answered(0.94, 0.82, 0.06), width(3.7))
    drifting = World("8 % unrelated, 3 resins, drift", three_resins, Logistic(-0.6, 0.08))
    yield _cell(drifting, 60, *_answered(0.95, 0.12, 0.03))
    yield _cell(drifting, 150, *_answered(0.92, 0.52, 0.05), width(4.5))
    by_season = World("resins, settings by season", resins_by_season, Logistic(-0.6, 0.08))
    yield _cell(by_season, 60, *_answered(0.94, 0.10, 0.05))
    yield _cell(by_season, 150, *_answered(0.88, 0.42, 0.10))
    safe = at_most("false safe", 0.01)
    for below, above in ((0.55, 0.05), (0.45, 0.06)):
        step = World(f"abrupt step, {below:.0%} to {above:.0%}", one_resin, Step(below, above))
        yield _cell(step, 60, at_least("coverage", 0.92), at_most("wrong", 0.09), safe)
        yield _cell(step, 150, at_least("coverage", 0.80), at_most("wrong", 0.16), safe)
    upturn = World("upturn at 26 °C", one_resin, Upturn())
    yield _cell(upturn, 60, at_least("coverage", 0.95), at_most("wrong", 0.04))
    yield _cell(upturn, 150, at_least("coverage", 0.94), at_most("wrong", 0.06))
    nothing = (
        at_most("two-sided", 0.02),
        at_most("wrong", 0.03),
        at_most("linked", 0.06),
        at_most("with order too", 0.05),
    )
    for prints_n in (30, 60, 150):
        for risk in (0.18, 0.30):
            flat = World(f"no link, {risk:.0%}", one_resin, Flat(risk))
            yield _cell(flat, prints_n, *nothing)
        spells = World("no link, bad spells", one_resin, Flat(0.18), bad_spells)
        yield _cell(spells, prints_n, *nothing)
        season = World("no link, resins, settings by season", resins_by_season, Flat(0.18))
        yield _cell(season, prints_n, *nothing)
    for level in (0.1, 0.3):
        yield _cell(
            gentle, 60, at_least("coverage", 0.93), at_most("wrong two-sided", 0.03), level=level
        )
        yield _cell(
            gentle, 150, at_least("coverage", 0.93), at_most("wrong two-sided", 0.06), level=level
        )
    for correlation in (0.0, 0.5, 0.9):
        plates = World(
            f"plates, parts {correlation:g}", one_resin, Logistic(-0.5), Plates(correlation)
        )
        for prints_n in (20, 40, 80):
            yield _cell(
                plates, prints_n, at_least("coverage", 0.93), at_most("wrong two-sided", 0.02)
            )


#: Every cell of the method's table for question 1.
CELLS = tuple(_cells())

NOTE = (
    "Coverage counts every log with 3 failures and 3 good prints, before the link test, open"
    " ends included. The other shares are of all logs: *linked* where failures go with cold"
    " resin, *wrong* where any stated bound is false, *false safe* where it is the upper one."
    "\n\n"
    "Three cells missed a number at 400 logs and rest on 1,600 now. Two were chance: the level"
    " 0.3 had covered 0.917 and the plates with parts at 0.9 had been wrong two-sided in 0.028."
    " The third is a miss: above the step from 45 % to 6 % a limit that is too low is stated in"
    " 0.018 of logs, asked is 0.01. How high its step is the method does not say; a second one,"
    " from 55 % to 5 %, was added after the first had missed, and states none. The sums are"
    " those of the method's text: `tests/api/causes/test_literal_method.py` holds them against"
    " slow twins written from it, and the posterior against its sum over a grid. Which means,"
    " spreads and offsets the rooms have beyond what the method says is ours."
    "\n\n"
    "Where the method would give no answer, its draws being too few, they now go on from what the"
    " last ones fit, up to four turns. Shown on logs of another simulator, written from the"
    " method's text alone: of 100 logs of 150 prints with three resins and two settings that"
    " wander 4 had no answer and now none, of 100 in which resins and settings follow the season 1"
    " and now none; the intervals gained hold the truth in 4 of these 5. All other logs keep"
    " their answers to the bit. In that simulator, with vats of 19.5 °C on the mean, a step from"
    " 60 % to 5 % at 19 °C is covered in 0.73 of 160 logs of 150 prints: the limit is then put a"
    " little too warm, and no false safe one is named. With vats of 21 °C it is 0.86 of 100, and"
    " from 50 % to 5 % 0.95 of 160: how warm the room is the method does not say either."
)
