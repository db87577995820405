"""Break tests: the fixtures and gauges of the bench, and what each piece bore."""

from __future__ import annotations

import enum
import sqlite3
from collections.abc import Mapping

from pydantic import Field, model_validator

from api.prints import MOST_ID, Frozen, Instant
from api.record.cursors import read_cursor
from api.record.database import Value
from api.record.entries import Kept, Name, Note
from api.record.ledger import Ledger
from api.record.moments import moment_or_none, stored, stored_or_none
from api.strength import Bar, Holding, LoadUnit, newtons
from collector.errors import ConflictError, InvalidError
from collector.readings import moment_of, ms_of

#: Loads are read in a few digits: one this little above the gauge's limit is at the limit.
_LIMIT_SPARE = 1e-9


class Load(Frozen):
    """A load as a gauge shows it."""

    value: float = Field(gt=0, le=1e7)
    unit: LoadUnit = LoadUnit.NEWTON

    @property
    def newtons(self) -> float:
        """The load [N]."""
        return newtons(self.value, self.unit)


class Fixture(Frozen):
    """What a piece is held in: how, with its lengths [mm]; what is not known is None.

    ``span_mm`` lies between the supports, or from the clamp to the load; width and thickness
    are those of the bars it is for. A stress can be told only where all of them are known.
    """

    name: Name
    holding: Holding
    span_mm: float | None = Field(None, gt=0, le=10_000)
    width_mm: float | None = Field(None, gt=0, le=10_000)
    thickness_mm: float | None = Field(None, gt=0, le=10_000)
    note: Note = ""

    @model_validator(mode="after")
    def _has_a_span_only_in_bending(self) -> Fixture:
        if self.span_mm is not None and self.holding is Holding.COMPRESSION:
            raise ValueError("plain compression has no span; leave it out")
        return self

    def bar(self, test: BreakTest) -> Bar | None:
        """The bar of a test in this fixture, its own measures first; None where one lacks."""
        width, thickness = test.width_mm or self.width_mm, test.thickness_mm or self.thickness_mm
        span = 0.0 if self.holding is Holding.COMPRESSION else self.span_mm
        if span is None or width is None or thickness is None:
            return None
        return Bar(self.holding, span, width, thickness)


class Gauge(Frozen):
    """A gauge and the highest load it can read."""

    name: Name
    limit: Load
    note: Note = ""


class BreakOutcome(enum.StrEnum):
    """What came of a break test."""

    BROKE = "broke"
    HELD = "no_break_at_the_limit"


class SoakedAs(Frozen):
    """A soak run that a piece went through, and its name there."""

    soak: int = Field(ge=1, le=MOST_ID)
    specimen: str = Field(min_length=1, max_length=80)


class BreakTest(Frozen):
    """One piece on the break bench: it broke at ``load``, or held the gauge's limit unbroken.

    A piece that held has no load: how much more it would have borne is not known. ``print``
    and ``part`` say where it comes from, ``soaked`` which soak runs it went through before,
    ``cured`` when its cure ended; left out, the end of the cure noted with its print stands for
    it. ``width_mm`` and ``thickness_mm`` were measured on this piece.
    """

    piece: Name
    resin: int = Field(ge=1, le=MOST_ID)
    bottle: int | None = Field(None, ge=1, le=MOST_ID)
    print: int | None = Field(None, ge=1, le=MOST_ID)
    part: str | None = Field(None, min_length=1, max_length=80)
    soaked: tuple[SoakedAs, ...] = Field((), max_length=8)
    fixture: int = Field(ge=1, le=MOST_ID)
    gauge: int = Field(ge=1, le=MOST_ID)
    outcome: BreakOutcome
    load: Load | None = None
    width_mm: float | None = Field(None, gt=0, le=10_000)
    thickness_mm: float | None = Field(None, gt=0, le=10_000)
    tested: Instant
    cured: Instant | None = None
    note: Note = ""

    @model_validator(mode="after")
    def _hangs_together(self) -> BreakTest:
        if self.outcome is BreakOutcome.BROKE and self.load is None:
            raise ValueError("a piece that broke has a load; give it, or say it did not break")
        if self.outcome is BreakOutcome.HELD and self.load is not None:
            raise ValueError(
                "a piece that did not break has no load: it bears more than the gauge's limit"
            )
        if self.part is not None and self.print is None:
            raise ValueError("a part belongs to a print; name the print")
        if self.cured is not None and self.cured > self.tested:
            raise ValueError("the piece was tested before its cure ended; check both times")
        if len({run.soak for run in self.soaked}) != len(self.soaked):
            raise ValueError("a soak run is named twice; name each once")
        return self


class Fixtures(Ledger[Fixture]):
    """The fixtures, by name."""

    kind = "fixture"
    order = "name"

    def _columns(self, entry: Fixture) -> Mapping[str, Value]:
        return {**entry.model_dump(), "holding": entry.holding.value}

    def _entry(self, row: sqlite3.Row) -> Fixture:
        return Fixture(**{name: row[name] for name in Fixture.model_fields})

    def _check(self, entry_id: int | None, entry: Fixture) -> None:
        self._check_name_free(entry_id, entry.name)

    def _check_unused(self, entry_id: int, entry: Fixture) -> None:
        sql = "SELECT count(*) FROM break_test WHERE fixture = ?"
        self._check_count(sql, (entry_id,), "break tests")


class Gauges(Ledger[Gauge]):
    """The gauges, by name."""

    kind = "gauge"
    order = "name"

    def _columns(self, entry: Gauge) -> Mapping[str, Value]:
        return {
            "name": entry.name,
            "limit_value": entry.limit.value,
            "limit_unit": entry.limit.unit.value,
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Gauge:
        limit = Load(value=row["limit_value"], unit=LoadUnit(row["limit_unit"]))
        return Gauge(name=row["name"], limit=limit, note=row["note"])

    def _check(self, entry_id: int | None, entry: Gauge) -> None:
        self._check_name_free(entry_id, entry.name)
        for row in self._database.rows(
            "SELECT id, load, unit FROM break_test WHERE gauge = ? AND load IS NOT NULL",
            (entry_id,),
        ):
            if newtons(row["load"], row["unit"]) > entry.limit.newtons * (1 + _LIMIT_SPARE):
                raise ConflictError(
                    f"break test {row['id']} read {row['load']:g} {row['unit']} on this gauge",
                    where="limit",
                    remedy="Correct that test first, or put the other gauge on record by itself.",
                )

    def _check_unused(self, entry_id: int, entry: Gauge) -> None:
        sql = "SELECT count(*) FROM break_test WHERE gauge = ?"
        self._check_count(sql, (entry_id,), "break tests")


class Breaks(Ledger[BreakTest]):
    """The break tests, in the order in which they were made."""

    kind = "break_test"
    order = "tested_ms, id"

    def newest(
        self,
        limit: int,
        *,
        resin: int | None = None,
        fixture: int | None = None,
        print_id: int | None = None,
        before: str | None = None,
    ) -> list[Kept[BreakTest]]:
        """Up to ``limit`` tests, newest first; ``before`` is a cursor of :func:`break_cursor`."""
        conditions, values = ["1"], list[Value]()
        for column, wanted in (("resin", resin), ("fixture", fixture), ("print", print_id)):
            if wanted is not None:
                conditions.append(f"{column} = ?")
                values.append(wanted)
        if before is not None:
            conditions.append("(tested_ms, id) < (?, ?)")
            values += read_cursor(before)
        rest = f"ORDER BY tested_ms DESC, id DESC LIMIT {int(limit)}"
        return self._where(" AND ".join(conditions), tuple(values), rest)

    def of_print(self, print_id: int) -> list[Kept[BreakTest]]:
        """The tests of pieces of a print, in the order in which they were made."""
        return self._where("print = ?", (print_id,))

    def of_specimen(self, soak: int, specimen: str) -> list[Kept[BreakTest]]:
        """The tests of a piece that was a specimen of a soak run."""
        within = "SELECT break_test FROM break_soak WHERE soak = ? AND specimen = ?"
        return self._where(f"id IN ({within})", (soak, specimen))

    def broken_parts(self) -> frozenset[tuple[int, str]]:
        """The parts that broke, each by its print and name."""
        sql = "SELECT print, part FROM break_test WHERE part IS NOT NULL AND outcome = ?"
        rows = self._database.rows(sql, (BreakOutcome.BROKE.value,))
        return frozenset((row["print"], row["part"]) for row in rows)

    def count(self) -> int:
        """How many tests are on record."""
        row = self._database.row("SELECT count(*) FROM break_test", ())
        return int(row[0]) if row is not None else 0

    def _columns(self, entry: BreakTest) -> Mapping[str, Value]:
        return {
            **entry.model_dump(exclude={"soaked", "load", "tested", "cured"}),
            "outcome": entry.outcome.value,
            "load": entry.load and entry.load.value,
            "unit": entry.load and entry.load.unit.value,
            "tested_ms": stored(entry.tested, "tested"),
            "cured_ms": stored_or_none(entry.cured, "cured"),
        }

    def _entry(self, row: sqlite3.Row) -> BreakTest:
        runs = self._database.rows(
            "SELECT soak, specimen FROM break_soak WHERE break_test = ? ORDER BY position",
            (row["id"],),
        )
        load = row["load"]
        plain = BreakTest.model_fields.keys() - {"soaked", "load", "tested", "cured"}
        return BreakTest(
            **{name: row[name] for name in plain},
            soaked=tuple(SoakedAs(soak=run["soak"], specimen=run["specimen"]) for run in runs),
            load=None if load is None else Load(value=load, unit=LoadUnit(row["unit"])),
            tested=moment_of(row["tested_ms"]),
            cured=moment_or_none(row["cured_ms"]),
        )

    def _write_children(self, entry_id: int, entry: BreakTest) -> None:
        self._database.change("DELETE FROM break_soak WHERE break_test = ?", (entry_id,))
        self._database.change_each(
            "INSERT INTO break_soak VALUES (?, ?, ?, ?)",
            [(entry_id, n, run.soak, run.specimen) for n, run in enumerate(entry.soaked)],
        )

    def _check(self, entry_id: int | None, entry: BreakTest) -> None:
        for kind in ("resin", "fixture", "gauge"):
            self._check_exists(kind, getattr(entry, kind), kind)
        for kind in ("bottle", "print"):
            if getattr(entry, kind) is not None:
                self._check_exists(kind, getattr(entry, kind), kind)
                self._check_same_resin(kind, getattr(entry, kind), entry.resin)
        self._check_load(entry)
        self._check_printed_before(entry)
        self._check_part(entry_id, entry)
        for number, run in enumerate(entry.soaked):
            self._check_soaked(run, entry, f"soaked.{number}")

    def _check_same_resin(self, kind: str, kind_id: int, resin: int) -> None:
        row = self._database.row(f"SELECT resin FROM {kind} WHERE id = ?", (kind_id,))
        if row is not None and row["resin"] != resin:
            raise InvalidError(
                f"{kind} {kind_id} is of {self.resin_called(row['resin'])}, "
                f"not of {self.resin_called(resin)}",
                where=kind,
                remedy=f"Choose a {kind} of the piece's resin, or correct the resin, here or of "
                f"that {kind}.",
            )

    def resin_called(self, number: int) -> str:
        """A resin as a sentence says it: ``resin 2 (Kiln Amber)``."""
        row = self._database.row("SELECT name FROM resin WHERE id = ?", (number,))
        return f"resin {number} ({row['name']})" if row is not None else f"resin {number}"

    def _check_load(self, entry: BreakTest) -> None:
        row = self._database.row(
            "SELECT limit_value, limit_unit FROM gauge WHERE id = ?", (entry.gauge,)
        )
        if entry.load is None or row is None:
            return
        if entry.load.newtons > newtons(row["limit_value"], row["limit_unit"]) * (1 + _LIMIT_SPARE):
            raise InvalidError(
                f"the gauge reads no more than {row['limit_value']:g} {row['limit_unit']}",
                where="load",
                remedy="Check the load and its unit, or say that it did not break at the limit.",
            )

    def _check_printed_before(self, entry: BreakTest) -> None:
        row = self._database.row(
            "SELECT start_ms FROM print WHERE id = ? AND NOT order_only", (entry.print,)
        )
        if row is not None and stored(entry.tested, "tested") < row["start_ms"]:
            raise InvalidError(
                f"the piece was tested before print {entry.print} started",
                where="tested",
                remedy="Check the time of the test and its zone, or choose another print.",
            )

    def _check_part(self, entry_id: int | None, entry: BreakTest) -> None:
        """The part has to be one of the print's, and breaks but once."""
        if entry.part is None:
            return
        if not self._database.row(
            "SELECT 1 FROM part WHERE print = ? AND name = ?", (entry.print, entry.part)
        ):
            raise InvalidError(
                f"print {entry.print} has no part named {entry.part}",
                where="part",
                remedy="Give the name of one of its parts, or leave it out.",
            )
        tested_ms = stored(entry.tested, "tested")
        broken = self._database.row(
            "SELECT id FROM break_test WHERE print = ? AND part = ? AND id IS NOT ? AND "
            "((outcome = 'broke' AND tested_ms <= ?) OR (? = 'broke' AND tested_ms >= ?))",
            (entry.print, entry.part, entry_id, tested_ms, entry.outcome.value, tested_ms),
        )
        if broken is not None:
            raise ConflictError(
                f"{entry.part} of print {entry.print} is in break test {broken['id']} already, "
                "and a piece breaks but once",
                where="part",
                remedy="Correct that test, or choose another part.",
            )

    def _check_soaked(self, run: SoakedAs, entry: BreakTest, where: str) -> None:
        row = self._database.row(
            "SELECT specimen.resin, soak.started_ms FROM specimen JOIN soak ON soak.id = soak "
            "WHERE soak = ? AND specimen.name = ?",
            (run.soak, run.specimen),
        )
        if row is None:
            raise InvalidError(
                f"there is no specimen {run.specimen} in soak {run.soak}",
                where=where,
                remedy="Give the name of one of the run's specimens.",
            )
        if row["resin"] not in (None, entry.resin):
            raise InvalidError(
                f"specimen {run.specimen} is of {self.resin_called(row['resin'])}, "
                f"not of {self.resin_called(entry.resin)}",
                where=where,
                remedy="Choose a specimen of the piece's resin, or correct the resin.",
            )
        if stored(entry.tested, "tested") < row["started_ms"]:
            raise InvalidError(
                "the piece was tested before that soak run started",
                where="tested",
                remedy="Check the time and its zone, or leave the run out.",
            )

    def _check_unused(self, entry_id: int, entry: BreakTest) -> None:
        sql = "SELECT count(*) FROM photograph WHERE break_test = ?"
        self._check_count(sql, (entry_id,), "photographs")


def break_cursor(kept: Kept[BreakTest]) -> str:
    """The cursor after which a list of break tests goes on."""
    return f"{ms_of(kept.entry.tested)}-{kept.id}"
