"""Question 1 against its numbers to reach: coverage, two-sided answers, wrong statements."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np

from api.causes import PrintRow
from api.causes.answer import enough, link_of
from api.causes.curve import Threshold, span_of
from api.causes.link import SPARE_PRINTS, Direction, spare_prints
from api.causes.posterior import RiskModel, draw
from api.causes.rows import log_of, seed_of
from tests.bench.causes_worlds import (
    Flat,
    Logistic,
    Plates,
    Step,
    Upturn,
    World,
    bad_spells,
    not_reached,
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


@dataclass(frozen=True)
class Bounds:
    """The numbers a cell has to reach; None where the method asks for none."""

    coverage: float | None = None
    two_sided: float | None = None
    two_sided_most: float | None = None
    wrong: float | None = None
    wrong_two_sided: float | None = None
    false_safe: float | None = None
    width_c: float | None = None
    linked: float | None = None
    linked_most: float | None = None
    lasting_most: float | None = None


@dataclass(frozen=True)
class Cell:
    """One world at one length of log and one level."""

    world: World
    prints_n: int
    bounds: Bounds
    level: float = 0.20

    @property
    def name(self) -> str:
        level = "" if self.level == 0.20 else f", level {self.level:g}"
        return f"{self.world.name}{level}, {self.prints_n} prints"


@dataclass(frozen=True)
class Figures:
    """What a cell came to, over its logs."""

    cell: Cell
    logs_n: int
    coverage: float
    linked: float
    lasting: float
    two_sided: float
    wrong: float
    wrong_two_sided: float
    false_safe: float
    width_c: float
    seconds: float

    @property
    def name(self) -> str:
        return self.cell.name

    @property
    def shown(self) -> tuple[float, ...]:
        """The figures under :data:`HEADINGS`."""
        return (
            self.coverage,
            self.linked,
            self.lasting,
            self.two_sided,
            self.wrong,
            self.wrong_two_sided,
            self.false_safe,
            self.width_c,
        )

    def misses(self, slack: float = 0.0) -> list[str]:
        """Which numbers were not reached; ``slack`` widens them for short runs."""
        b = self.cell.bounds
        least = [
            ("coverage", self.coverage, b.coverage),
            ("two-sided", self.two_sided, b.two_sided),
        ]
        least += [("linked", self.linked, b.linked)]
        most = [
            ("two-sided", self.two_sided, b.two_sided_most),
            ("wrong", self.wrong, b.wrong),
            ("wrong two-sided", self.wrong_two_sided, b.wrong_two_sided),
            ("false safe above", self.false_safe, b.false_safe),
            ("linked", self.linked, b.linked_most),
            ("lasting", self.lasting, b.lasting_most),
        ]
        found = not_reached(least, most, slack)
        if b.width_c is not None and self.width_c > b.width_c * (1.0 + slack):
            found.append(f"width {self.width_c:.1f} > {b.width_c}")
        return found


def tell(rows: Sequence[PrintRow], truth_c: float, level: float, *, always: bool) -> Told:
    """Ask question 1 of a log. Without ``always`` the curve is fitted only after a link."""
    log = log_of(rows)
    counted = log.failures >= 3.0 - 1e-9 and log.good >= 3.0 - 1e-9
    ready = enough(log) and spare_prints(log.adjusters()) >= SPARE_PRINTS
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


def run(cell: Cell, logs_n: int) -> Figures:
    """All logs of a cell, seeds 0 to ``logs_n`` - 1."""
    began = time.process_time()
    truth = cell.world.curve.limit_c(cell.level)
    always = math.isfinite(truth)
    told = [
        tell(cell.world.log(seed, cell.prints_n), truth, cell.level, always=always)
        for seed in range(logs_n)
    ]
    two_sided = [t for t in told if t.two_sided]
    return Figures(
        cell=cell,
        logs_n=logs_n,
        coverage=share([t.covered for t in told if t.counted]),
        linked=share([t.cold_linked for t in told]),
        lasting=share([t.cold_lasting for t in told]),
        two_sided=len(two_sided) / logs_n,
        wrong=share([t.false_lo or t.false_hi for t in told]),
        wrong_two_sided=sum(t.false_lo or t.false_hi for t in two_sided) / logs_n,
        false_safe=share([t.false_hi for t in told]),
        width_c=median([t.width_c for t in told if t.width_c is not None] or [math.nan]),
        seconds=time.process_time() - began,
    )


def share(marks: Sequence[bool]) -> float:
    return float(np.mean(marks)) if marks else math.nan


def _cells() -> Iterable[Cell]:
    gentle = World("logistic -0.35", one_resin, Logistic(-0.35))
    yield Cell(gentle, 30, Bounds(0.96, 0.03, wrong=0.03))
    yield Cell(gentle, 60, Bounds(0.95, 0.23, wrong=0.04, width_c=5.8, linked=0.55))
    yield Cell(gentle, 150, Bounds(0.91, 0.85, wrong=0.10, width_c=3.5, linked=0.95))
    steep = World("logistic -0.8", one_resin, Logistic(-0.8))
    yield Cell(steep, 60, Bounds(0.95, 0.58, wrong=0.03, width_c=3.5))
    yield Cell(steep, 150, Bounds(0.94, 0.98, wrong=0.05, width_c=1.9))
    floor = World("8 % unrelated failures", one_resin, Logistic(-0.6, 0.08))
    yield Cell(floor, 60, Bounds(0.95, 0.22, wrong=0.05, width_c=5.6))
    yield Cell(floor, 150, Bounds(0.94, 0.82, wrong=0.06, width_c=3.7))
    drifting = World("8 % unrelated, 3 resins, drift", three_resins, Logistic(-0.6, 0.08))
    yield Cell(drifting, 60, Bounds(0.95, 0.12, wrong=0.03))
    yield Cell(drifting, 150, Bounds(0.92, 0.52, wrong=0.05, width_c=4.5))
    by_season = World("resins, settings by season", resins_by_season, Logistic(-0.6, 0.08))
    yield Cell(by_season, 60, Bounds(0.94, 0.10, wrong=0.05))
    yield Cell(by_season, 150, Bounds(0.88, 0.42, wrong=0.10))
    for below, above in ((0.55, 0.05), (0.45, 0.06)):
        step = World(f"abrupt step, {below:.0%} to {above:.0%}", one_resin, Step(below, above))
        yield Cell(step, 60, Bounds(0.92, wrong=0.09, false_safe=0.01))
        yield Cell(step, 150, Bounds(0.80, wrong=0.16, false_safe=0.01))
    upturn = World("upturn at 26 °C", one_resin, Upturn())
    yield Cell(upturn, 60, Bounds(0.95, wrong=0.04))
    yield Cell(upturn, 150, Bounds(0.94, wrong=0.06))
    nothing = Bounds(two_sided_most=0.02, wrong=0.03, linked_most=0.06, lasting_most=0.05)
    for prints_n in (30, 60, 150):
        for risk in (0.18, 0.30):
            yield Cell(World(f"no link, {risk:.0%}", one_resin, Flat(risk)), prints_n, nothing)
        spells = World("no link, bad spells", one_resin, Flat(0.18), bad_spells)
        yield Cell(spells, prints_n, nothing)
        season = World("no link, resins, settings by season", resins_by_season, Flat(0.18))
        yield Cell(season, prints_n, nothing)
    for level in (0.1, 0.3):
        yield Cell(gentle, 60, Bounds(0.93, wrong_two_sided=0.03), level)
        yield Cell(gentle, 150, Bounds(0.93, wrong_two_sided=0.06), level)
    for correlation in (0.0, 0.5, 0.9):
        plates = World(
            f"plates, parts {correlation:g}", one_resin, Logistic(-0.5), Plates(correlation)
        )
        for prints_n in (20, 40, 80):
            yield Cell(plates, prints_n, Bounds(0.93, wrong_two_sided=0.02))


#: Every cell of the method's table for question 1.
CELLS = tuple(_cells())

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

NOTE = (
    "Coverage counts every log with 3 failures and 3 good prints, before the link test, open"
    " ends included. The other shares are of all logs: *linked* where failures go with cold"
    " resin, *wrong* where any stated bound is false, *false safe* where it is the upper one."
)
