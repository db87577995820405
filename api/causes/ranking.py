"""Question 2: which conditions go with my failures? Pure.

Each candidate gets the link test of question 1, adjusted for resin, settings and for the number
of candidates; those that cannot be told apart are presented as one finding (method, section 2).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from api.causes import ranking_words
from api.causes.firth import CHI2_95, profile_interval
from api.causes.link import (
    ALPHA,
    SPARE_PRINTS,
    Direction,
    Match,
    design_of,
    matches,
)
from api.causes.multiplicity import holm
from api.causes.ranking_words import NEEDS_FAILURES, NEEDS_GOOD, NEEDS_PRINTS, Standing
from api.causes.rows import (
    NOTHING,
    Adjusters,
    Floats,
    Log,
    PrintRow,
    fault_of,
    fingerprint_of,
    in_order,
    legible,
    log_of,
)
from api.causes.shift import share_reaching
from collector.errors import InvalidError

METHOD = (
    "Firth likelihood-ratio tests with Holm's adjustment and circular-shift tests against the"
    " largest match, both with and without the order of the prints"
)
VERSION = "1"

#: More candidates than this leave no chance to any of them.
MOST_CANDIDATES = 12

#: Conditions whose units are not known.
NO_UNITS: Mapping[str, str] = MappingProxyType({})

#: A candidate read in fewer of the prints than this is dropped.
READ_SHARE = 0.8

#: Spearman correlation within resin from which one condition "moves with" another.
MOVES_WITH = 0.7


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """One print with its candidate ``conditions`` by name; one that was not read is not there.

    The rest as in :class:`api.causes.rows.PrintRow`.
    """

    id: str
    start_ms: int
    failed_share: float
    resin: str
    settings: Mapping[str, float] = field(default_factory=dict)
    conditions: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Effect:
    """Odds of failure multiplied by ``odds_ratio`` (95 % ``lo`` to ``hi``) for ``per`` more.

    ``per`` is the standard deviation of the condition in the log, in the condition's unit.
    """

    per: float
    odds_ratio: float
    lo: float
    hi: float


@dataclass(frozen=True, slots=True)
class Candidate:
    """One condition in the ranking.

    ``p_firth`` (Holm) and ``p_shift`` (largest match) are adjusted for the number of
    candidates; the ``..._with_order`` twins are single. ``moves_with`` names the flagged
    conditions it is correlated with. ``effect`` is given for those flagged or in the lead set.
    """

    name: str
    rank: int
    direction: Direction
    statistic: float
    p_firth: float
    p_shift: float
    p_firth_with_order: float
    p_shift_with_order: float
    standing: Standing
    in_lead_set: bool
    moves_with: tuple[str, ...]
    effect: Effect | None


@dataclass(frozen=True, slots=True)
class Ranking:
    """The answer to question 2, with everything it rests on.

    ``candidates`` are in order of rank, empty when refused. ``dropped`` says why a condition
    was not looked at, ``left_out`` why prints were not. ``seed`` is None: no step is random.
    """

    answered: bool
    sentences: tuple[str, ...]
    candidates: tuple[Candidate, ...]
    lead_set: tuple[str, ...]
    dropped: Mapping[str, str]
    prints_n: int
    failures: float
    left_out: Mapping[str, int]
    method: str
    version: str
    fingerprint: str
    warnings: tuple[str, ...]
    seed: None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Tested:
    """One candidate before the number of candidates is taken into account."""

    name: str
    values: Floats
    adjusters: Adjusters
    plain: Match
    with_order: Match


def rank(
    rows: Sequence[ConditionRow],
    *,
    left_out: Mapping[str, int] = NOTHING,
    units: Mapping[str, str] = NO_UNITS,
) -> Ranking:
    """Rank the conditions of the rows by how clearly failures go with them.

    A candidate with the name of a setting is that setting, and not adjusted for itself.
    ``units`` are said in the sentences. Raises ``InvalidError`` for more than
    :data:`MOST_CANDIDATES` candidates, those that were constant or seldom read not counted.
    """
    names = sorted({name for row in rows for name in row.conditions})
    kept, dropped = _kept(rows, names)
    if len(kept) > MOST_CANDIDATES:
        raise InvalidError(
            f"{len(kept)} conditions are more than {MOST_CANDIDATES}",
            where="conditions",
            remedy="Choose a dozen before looking at the outcomes: more would hide any link.",
        )
    complete = [row for row in rows if all(_read(row, name) for name in kept)]
    missing = {"a condition was not read": len(rows) - len(complete), **left_out}
    log = log_of(map(_print_row, complete), missing)
    columns = _columns(log, complete, kept)
    for name in [name for name, values in columns.items() if _constant(values)]:
        dropped[name] = "the same in every print that could be used"
        del columns[name]
    found = _ranked(log, columns)
    lead = tuple(c.name for c in found if c.in_lead_set)
    return Ranking(
        answered=bool(found),
        sentences=tuple(
            ranking_words.sentences(log, found, lead, enough(log), bool(columns), dropped, units)
        ),
        candidates=found,
        lead_set=lead,
        dropped=dropped,
        prints_n=log.prints_n,
        failures=log.failures,
        left_out=log.left_out,
        method=METHOD,
        version=VERSION,
        fingerprint=fingerprint_of(
            log.rows,
            [(name, values.tolist()) for name, values in columns.items()],
            sorted(log.left_out.items()),
            VERSION,
        ),
        warnings=log.warnings,
    )


def enough(log: Log) -> bool:
    """Whether a log has prints, failures and good prints enough for question 2."""
    return (
        log.prints_n >= NEEDS_PRINTS
        and log.failures >= NEEDS_FAILURES - 1e-9
        and log.good >= NEEDS_GOOD - 1e-9
    )


def _read(row: ConditionRow, name: str) -> bool:
    return legible(row.conditions.get(name, math.nan))


def _kept(
    rows: Sequence[ConditionRow], names: Sequence[str]
) -> tuple[tuple[str, ...], dict[str, str]]:
    """Candidates read often enough and not constant, and why the others are dropped."""
    dropped: dict[str, str] = {}
    for name in names:
        values = np.array([row.conditions[name] for row in rows if _read(row, name)])
        if len(values) < READ_SHARE * len(rows):
            dropped[name] = f"read in only {len(values)} of {len(rows)} prints"
        elif _constant(values):
            dropped[name] = "the same in every print"
    return tuple(name for name in names if name not in dropped), dropped


def _constant(values: Floats) -> bool:
    return not len(values) or float(np.ptp(values)) <= 1e-9 * float(np.abs(values).max())


def _print_row(row: ConditionRow) -> PrintRow:
    """The row without its conditions; vat temperature is a candidate like the others here."""
    return PrintRow(row.id, row.start_ms, 0.0, row.failed_share, row.resin, row.settings)


def _columns(log: Log, rows: Sequence[ConditionRow], names: Sequence[str]) -> dict[str, Floats]:
    """The candidates as columns in the order of the log, of an id listed twice as kept there."""
    usable = [row for row in rows if fault_of(_print_row(row)) is None]
    first = sorted(usable, key=lambda row: (*in_order(_print_row(row)), repr(row)), reverse=True)
    by_id = {row.id: row.conditions for row in first}
    return {
        name: np.array([by_id[row.id][name] for row in log.rows], dtype=np.float64)
        for name in names
    }


def _ranked(log: Log, columns: Mapping[str, Floats]) -> tuple[Candidate, ...]:
    """All candidates in order; none when the log is too short to say anything."""
    if not columns or not enough(log):
        return ()
    tested = sorted(_all_tested(log, columns), key=_clearest_first)
    if not tested:
        return ()
    p_firth = holm([t.plain.ratio.p for t in tested])
    largest = np.max([t.plain.shift.matches for t in tested], axis=0)
    p_shift = [share_reaching(largest, t.plain.shift.observed) for t in tested]
    alone = [_standing(t, p, s) for t, p, s in zip(tested, p_firth, p_shift, strict=True)]
    standings = [
        _beyond_the_first(log, t, s, tested[0]) for t, s in zip(tested, alone, strict=True)
    ]
    flagged = [t for t, s in zip(tested, standings, strict=True) if s is Standing.FLAGGED]
    best = tested[0].plain.ratio.statistic
    found = []
    for place, (t, standing) in enumerate(zip(tested, standings, strict=True)):
        lead = bool(flagged) and t.plain.ratio.statistic >= best - CHI2_95
        named = lead or standing is Standing.FLAGGED
        found.append(
            Candidate(
                name=t.name,
                rank=place + 1,
                direction=Direction.LOW if t.plain.ratio.coefficient < 0 else Direction.HIGH,
                statistic=t.plain.ratio.statistic,
                p_firth=p_firth[place],
                p_shift=p_shift[place],
                p_firth_with_order=t.with_order.ratio.p,
                p_shift_with_order=t.with_order.shift.p,
                standing=standing,
                in_lead_set=lead,
                moves_with=_companions(log, t, flagged),
                effect=_effect(log, t) if named else None,
            )
        )
    return tuple(found)


def _all_tested(log: Log, columns: Mapping[str, Floats]) -> list[_Tested]:
    """The tests of every candidate; none when a model would use up the prints."""
    own = {name: name if name in log.settings else None for name in columns}
    plain = {but: log.adjusters(but=but) for but in own.values()}
    if min(adjusters.spare_prints for adjusters in plain.values()) < SPARE_PRINTS:
        return []
    with_order = {but: log.adjusters(but=but, order=True) for but in plain}
    found = iter(
        matches(
            [
                (values, adjusters[own[name]])
                for name, values in columns.items()
                for adjusters in (plain, with_order)
            ],
            log.failed_share,
        )
    )
    return [
        _Tested(name, values, plain[own[name]], next(found), next(found))
        for name, values in columns.items()
    ]


def _clearest_first(tested: _Tested) -> tuple[float, str]:
    return -tested.plain.ratio.statistic, tested.name


def _standing(tested: _Tested, p_firth: float, p_shift: float) -> Standing:
    if max(p_firth, p_shift) > ALPHA:
        return Standing.NOT_FLAGGED
    if max(tested.with_order.ratio.p, tested.with_order.shift.p) > ALPHA:
        return Standing.ONLY_SEASONAL
    return Standing.FLAGGED


def _beyond_the_first(log: Log, tested: _Tested, alone: Standing, first: _Tested) -> Standing:
    """A flagged candidate outside the lead set must hold when adjusted for the first in rank."""
    behind = first.plain.ratio.statistic - tested.plain.ratio.statistic
    if alone is not Standing.FLAGGED or behind <= CHI2_95:
        return alone
    adjusters = Adjusters.of(np.column_stack([tested.adjusters.columns, first.values]))
    (beyond,) = matches([(tested.values, adjusters)], log.failed_share)
    holds = max(beyond.ratio.p, beyond.shift.p) <= ALPHA
    return Standing.FLAGGED if holds else Standing.EXPLAINED


def _companions(log: Log, tested: _Tested, flagged: Sequence[_Tested]) -> tuple[str, ...]:
    """Flagged conditions, other than itself, that a candidate moves with."""
    return tuple(
        other.name
        for other in flagged
        if other.name != tested.name
        and abs(rank_correlation(tested.values, other.values, log)) >= MOVES_WITH
    )


def rank_correlation(a: Floats, b: Floats, log: Log) -> float:
    """Spearman's correlation within resin: of ranks taken resin by resin, pooled."""
    ranks = np.zeros((2, log.prints_n))
    for index in range(len(log.resins)):
        own = log.resin_of == index
        for row, values in zip(ranks, (a, b), strict=True):
            row[own] = _ranks(values[own])
    size = math.sqrt(float(ranks[0] @ ranks[0]) * float(ranks[1] @ ranks[1]))
    return float(ranks[0] @ ranks[1]) / size if size > 0 else 0.0


def _ranks(values: Floats) -> Floats:
    """Ranks less their mean over the number of values; ties share theirs."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    middle = np.cumsum(counts) - (counts - 1) / 2.0
    return np.asarray((middle[inverse] - (len(values) + 1) / 2.0) / len(values))


def _effect(log: Log, tested: _Tested) -> Effect | None:
    """Odds ratio for one standard deviation more, with its profile interval."""
    design, scale = design_of(tested.values, tested.adjusters)
    if design is None:
        return None
    per = float(tested.values.std())
    lo, hi = profile_interval(design, log.failed_share, 1)
    ends = (tested.plain.ratio.coefficient, lo / scale, hi / scale)
    return Effect(per, *(math.exp(min(max(end * per, -700.0), 700.0)) for end in ends))
