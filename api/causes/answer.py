"""Question 1: is cold resin behind my failures, and where is the limit? Pure.

Link test, then risk curve and threshold, then words (method, section 1). The same log gives the
same answer, in whatever order its prints come.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from api.causes import words
from api.causes.classical import ClassicalFit, SeparationNote, classical
from api.causes.curve import (
    ResinThreshold,
    RiskCurve,
    Threshold,
    curve_of,
    resin_thresholds,
    span_of,
)
from api.causes.firth import likelihood_ratio
from api.causes.link import SPARE_PRINTS, Direction, LinkTest, link_test
from api.causes.posterior import Draws, RiskModel, draw
from api.causes.proportions import Share, wilson
from api.causes.rows import NOTHING, Log, PrintRow, fingerprint_of, log_of, seed_of
from api.causes.words import Verdict
from collector.errors import InvalidError

METHOD = (
    "Firth likelihood-ratio and circular-shift tests, adjusted for resin and settings;"
    " logistic risk curve with a floor, weighted posterior draws"
)
VERSION = "1"

#: The levels of risk that may be asked for.
LEVELS = (0.05, 0.50)

#: The warm-side check looks at the warmer half and flags at this two-sided p.
WARM_P, WARM_FEWEST = 0.10, 3.0


@dataclass(frozen=True, slots=True)
class Counts:
    """Prints used and left out. ``failures`` and ``good`` count plates, parts as shares."""

    prints_n: int
    failures: float
    good: float
    left_out: Mapping[str, int]


@dataclass(frozen=True, slots=True)
class TemperatureRange:
    """Coldest and warmest logged vat temperature of the first-layers windows [°C]."""

    coldest_c: float
    warmest_c: float


@dataclass(frozen=True, slots=True)
class Point:
    """One print on the chart."""

    id: str
    temperature_c: float
    failed_share: float
    resin: str


@dataclass(frozen=True, slots=True)
class ColdAnswer:
    """The answer to question 1, with everything it rests on.

    ``sentences`` are the answer in words. ``threshold`` is None unless failures go with cold
    resin and a bound can be stated; ``curve`` is None where none was fitted. ``warm_side``:
    failures rise again on the warm side. ``classical`` is the plain logistic fit, or why there
    is none. ``warnings`` are doubts that belong beside the answer.
    """

    verdict: Verdict
    level: float
    sentences: tuple[str, ...]
    counts: Counts
    failure_rate: Share | None
    temperatures: TemperatureRange | None
    link: LinkTest | None
    threshold: Threshold | None
    curve: RiskCurve | None
    per_resin: tuple[ResinThreshold, ...]
    points: tuple[Point, ...]
    warm_side: bool
    classical: ClassicalFit | SeparationNote | None
    method: str
    version: str
    fingerprint: str
    seed: int
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Finding:
    """What the sums came to, before it is put into a :class:`ColdAnswer`."""

    verdict: Verdict
    sentences: list[str]
    link: LinkTest | None = None
    threshold: Threshold | None = None
    curve: RiskCurve | None = None
    per_resin: tuple[ResinThreshold, ...] = ()
    warm_side: bool = False
    warnings: tuple[str, ...] = ()


def answer(
    rows: Sequence[PrintRow], *, level: float = 0.20, left_out: Mapping[str, int] = NOTHING
) -> ColdAnswer:
    """Answer question 1 for the prints of a log, at the risk ``level`` (0.05 to 0.50).

    ``left_out`` counts prints that never got here, by reason (no reading). Rows that are not
    numbers are left out too and counted. Raises ``InvalidError`` for a level out of range.
    """
    check_level(level)
    log = log_of(rows, left_out)
    seed = seed_of(log.rows)
    found = _find(log, level, seed)
    temperatures = _span(log)
    return ColdAnswer(
        verdict=found.verdict,
        level=level,
        sentences=tuple(found.sentences + words.left_out(log.left_out)),
        counts=Counts(log.prints_n, log.failures, log.good, log.left_out),
        failure_rate=wilson(log.failures, log.prints_n) if log.prints_n else None,
        temperatures=temperatures,
        link=found.link,
        threshold=found.threshold,
        curve=found.curve,
        per_resin=found.per_resin,
        points=tuple(Point(r.id, r.temperature_c, r.failed_share, r.resin) for r in log.rows),
        warm_side=found.warm_side,
        classical=classical(log.temperature_c, log.failed_share),
        method=METHOD,
        version=VERSION,
        fingerprint=fingerprint_of(log.rows, level, sorted(log.left_out.items()), VERSION),
        seed=seed,
        warnings=log.warnings + found.warnings,
    )


def check_level(level: float) -> None:
    """Raise ``InvalidError`` for a level of risk that cannot be asked for."""
    if not LEVELS[0] <= level <= LEVELS[1]:
        raise InvalidError(
            f"a risk level of {level:g} is not between {LEVELS[0]:g} and {LEVELS[1]:g}",
            where="level",
            remedy="Ask for a share such as 0.2, which is 1 in 5.",
        )


def enough(log: Log) -> bool:
    """Whether a log has prints, failures, good prints and temperatures enough for question 1."""
    return (
        log.prints_n >= words.NEEDS_PRINTS
        and log.failures >= words.NEEDS_FAILURES - 1e-9
        and log.good >= words.NEEDS_GOOD - 1e-9
        and float(np.ptp(log.temperature_c)) >= words.NEEDS_RANGE_C - 1e-9
    )


def link_of(log: Log) -> LinkTest:
    """The link test of vat temperature, adjusted for resin and settings."""
    return link_test(
        log.temperature_c, log.failed_share, log.adjusters(), log.adjusters(order=True)
    )


def _find(log: Log, level: float, seed: int) -> _Finding:
    span = _span(log)
    if span is None or not enough(log):
        reach = None if span is None else span.warmest_c - span.coldest_c
        said = words.too_few(log.prints_n, log.failures, log.good, reach)
        return _Finding(Verdict.TOO_FEW, said)
    adjusters = log.adjusters()
    if adjusters.spare_prints < SPARE_PRINTS:
        columns_n = adjusters.columns.shape[1]
        said = words.too_many_changes(log.prints_n, log.failures, columns_n)
        return _Finding(Verdict.TOO_FEW, said)
    link = link_of(log)
    if link.linked and link.direction is Direction.HIGH:
        said = [words.linked("warm", log.prints_n, log.failures), "No cold limit is given."]
        return _Finding(Verdict.WARM_SIDE_WORSE, said + _seasonal(link), link)
    draws = draw(RiskModel.of(log), seed)
    if draws is None:
        said = ["The risk curve could not be computed for this log, so no limit is given."]
        return _Finding(Verdict.NOT_COMPUTED, said, link)
    curve = curve_of(draws, span.coldest_c, span.warmest_c)
    if not link.linked:
        said = words.not_linked(log.prints_n, wilson(log.failures, log.prints_n))
        return _Finding(Verdict.NOT_LINKED, said, link, curve=curve)
    return _cold(log, level, link, draws, curve, span)


def _cold(
    log: Log, level: float, link: LinkTest, draws: Draws, curve: RiskCurve, span: TemperatureRange
) -> _Finding:
    """Failures go with cold resin: how much of the limit can be stated."""
    crossing = span_of(draws, level)
    threshold = crossing.within(span.coldest_c, span.warmest_c)
    per_resin = resin_thresholds(log, draws, level)
    verdict = words.verdict_of(threshold)
    said = [words.linked("cold", log.prints_n, log.failures)]
    if verdict is Verdict.NO_LIMIT_YET:
        said = [
            "Failures go with cold resin, but no limit can be given yet:"
            f" {words.counted(log.prints_n, 'print')}, {words.counted(log.failures, 'failure')}.",
            *words.beyond_the_log(crossing, level, span.coldest_c, span.warmest_c),
            words.PLAN_NEXT,
        ]
    else:
        said += words.limit_sentences(threshold, level, span.coldest_c, span.warmest_c)
        said.append(words.TYPICAL)
    said += [line for own in per_resin if (line := words.resin_sentence(own, level))]
    warm = warm_side(log)
    return _Finding(
        verdict,
        said + _seasonal(link) + ([words.WARM_SIDE] if warm else []),
        link,
        None if verdict is Verdict.NO_LIMIT_YET else threshold,
        curve,
        per_resin,
        warm,
    )


def warm_side(log: Log) -> bool:
    """Whether failures rise with temperature within the warmer half of the prints."""
    half = log.temperature_c >= np.median(log.temperature_c)
    t, y = log.temperature_c[half], log.failed_share[half]
    if min(float(y.sum()), float((1.0 - y).sum())) < WARM_FEWEST - 1e-9 or np.ptp(t) < 1e-9:
        return False
    spread = (t - t.mean()) / t.std()
    ratio = likelihood_ratio(np.column_stack([np.ones(len(t)), spread]), y, 1)
    return ratio.coefficient > 0.0 and ratio.p <= WARM_P


def _seasonal(link: LinkTest) -> list[str]:
    return [words.ONLY_SEASONAL] if link.only_seasonal else []


def _span(log: Log) -> TemperatureRange | None:
    if not log.prints_n:
        return None
    return TemperatureRange(float(log.temperature_c.min()), float(log.temperature_c.max()))
