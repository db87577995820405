"""Runs found in the printers' power: what came of each, straight from the list, or no print."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Path, Query
from fastapi.responses import HTMLResponse, Response

from api.answers import Workshop
from api.checked import checked
from api.found_prints import (
    FROM_POWER,
    accept_found,
    accepted_before,
    dismiss_found,
    found_named,
    found_prints,
)
from api.prints import Print
from api.record import Kept
from collector.errors import InvalidError
from dashboards import outcome_form, print_form
from dashboards.pages.print_desk import found_runs
from dashboards.pages.print_start import last_print
from dashboards.pages.workshop import WorkshopHere, machine_names, resin_names
from dashboards.sheet import Filled, Now, SheetsHere, id_of, onwards, text_of

router = APIRouter(include_in_schema=False)

RunName = Annotated[str, Path(max_length=40)]

#: The form's word for "some failed": the parts are told on the print's own page.
SOME = "some"


@router.get("/prints/found")
def found_page(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    days: Annotated[int, Query(ge=1, le=90)] = 30,
) -> HTMLResponse:
    """Every run that waits, further back than the Prints page looks, and what was dismissed."""
    found = found_prints(workshop, now, since=now - timedelta(days=days))
    return sheets.page(
        "found.html",
        "/prints",
        now,
        days=days,
        found_runs=found_runs(workshop, found.waiting),
        refusals=found.refusals,
        dismissals=workshop.record.dismissals.all()[::-1],
        resins=resin_names(workshop),
        machines=machine_names(workshop),
    )


@router.post("/prints/found/{name}")
def accept(workshop: WorkshopHere, now: Now, name: RunName, form: Filled) -> Response:
    """Put a run on record like the print before it on its machine, with what came of it."""
    outcome = text_of(form, "outcome")
    kept = accepted_before(workshop, name) or _accepted(workshop, name, outcome, now)
    if outcome == SOME:
        return onwards(f"/prints/{kept.id}/outcome")
    return onwards(f"/prints?done={kept.id}")


def _accepted(workshop: Workshop, name: str, outcome: str, now: datetime) -> Kept[Print]:
    run = found_named(workshop, name, now)
    last = last_print(workshop, run.machine, run.start)
    if last is None:
        raise InvalidError(
            "this machine has no earlier print to count it like",
            where="resin",
            remedy="Put the run on record with its form, which asks for the resin.",
        )
    fields = {**print_form.fresh(last.entry), "machine": run.machine, "start": run.start}
    plate = checked(Print, fields)
    if outcome and outcome != SOME:
        plate = outcome_form.on_all(plate, print_form.outcome_of(outcome))
    told = plate.model_dump(mode="json", exclude=set(FROM_POWER))
    return accept_found(workshop, name, told, now)


@router.post("/prints/found/{name}/dismiss")
def dismiss(workshop: WorkshopHere, now: Now, name: RunName, form: Filled) -> Response:
    """It was no print to be logged: homing, levelling, a test exposure."""
    kept = dismiss_found(workshop, name, text_of(form, "note"), now)
    return onwards(f"/prints?dismissed={kept.id}")


@router.post("/prints/found/dismissed/{id}/undo")
def undo_dismissal(
    workshop: WorkshopHere, id: Annotated[int, Path(ge=1, lt=2**63)], form: Filled
) -> Response:
    """It was a print after all: it waits for a verdict again."""
    revision = id_of(text_of(form, "revision"), "revision")
    workshop.record.dismissals.delete(id, revision=revision)
    return onwards("/prints#waiting")
