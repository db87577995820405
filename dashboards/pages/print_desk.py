"""The part of the Prints page where things are entered: what runs, what waits, what may start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import Query

from api.answers import Workshop
from api.found_prints import FoundPrint, found_prints
from api.plan_answers import WaitingRow, waiting_rows
from api.prints import Outcome, Print
from api.record import Dismissal, Kept, Plan, PrintFilter
from collector.errors import NotFoundError
from dashboards.pages.planned_time import PlannedTime, planned_time
from dashboards.pages.print_start import last_print
from dashboards.pages.workshop import machine_names

#: Prints that wait for a verdict, newest first; older ones are in the log.
WAITING_N = 6


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address says was just done, so that it can be taken back.

    ``done``: a print that was changed; ``gone``: one that was taken off the log;
    ``dismissed``: a run that was called no print.
    """

    done: Annotated[int | None, Query(ge=1, lt=2**63)] = None
    gone: Annotated[int | None, Query(ge=1, lt=2**63)] = None
    dismissed: Annotated[int | None, Query(ge=1, lt=2**63)] = None


@dataclass(frozen=True, slots=True)
class PlannedRound:
    """An accepted plan with rows to be started, in the order that was drawn."""

    plan: Kept[Plan]
    waiting: tuple[WaitingRow, ...]


@dataclass(frozen=True, slots=True)
class Pattern:
    """A machine that is free, with its last print to start like."""

    machine: int
    name: str
    last: Kept[Print] | None


@dataclass(frozen=True, slots=True)
class Running:
    """A print that runs, and when it will be done."""

    kept: Kept[Print]
    time: PlannedTime


@dataclass(frozen=True, slots=True)
class FoundRun:
    """A run found in the power, with the print before it on its machine to count it like."""

    run: FoundPrint
    like: Kept[Print] | None


def desk(workshop: Workshop, now: datetime, asked: Asked) -> dict[str, Any]:
    """What the entering part of the page shows."""
    record = workshop.record
    running = record.prints.running()
    waiting = waiting_prints(workshop, WAITING_N)
    unjudged_n = record.prints.count(PrintFilter(looked=False))
    return {
        "done": _print_or_none(workshop, asked.done),
        "gone": _gone(workshop, asked.gone),
        "dismissed": _dismissed(workshop, asked.dismissed),
        "running": [Running(kept, planned_time(workshop, kept.entry)) for kept in running],
        "waiting": waiting,
        "waiting_more_n": unjudged_n - len(running) - len(waiting),
        "found_runs": found_runs(workshop, found_prints(workshop, now).waiting),
        "patterns": free_machines(workshop, running),
        "planned": planned_rounds(workshop),
        "outcomes": Outcome,
    }


def waiting_prints(workshop: Workshop, most_n: int) -> list[Kept[Print]]:
    """The newest prints that are over and that nobody has looked at."""
    running_n = len(workshop.record.prints.running())
    newest = workshop.record.prints.newest(most_n + running_n, only=PrintFilter(looked=False))
    return [kept for kept in newest if not kept.entry.running][:most_n]


def free_machines(workshop: Workshop, running: list[Kept[Print]]) -> list[Pattern]:
    """The machines on which nothing runs, each with its last print."""
    busy = {kept.entry.machine for kept in running}
    return [
        Pattern(id, name, last_print(workshop, id))
        for id, name in machine_names(workshop).items()
        if id not in busy
    ]


def planned_rounds(workshop: Workshop) -> list[PlannedRound]:
    """The accepted plans that are not done, with what is to be started."""
    rounds: dict[int, PlannedRound] = {}
    for row in waiting_rows(workshop):
        before = rounds.get(row.plan.id)
        waiting = (*before.waiting, row) if before else (row,)
        rounds[row.plan.id] = PlannedRound(row.plan, waiting)
    return list(rounds.values())


def found_runs(workshop: Workshop, waiting: Sequence[FoundPrint]) -> list[FoundRun]:
    """Runs in the power that wait for a verdict, newest first, with the prints before them."""
    return [
        FoundRun(run, last_print(workshop, run.machine, run.start)) for run in reversed(waiting)
    ]


def _print_or_none(workshop: Workshop, id: int | None) -> Kept[Print] | None:
    if id is None:
        return None
    try:
        return workshop.record.prints.get(id)
    except NotFoundError:
        return None


def _gone(workshop: Workshop, id: int | None) -> Kept[Print] | None:
    """A print that was taken off the log and is still off it, as it stood."""
    if id is None or _print_or_none(workshop, id) is not None:
        return None
    try:
        last = workshop.record.prints.revisions(id)[-1]
    except NotFoundError:
        return None
    return Kept(id, last.revision, last.changed, Print.model_validate(last.before))


def _dismissed(workshop: Workshop, id: int | None) -> Kept[Dismissal] | None:
    if id is None:
        return None
    try:
        return workshop.record.dismissals.get(id)
    except NotFoundError:
        return None
