"""Stretches of printer power that somebody said were no print to be logged."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from pydantic import Field, model_validator

from api.prints import MOST_ID, Frozen, Instant
from api.record.database import Value
from api.record.entries import Kept, Note
from api.record.ledger import Ledger
from api.record.moments import stored
from collector.readings import moment_of


class Dismissal(Frozen):
    """A machine took power over [start, end), and it was no print to be logged."""

    machine: int = Field(ge=1, le=MOST_ID)
    start: Instant
    end: Instant
    note: Note = ""

    @model_validator(mode="after")
    def _ends_after_it_starts(self) -> Dismissal:
        if self.end <= self.start:
            raise ValueError("a stretch ends after it starts; check both times and their zone")
        return self


class Dismissals(Ledger[Dismissal]):
    """The dismissed stretches, by start."""

    kind = "dismissal"
    order = "start_ms, id"

    def of(self, machine: int) -> list[Kept[Dismissal]]:
        """The dismissed stretches of a machine, by start."""
        return self._where("machine = ?", (machine,))

    def _columns(self, entry: Dismissal) -> Mapping[str, Value]:
        return {
            "machine": entry.machine,
            "start_ms": stored(entry.start, "start"),
            "end_ms": stored(entry.end, "end"),
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> Dismissal:
        return Dismissal(
            machine=row["machine"],
            start=moment_of(row["start_ms"]),
            end=moment_of(row["end_ms"]),
            note=row["note"],
        )

    def _check(self, entry_id: int | None, entry: Dismissal) -> None:
        self._check_exists("machine", entry.machine, "machine")
