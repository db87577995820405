"""What is done to a soak run on its page beside looking: a piece out, a new program, a remark."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path
from fastapi.responses import Response

from api.answers import Workshop
from api.checked import checked
from api.record import LoggedIntervention
from api.soak.interventions import InterventionKind
from api.soak_answers import check_intervention, soak_state
from collector.errors import ConflictError, InvalidError
from dashboards import soak_form
from dashboards.pages.soak import SoakId, past_time, show_run
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import Filled, Now, SheetsHere, onwards, text_of

router = APIRouter(include_in_schema=False)

EntryId = Annotated[int, Path(ge=1, lt=2**63)]


@router.post("/soak/{soak_id}/interventions")
def log_intervention(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, form: Filled
) -> Response:
    """Log what was done to the run; the form's ``kind`` says which of the three it is."""
    workshop.record.soaks.get(soak_id)
    try:
        with workshop.record.transaction():
            done = intervention_of(form, workshop, soak_id, now)
            check_intervention(workshop, done, now)
            workshop.record.interventions.add(done)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}?kept=done-{soak_id}-{done.kind}#done")


def intervention_of(
    form: Filled, workshop: Workshop, soak_id: int, now: datetime
) -> LoggedIntervention:
    """The intervention of a filled-in form. Raises ``InvalidError`` naming the field."""
    kind = text_of(form, "kind")
    program = None
    if kind == InterventionKind.PROGRAM_EDITED:
        in_force = soak_state(workshop, soak_id, now).state.program
        program = soak_form.changed_program(in_force, soak_form.texts_of(form)).model_dump()
    return checked(
        LoggedIntervention,
        {
            "soak": soak_id,
            "kind": kind,
            "time": past_time(form, "time", now),
            "specimen": text_of(form, "specimen") or None,
            "program": program,
            "note": text_of(form, "note"),
        },
    )


@router.post("/soak/{soak_id}/interventions/{id}/delete")
def take_back(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, id: EntryId
) -> Response:
    """Take back what was logged by mistake; its revisions keep it."""
    try:
        if workshop.record.interventions.get(id).entry.soak != soak_id:
            raise InvalidError(
                f"intervention {id} belongs to another run",
                where="intervention",
                remedy="Reload the page.",
            )
        workshop.record.interventions.delete(id)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}?done=no-done-{id}#done")


@router.post("/soak/{soak_id}/interventions/{id}/undo")
def bring_back(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, id: EntryId
) -> Response:
    """Put back on record what was just taken back, where it can still have been so."""
    ledger = workshop.record.interventions
    try:
        with workshop.record.transaction():
            stood = ledger.revisions(id)[-1:]
            kept = ledger.undo(id) if stood and stood[0].before["soak"] == soak_id else None
            if kept is None:
                raise InvalidError(
                    f"intervention {id} was not taken back in this run",
                    where="intervention",
                    remedy="Reload the page.",
                )
            check_intervention(workshop, kept.entry, now, instead_of=id)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}#done")
