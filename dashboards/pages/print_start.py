"""Starting a print: what may be started, the form, and the print put on record."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.plan_answers import WaitingRow, pattern_for, start_planned, waiting_rows
from api.prints import Print
from api.record import Kept, Plan, PrintFilter
from collector.errors import ConflictError, InvalidError
from dashboards import print_form
from dashboards.pages.workshop import WorkshopHere, machine_names, resin_names
from dashboards.sheet import Filled, Now, Sheets, SheetsHere, id_of, onwards, text_of

router = APIRouter(include_in_schema=False)


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


def free_machines(workshop: Workshop, running: list[Kept[Print]]) -> list[Pattern]:
    """The machines on which nothing runs, each with its last print."""
    busy = {kept.entry.machine for kept in running}
    return [
        Pattern(id, name, last_print(workshop, id))
        for id, name in machine_names(workshop).items()
        if id not in busy
    ]


def last_print(workshop: Workshop, machine: int | None = None) -> Kept[Print] | None:
    """The newest print, of one machine or of all."""
    found = workshop.record.prints.newest(1, only=PrintFilter(machine=machine))
    return found[0] if found else None


def planned_rounds(workshop: Workshop) -> list[PlannedRound]:
    """The accepted plans that are not done, with what is to be started."""
    rounds: dict[int, PlannedRound] = {}
    for row in waiting_rows(workshop):
        before = rounds.get(row.plan.id)
        waiting = (*before.waiting, row) if before else (row,)
        rounds[row.plan.id] = PlannedRound(row.plan, waiting)
    return list(rounds.values())


@router.get("/prints/new")
def new_print(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    plan: Annotated[int | None, Query(ge=1, lt=2**63)] = None,
    row: Annotated[int, Query(ge=0, lt=60)] = 0,
) -> HTMLResponse:
    """The form for a print, filled like the last one, or for a row of a plan like its others."""
    texts = {"key": str(uuid.uuid4()), "plan": "", "plan_row": ""}
    if plan is None:
        last = last_print(workshop)
        return show_form(
            workshop, sheets, now, print_form.like(last.entry if last else None) | texts
        )
    entry = workshop.record.plans.get(plan).entry
    if row not in entry.open_rows:
        raise InvalidError(
            "this row of the plan is not waiting to be started",
            where="row",
            remedy="Start one of those that are listed on the Prints page.",
        )
    texts |= {"plan": str(plan), "plan_row": str(row)}
    texts |= {"machine": str(entry.machine), "resin": str(entry.resin)}
    return show_form(workshop, sheets, now, print_form.like(pattern_for(workshop, entry)) | texts)


@router.post("/prints")
def start_print(workshop: WorkshopHere, sheets: SheetsHere, now: Now, form: Filled) -> Response:
    """Put a print on record from its form; a form that is refused is shown again."""
    own = {name: text_of(form, name) for name in ("key", "plan", "plan_row")}
    texts = print_form.texts_of(form) | own
    try:
        plate = print_form.print_of(texts, now)
        if plate.running:
            refuse_second(workshop, plate.machine)
        kept = _put_on_record(workshop, plate, texts)
    except (InvalidError, ConflictError) as fault:
        return show_form(workshop, sheets, now, texts, fault=fault)
    return onwards(f"/prints/{kept.id}?kept=new-print")


def _put_on_record(workshop: Workshop, plate: Print, texts: Mapping[str, str]) -> Kept[Print]:
    """The print on record, linked to its row of a plan where the form came from one."""
    plan = id_of(texts["plan"], "plan")
    if plan is None:
        return workshop.record.prints.add(plate, key=_key_of(texts))
    row = id_of(texts["plan_row"], "plan_row") or 0
    return start_planned(workshop, plan, row, plate, key=_key_of(texts))


@router.post("/prints/plans/{plan_id}/withdraw")
def withdraw(
    workshop: WorkshopHere, plan_id: Annotated[int, Path(ge=1, lt=2**63)], form: Filled
) -> Response:
    """Take the rest of a plan off the list; what was printed of it still counts."""
    plan = workshop.record.plans.get(plan_id)
    entry = plan.entry.model_copy(update={"withdrawn": True})
    workshop.record.plans.change(
        plan_id, entry, revision=id_of(text_of(form, "revision"), "revision")
    )
    return onwards("/prints")


@router.post("/prints/again")
def start_again(workshop: WorkshopHere, now: Now, form: Filled) -> Response:
    """Start a print like the machine's last one, now."""
    machine = id_of(text_of(form, "machine"), "machine")
    last = last_print(workshop, machine) if machine else None
    if machine is None or last is None:
        raise InvalidError(
            "this machine has no earlier print", where="machine", remedy="Fill in the form once."
        )
    refuse_second(workshop, machine)
    kept = workshop.record.prints.add(print_form.again(last.entry, now))
    return onwards(f"/prints/{kept.id}")


def refuse_second(workshop: Workshop, machine: int) -> None:
    """Raise ``ConflictError`` when something runs on the machine already."""
    for kept in workshop.record.prints.running():
        if kept.entry.machine == machine:
            raise ConflictError(
                "a print is running on this machine already",
                where="machine",
                remedy=f"End it first (Prints, print {kept.id}), or give this one its end.",
            )


def show_form(
    workshop: Workshop,
    sheets: Sheets,
    now: datetime,
    texts: Mapping[str, str],
    *,
    fault: InvalidError | ConflictError | None = None,
    kept: Kept[Print] | None = None,
) -> HTMLResponse:
    """The form of a print, new or (``kept``) to be corrected, with what was typed."""
    return sheets.page(
        "print_form.html",
        "/prints",
        now,
        status=fault.status if fault else 200,
        texts=texts,
        fault=fault,
        kept=kept,
        planned=_planned_row(workshop, texts),
        fields=print_form.SETTING_FIELDS,
        resins=resin_names(workshop),
        machines=machine_names(workshop),
    )


def _planned_row(workshop: Workshop, texts: Mapping[str, str]) -> WaitingRow | None:
    """The row of a plan that a form is for, if it is for one."""
    plan = id_of(texts.get("plan", ""), "plan")
    if plan is None:
        return None
    row = id_of(texts.get("plan_row", ""), "plan_row") or 0
    kept = workshop.record.plans.get(plan)
    return WaitingRow(kept, row) if row < len(kept.entry.rows) else None


def _key_of(texts: Mapping[str, str]) -> str | None:
    """The form's own key, so that a form sent twice makes one print.

    Only where a start was typed: without one the print starts when it is sent, and the second
    sending is refused because the first one runs.
    """
    return texts["key"] if texts["key"] and texts["start"] else None
