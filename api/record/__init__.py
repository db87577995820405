"""The record of what was done: resins, machines, prints, soak runs and what belongs to them."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from contextlib import AbstractContextManager
from datetime import UTC, datetime
from pathlib import Path

from api.record.breaks import (
    BreakOutcome,
    Breaks,
    BreakTest,
    Fixture,
    Fixtures,
    Gauge,
    Gauges,
    Load,
    SoakedAs,
    break_cursor,
)
from api.record.calibrations import (
    Calibration,
    CalibrationKind,
    CalibrationPair,
    Calibrations,
    FoundBy,
)
from api.record.database import Database
from api.record.dismissals import Dismissal, Dismissals
from api.record.entries import (
    ChannelLink,
    Kept,
    Limits,
    LoggedLook,
    Machine,
    Resin,
    Revision,
)
from api.record.interventions import Interventions, LoggedIntervention
from api.record.ledgers import (
    Looks,
    Machines,
    PrintFilter,
    Prints,
    Resins,
    Soaks,
    cursor_of,
)
from api.record.photographs import Photograph, Photographs
from api.record.plans import Plan, PlanRow, Plans
from api.record.refused_prints import RefusedPrint, RefusedPrints
from api.record.results import Question, Result, Results
from api.record.supplies import Bottle, Bottles, Plate, PlatePart, Plates
from collector.readings import ms_of

__all__ = [
    "Bottle",
    "BreakOutcome",
    "BreakTest",
    "Calibration",
    "CalibrationKind",
    "CalibrationPair",
    "ChannelLink",
    "Dismissal",
    "Fixture",
    "FoundBy",
    "Gauge",
    "Kept",
    "Limits",
    "Load",
    "LoggedIntervention",
    "LoggedLook",
    "Machine",
    "Photograph",
    "Plan",
    "PlanRow",
    "Plate",
    "PlatePart",
    "PrintFilter",
    "Question",
    "Record",
    "RefusedPrint",
    "Resin",
    "Result",
    "Revision",
    "SoakedAs",
    "break_cursor",
    "cursor_of",
]


def _now_ms() -> int:
    return ms_of(datetime.now(UTC))


class Record:
    """record.db: one ledger per kind, every change kept. Safe to use from several threads.

    Opening brings the tables up to date. ``folder`` is where the file lies; ``clock`` gives the
    time of a change in ms since 1970 UTC. Every method may raise ``StoreError``,
    ``InvalidError``, ``NotFoundError`` or ``ConflictError``.
    """

    def __init__(self, path: Path, *, clock: Callable[[], int] = _now_ms) -> None:
        self.folder = path.parent
        self._database = Database(path, clock)
        self.resins = Resins(self._database)
        self.machines = Machines(self._database)
        self.bottles = Bottles(self._database)
        self.plates = Plates(self._database)
        self.prints = Prints(self._database)
        self.soaks = Soaks(self._database)
        self.looks = Looks(self._database)
        self.interventions = Interventions(self._database)
        self.calibrations = Calibrations(self._database)
        self.fixtures = Fixtures(self._database)
        self.gauges = Gauges(self._database)
        self.breaks = Breaks(self._database)
        self.photographs = Photographs(self._database)
        self.dismissals = Dismissals(self._database)
        self.refused_prints = RefusedPrints(self._database)
        self.plans = Plans(self._database)
        self.results = Results(self._database)

    def version(self) -> Hashable:
        """Another one whenever something on record may have changed."""
        return self._database.version()

    def transaction(self) -> AbstractContextManager[None]:
        """Several changes as one: all of them, or none when anything is raised within."""
        return self._database.transaction()

    def reading(self) -> AbstractContextManager[None]:
        """Several looks at the record that see it as it stood at one moment."""
        return self._database.reading()

    def close(self) -> None:
        """Let go of the file."""
        self._database.close()
