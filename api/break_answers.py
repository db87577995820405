"""Break tests joined with what else is on record of each piece: its stress, age and soak history.

Every function may raise ``NotFoundError`` for an id that is not on record and ``StoreError``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from api.break_groups import BreakGroups, GroupBy, Measure, Piece, compare, figure
from api.prints import Print
from api.record import BreakTest, Fixture, Gauge, Kept, SoakedAs
from api.soak_answers import SoakNow, soak_state
from api.strength import Stress, stress
from api.workshop import Workshop
from collector.readings import ms_of

DAY = timedelta(days=1)

TESTED_AGAIN = "tested again later"


@dataclass(frozen=True, slots=True)
class Soaking:
    """A soak run that a piece went through, with the hottest step whose whole dwell it had.

    ``step`` and its figures are None where it went through no step whole. ``mean_c`` is the
    measured mean of that dwell [°C].
    """

    soak: int
    run: str
    specimen: str
    step: int | None
    setpoint_c: float | None
    mean_c: float | None


@dataclass(frozen=True, slots=True)
class BreakRow:
    """A break test with everything that is known of its piece.

    ``load_n`` [N] and ``stress`` are None for a piece that held: it bore ``limit_n``, at
    ``limit_stress``, unbroken. The stresses are None too where a length is not known.
    """

    kept: Kept[BreakTest]
    resin: str
    fixture: Fixture
    gauge: Gauge
    load_n: float | None
    limit_n: float
    stress: Stress | None
    limit_stress: Stress | None
    cured: datetime | None
    soakings: tuple[Soaking, ...]

    @property
    def age_days(self) -> float | None:
        """Days from the end of the cure to the test; None where the cure was not noted."""
        return None if self.cured is None else (self.kept.entry.tested - self.cured) / DAY

    @property
    def soaked_to_c(self) -> float | None:
        """Setpoint of the hottest step it went through [°C]; None where there is none."""
        return max((s.setpoint_c for s in self.soakings if s.setpoint_c is not None), default=None)

    @property
    def piece(self) -> Piece:
        """It as a comparison takes it."""
        return Piece(
            id=self.kept.id,
            name=self.kept.entry.piece,
            resin=self.resin,
            soaked=bool(self.soakings),
            soaked_to_c=self.soaked_to_c,
            age_days=self.age_days,
            load_n=self.load_n,
            limit_n=self.limit_n,
            stress_mpa=None if self.stress is None else self.stress.stress_mpa,
            limit_mpa=None if self.limit_stress is None else self.limit_stress.stress_mpa,
        )


def break_rows(
    workshop: Workshop, tests: Iterable[Kept[BreakTest]], now: datetime
) -> list[BreakRow]:
    """Each test with its piece's stress, age since cure and soak history."""
    record = workshop.record
    wanted = list(tests)
    with record.reading():
        resins = {kept.id: kept.entry.name for kept in record.resins.all()}
        fixtures = {kept.id: kept.entry for kept in record.fixtures.all()}
        gauges = {kept.id: kept.entry for kept in record.gauges.all()}
        from_prints = {one.entry.print for one in wanted if one.entry.print is not None}
        prints = {number: record.prints.get(number).entry for number in from_prints}
    soaks = _Soaks(workshop, now)
    return [
        _row(kept, resins, fixtures[kept.entry.fixture], gauges[kept.entry.gauge], prints, soaks)
        for kept in wanted
    ]


def _row(
    kept: Kept[BreakTest],
    resins: Mapping[int, str],
    fixture: Fixture,
    gauge: Gauge,
    prints: Mapping[int, Print],
    soaks: _Soaks,
) -> BreakRow:
    test = kept.entry
    load_n = None if test.load is None else test.load.newtons
    limit_n = gauge.limit.newtons
    bar = fixture.bar(test)
    tested_ms = ms_of(test.tested)
    return BreakRow(
        kept=kept,
        resin=resins[test.resin],
        fixture=fixture,
        gauge=gauge,
        load_n=load_n,
        limit_n=limit_n,
        stress=None if bar is None or load_n is None else stress(load_n, bar),
        limit_stress=None if bar is None else stress(limit_n, bar),
        cured=test.cured or _cure_end(prints.get(test.print or 0), test.tested),
        soakings=tuple(soaks.soaking(run, tested_ms) for run in test.soaked),
    )


def _cure_end(plate: Print | None, tested: datetime) -> datetime | None:
    """When the cure noted with a print ended, if that was before the test."""
    cure = None if plate is None else plate.afterwork.cure
    window = None if cure is None else cure.window
    return window.end if window is not None and window.end <= tested else None


class _Soaks:
    """Soak runs folded once each, for as long as one answer is made."""

    def __init__(self, workshop: Workshop, now: datetime) -> None:
        self._workshop = workshop
        self._now = now
        self._folded: dict[int, SoakNow] = {}

    def soaking(self, run: SoakedAs, tested_ms: int) -> Soaking:
        """What a specimen had gone through in a run by a moment [ms since 1970]."""
        if run.soak not in self._folded:
            self._folded[run.soak] = soak_state(self._workshop, run.soak, self._now)
        found = self._folded[run.soak]
        name, state = found.run.entry.name, found.state
        # Once it was taken out, or gave way, the record does not say that it stayed inside.
        gave_way = {one.specimen: one.failed for one in found.verdicts}.get(run.specimen)
        out = dict(state.taken_out).get(run.specimen) or gave_way
        whole = [
            log
            for log in state.steps
            if log.done_ms is not None
            and log.done_ms <= tested_ms
            and (out is None or out.step > log.number or (out.step == log.number and out.completed))
        ]
        hottest = max(whole, key=lambda log: log.step.setpoint_c, default=None)
        if hottest is None:
            return Soaking(run.soak, name, run.specimen, None, None, None)
        return Soaking(
            run.soak,
            name,
            run.specimen,
            hottest.number,
            hottest.step.setpoint_c,
            hottest.mean_c,
        )


@dataclass(frozen=True, slots=True)
class Comparison:
    """Which pieces are compared: those of one fixture, perhaps of one resin, soaked or not."""

    fixture: int
    by: GroupBy = GroupBy.RESIN
    measure: Measure = Measure.LOAD
    resin: int | None = None
    soaked: bool | None = None


def compared_breaks(
    workshop: Workshop, asked: Comparison, now: datetime
) -> tuple[BreakGroups, tuple[BreakRow, ...]]:
    """Groups of pieces of one fixture compared, and the tests behind them.

    A part tested again with a stronger gauge counts once, by its last test.
    """
    workshop.record.fixtures.get(asked.fixture)
    tests = [
        kept
        for kept in workshop.record.breaks.all()
        if kept.entry.fixture == asked.fixture and asked.resin in (None, kept.entry.resin)
    ]
    last, left_out = last_of_each_part(tests)
    rows = break_rows(workshop, last, now)
    chosen = tuple(row for row in rows if asked.soaked in (None, bool(row.soakings)))
    groups = compare([row.piece for row in chosen], asked.by, asked.measure, left_out)
    return groups, chosen


def last_of_each_part(
    tests: Iterable[Kept[BreakTest]],
) -> tuple[list[Kept[BreakTest]], dict[str, int]]:
    """The last test of each part (in order of time), and how many earlier ones are left out."""
    kept: dict[tuple[int | None, str | int], Kept[BreakTest]] = {}
    left_out: Counter[str] = Counter()
    for test in tests:
        entry = test.entry
        key = (None, test.id) if entry.part is None else (entry.print, entry.part)
        if key in kept:
            left_out[TESTED_AGAIN] += 1
        kept[key] = test
    return list(kept.values()), dict(left_out)


def said_of(row: BreakRow) -> str:
    """What a piece bore, in words: ``broke at 122 N``, or at least what the gauge can read."""
    if row.load_n is None:
        return f"at least {figure(row.limit_n)} N: no break at the gauge's limit"
    return f"broke at {figure(row.load_n)} N"


def stress_said(row: BreakRow) -> str:
    """The nominal stress of a test in words; empty where none is known."""
    if row.limit_stress is None:
        return ""
    if row.stress is None:
        return f"at least {figure(row.limit_stress.stress_mpa)} MPa"
    return f"{figure(row.stress.stress_mpa)} MPa"
