"""Photographs of prints and broken pieces: taken or chosen on the phone, removed, brought back."""

from __future__ import annotations

import hashlib
from typing import Annotated

from fastapi import APIRouter, Path, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from api.answers import Workshop
from api.photographs import keep_photograph, picture_of, reduced
from api.record import Photograph
from collector.errors import ConflictError, InvalidError
from dashboards.pages.one_break import BreakId, show_break
from dashboards.pages.one_print import PrintId, show_print
from dashboards.pages.print_changes import revision_of
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import (
    FOREVER,
    Filled,
    Now,
    SheetsHere,
    at_photograph,
    onwards,
    picture_in,
    text_of,
)

router = APIRouter(include_in_schema=False)

#: The longest side of a photograph on a print's page [pixels].
SMALL_PX = 480

PhotographId = Annotated[int, Path(ge=1, lt=2**63)]


@router.get("/photographs/{id}/small")
def small(workshop: WorkshopHere, id: PhotographId) -> Response:
    """The picture small; it never changes under its id, so the browser may keep it."""
    entry = workshop.record.photographs.get(id).entry
    headers = {
        "Cache-Control": FOREVER.replace("public", "private"),
        "X-Content-Type-Options": "nosniff",
    }
    content = reduced(picture_of(workshop.record, entry), SMALL_PX)
    return Response(content, media_type="image/jpeg", headers=headers)


@router.post("/prints/{print_id}/photographs")
async def add(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, print_id: PrintId, request: Request
) -> Response:
    """Put a photograph of a print, or of one of its parts, on record."""
    async with request.form(max_files=1) as form:
        try:
            sent = await picture_in(form)
            kept_id = await run_in_threadpool(_keep, workshop, print_id, sent, form)
        except (InvalidError, ConflictError) as fault:
            said = at_photograph(fault)
            return await run_in_threadpool(show_print, workshop, sheets, now, print_id, fault=said)
    return onwards(f"/prints/{print_id}?done=photograph-{kept_id}#photographs")


@router.post("/breaks/{break_id}/photographs")
async def add_of_break(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, break_id: BreakId, request: Request
) -> Response:
    """Put a photograph of a piece on the break bench on record."""
    async with request.form(max_files=1) as form:
        try:
            sent = await picture_in(form)
            kept_id = await run_in_threadpool(_keep, workshop, None, sent, form, break_id=break_id)
        except (InvalidError, ConflictError) as fault:
            said = at_photograph(fault)
            return await run_in_threadpool(show_break, workshop, sheets, now, break_id, fault=said)
    return onwards(f"/breaks/{break_id}?done=photograph-{kept_id}#photographs")


def _keep(
    workshop: Workshop,
    print_id: int | None,
    sent: bytes,
    form: FormData,
    *,
    break_id: int | None = None,
) -> int:
    key = text_of(form, "key")
    # The same form with the same picture is one photograph, however often it arrives.
    own = f"{key} {hashlib.sha256(sent).hexdigest()[:16]}" if key else None
    kept = keep_photograph(
        workshop.record,
        sent,
        print_id=print_id,
        break_id=break_id,
        part=text_of(form, "part") or None,
        note=text_of(form, "note"),
        key=own,
    )
    return kept.id


@router.post("/photographs/{id}/delete")
def remove(workshop: WorkshopHere, id: PhotographId, form: Filled) -> Response:
    """Take a photograph off the record; it is kept and can be brought back."""
    entry = workshop.record.photographs.get(id).entry
    workshop.record.photographs.delete(id, revision=revision_of(form))
    return onwards(_page_of(workshop, entry, f"no-photograph-{id}"))


def _page_of(workshop: Workshop, entry: Photograph, done: str) -> str:
    """The page that shows what a photograph shows, told what was ``done`` to it."""
    if entry.look is not None:
        soak_id = workshop.record.looks.get(entry.look).entry.soak
        return f"/soak/{soak_id}?done={done}#looks"
    if entry.break_test is not None:
        return f"/breaks/{entry.break_test}?done={done}#photographs"
    return f"/prints/{entry.print}?done={done}#photographs"


@router.post("/photographs/{id}/undo")
def undo(workshop: WorkshopHere, id: PhotographId, form: Filled) -> Response:
    """Take back the last change: a photograph just added goes, one just removed comes back."""
    ledger = workshop.record.photographs
    kept = ledger.undo(id, revision=revision_of(form))
    if kept is not None:
        return onwards(_page_of(workshop, kept.entry, f"photograph-{id}"))
    stood = Photograph.model_validate(ledger.revisions(id)[-1].before)
    return onwards(_page_of(workshop, stood, f"no-photograph-{id}"))
