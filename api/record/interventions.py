"""Interventions on record: what was done to soak runs under way."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping

from pydantic import Field

from api.prints import MOST_ID
from api.record.database import Value
from api.record.entries import Kept
from api.record.ledger import Ledger
from api.record.moments import stored
from api.soak.interventions import Intervention
from api.soak.program import Program
from collector.errors import InvalidError
from collector.readings import moment_of


class LoggedIntervention(Intervention):
    """An intervention as the record keeps it: with the run (``soak``) it was made in."""

    soak: int = Field(ge=1, le=MOST_ID)


class Interventions(Ledger[LoggedIntervention]):
    """The interventions, in the order of their times."""

    kind = "intervention"
    order = "soak, time_ms, id"

    def of(self, soak: int) -> list[Kept[LoggedIntervention]]:
        """The interventions in one run, in the order of their times."""
        return self._where("soak = ?", (soak,))

    def _columns(self, entry: LoggedIntervention) -> Mapping[str, Value]:
        return {
            "soak": entry.soak,
            "what": entry.kind.value,
            "time_ms": stored(entry.time, "time"),
            "specimen": entry.specimen,
            "program": None if entry.program is None else entry.program.model_dump_json(),
            "note": entry.note,
        }

    def _entry(self, row: sqlite3.Row) -> LoggedIntervention:
        program = row["program"]
        return LoggedIntervention(
            soak=row["soak"],
            kind=row["what"],
            time=moment_of(row["time_ms"]),
            specimen=row["specimen"],
            program=None if program is None else Program.model_validate_json(program),
            note=row["note"],
        )

    def _check(self, entry_id: int | None, entry: LoggedIntervention) -> None:
        run = self._database.row(
            "SELECT started_ms, ended_ms FROM soak WHERE id = ?", (entry.soak,)
        )
        if run is None:
            self._check_exists("soak", entry.soak, "soak")
            return
        if entry.specimen is not None and not self._database.row(
            "SELECT 1 FROM specimen WHERE soak = ? AND name = ?", (entry.soak, entry.specimen)
        ):
            raise InvalidError(
                f"there is no specimen {entry.specimen} in soak {entry.soak}",
                where="specimen",
                remedy="Give the name of one of the run's specimens.",
            )
        time_ms = stored(entry.time, "time")
        if time_ms < run["started_ms"]:
            raise _outside("before the run started")
        if run["ended_ms"] is not None and time_ms > run["ended_ms"]:
            raise _outside("after the run ended")


def _outside(when: str) -> InvalidError:
    return InvalidError(
        f"nothing can be done to a run {when}",
        where="time",
        remedy="Check the time and its zone, or the start and the end of the run.",
    )
