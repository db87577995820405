"""Accepted plans: a round of prints, cold and warm in random order, and what became of it."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from pydantic import Field, model_validator

from api.causes.planned import Arm
from api.prints import MOST_ID, Frozen, Instant
from api.record.database import Value
from api.record.entries import Kept, Note
from api.record.ledger import Ledger
from api.record.moments import stored
from collector.errors import InvalidError
from collector.readings import moment_of


class PlanRow(Frozen):
    """One print of a plan: which arm was drawn, the vat temperature to start at, and the print.

    ``print`` is the id of the print that was started from this row, None until there is one.
    """

    arm: Arm
    start_c: float = Field(ge=-20, le=80)
    print: int | None = Field(None, ge=1, le=MOST_ID)


class Plan(Frozen):
    """A round of prints as it was accepted; the rows stand in the order that was drawn.

    All rows are of one machine and resin, with the same settings throughout. The forecast is
    kept as it was: widths of the limit's 95 % interval before and expected after [°C], and the
    failures expected. ``round_n`` counts the accepted rounds from 1.
    """

    accepted: Instant
    machine: int = Field(ge=1, le=MOST_ID)
    resin: int = Field(ge=1, le=MOST_ID)
    round_n: int = Field(ge=1, le=10_000)
    rows: tuple[PlanRow, ...] = Field(min_length=2, max_length=60)
    level: float = Field(ge=0.05, le=0.5)
    width_now_c: float = Field(ge=0, le=1_000)
    width_after_c: float = Field(ge=0, le=1_000)
    failures_expected: float = Field(ge=0, le=60)
    method: str = Field("", max_length=200)
    version: str = Field("", max_length=20)
    fingerprint: str = Field("", max_length=64)
    seed: int = Field(0, ge=0, le=2**32 - 1)
    withdrawn: bool = False
    note: Note = ""

    @model_validator(mode="after")
    def _one_print_a_row(self) -> Plan:
        started = [row.print for row in self.rows if row.print is not None]
        if len(set(started)) != len(started):
            raise ValueError("one print stands in two rows of the plan; give each row its own")
        return self

    @property
    def open_rows(self) -> tuple[int, ...]:
        """Positions of the rows that are still to be started; none of a withdrawn plan."""
        if self.withdrawn:
            return ()
        return tuple(n for n, row in enumerate(self.rows) if row.print is None)

    def started(self, position: int, print_id: int) -> Plan:
        """The plan with a print in one of its rows. Raises ``InvalidError`` for a row not open."""
        if position not in self.open_rows:
            raise InvalidError(
                "this row of the plan is not waiting to be started",
                where="plan_row",
                remedy="Reload the Prints page and start from a row that is listed there.",
            )
        row = self.rows[position].model_copy(update={"print": print_id})
        rows = (*self.rows[:position], row, *self.rows[position + 1 :])
        return self.model_copy(update={"rows": rows})


class Plans(Ledger[Plan]):
    """The accepted plans, by round.

    A print that is taken off the log leaves its row open again.
    """

    kind = "plan"
    order = "round_n, id"

    def open(self) -> list[Kept[Plan]]:
        """The plans with rows still to be started."""
        return [kept for kept in self.all() if kept.entry.open_rows]

    def of_print(self, print_id: int) -> Kept[Plan] | None:
        """The plan that a print was started from, or None."""
        found = self._where("id IN (SELECT plan FROM plan_row WHERE print = ?)", (print_id,))
        return found[0] if found else None

    def _columns(self, entry: Plan) -> Mapping[str, Value]:
        columns = entry.model_dump(exclude={"rows", "accepted"})
        return {**columns, "accepted_ms": stored(entry.accepted, "accepted")}

    def _entry(self, row: sqlite3.Row) -> Plan:
        rows = self._database.rows(
            "SELECT * FROM plan_row WHERE plan = ? ORDER BY position", (row["id"],)
        )
        names = [n for n in Plan.model_fields if n not in ("rows", "accepted", "withdrawn")]
        return Plan(
            **{name: row[name] for name in names},
            withdrawn=bool(row["withdrawn"]),
            accepted=moment_of(row["accepted_ms"]),
            rows=tuple(
                PlanRow(arm=Arm(one["arm"]), start_c=one["start_c"], print=one["print"])
                for one in rows
            ),
        )

    def _write_children(self, entry_id: int, entry: Plan) -> None:
        self._database.change("DELETE FROM plan_row WHERE plan = ?", (entry_id,))
        self._database.change_each(
            "INSERT INTO plan_row (plan, position, arm, start_c, print) VALUES (?, ?, ?, ?, ?)",
            [
                (entry_id, n, row.arm.value, row.start_c, row.print)
                for n, row in enumerate(entry.rows)
            ],
        )

    def _check(self, entry_id: int | None, entry: Plan) -> None:
        self._check_exists("machine", entry.machine, "machine")
        self._check_exists("resin", entry.resin, "resin")
        if entry_id is not None and _drawn(self.get(entry_id).entry) != _drawn(entry):
            raise InvalidError(
                "what was drawn for a plan stays as it was drawn",
                where="rows",
                remedy="Link prints to its rows, note something or withdraw it; accept another "
                "plan for other temperatures.",
            )
        for number, row in enumerate(entry.rows):
            if row.print is None:
                continue
            self._check_exists("print", row.print, f"rows.{number}.print")
            other = self.of_print(row.print)
            if other is not None and other.id != entry_id:
                raise InvalidError(
                    f"print {row.print} was started from plan {other.id} already",
                    where=f"rows.{number}.print",
                    remedy="Give the row a print of its own.",
                )


def _drawn(plan: Plan) -> tuple[object, ...]:
    """Everything of a plan but the prints of its rows, its note and whether it was withdrawn."""
    rows = tuple((row.arm, row.start_c) for row in plan.rows)
    fixed = plan.model_dump(exclude={"rows", "note", "withdrawn"})
    return (rows, tuple(fixed.items()))
