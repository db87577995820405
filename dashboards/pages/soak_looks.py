"""The looks at the pieces of a soak run: logged, corrected, taken back, photographed."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData

from api.answers import Workshop
from api.checked import checked
from api.photographs import keep_photograph
from api.record import Kept, LoggedLook
from api.soak.program import Finding, SoakRun
from collector.errors import ConflictError, InvalidError
from dashboards.pages.print_changes import revision_of
from dashboards.pages.soak import SoakId, not_looked_at, past_time, show_run
from dashboards.pages.workshop import WorkshopHere
from dashboards.sheet import (
    Filled,
    Now,
    SheetsHere,
    at_photograph,
    number_of,
    onwards,
    picture_in,
    text_of,
)

router = APIRouter(include_in_schema=False)

LookId = Annotated[int, Path(ge=1, lt=2**63)]


@router.post("/soak/{soak_id}/looks")
def log_looks(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, form: Filled
) -> Response:
    """Log what was seen: a finding for each specimen that was looked at, or all of them sound.

    Fields are ``finding-0``, ``sag-0``, ``note-0`` and so on in the run's order; all or none.
    """
    run = workshop.record.soaks.get(soak_id).entry
    try:
        looks = looks_of(form, run, soak_id, now, not_looked_at(workshop, soak_id))
        with workshop.record.transaction():
            for look in looks:
                workshop.record.looks.add(look)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}?kept=looks-{soak_id}#looks")


def looks_of(
    form: FormData, run: SoakRun, soak_id: int, now: datetime, apart: set[str]
) -> list[LoggedLook]:
    """The looks of a filled-in form. Raises ``InvalidError`` when there is none.

    ``all`` is the one tap that calls sound every piece but those ``apart``.
    """
    at = past_time(form, "time", now)
    every = text_of(form, "all") == Finding.SOUND
    looks: list[LoggedLook] = []
    for number, specimen in enumerate(run.specimens):
        finding = text_of(form, f"finding-{number}")
        if every:
            finding = "" if specimen.name in apart else Finding.SOUND.value
        note, sag = "" if every else text_of(form, f"note-{number}"), f"sag-{number}"
        if not finding and not every and (note or text_of(form, sag)):
            raise InvalidError(
                f"what was seen of {specimen.name} was not chosen",
                where="finding",
                remedy="Choose it, or empty its note and its sag.",
            )
        if finding:
            looks.append(_look(form, soak_id, specimen.name, at, (finding, sag, note)))
    if not looks:
        raise InvalidError(
            "no finding was chosen", where="finding", remedy="Choose one for each piece you saw."
        )
    return looks


def _look(
    form: FormData, soak_id: int, specimen: str, at: datetime, seen: tuple[str, str, str]
) -> LoggedLook:
    """One look: what was found, the field that says how far it sagged, and the note."""
    finding, sag, note = seen
    sag_mm = number_of(text_of(form, sag), sag)
    if sag_mm is not None and finding != Finding.SAGGED:
        raise InvalidError(
            f"{specimen} has a sag, but was not seen to sag",
            where=sag,
            remedy="Choose that it sagged, or empty the sag.",
        )
    values = {
        "soak": soak_id,
        "specimen": specimen,
        "time": at,
        "finding": finding,
        "sag_mm": sag_mm if finding == Finding.SAGGED else None,
        "note": note,
    }
    return checked(LoggedLook, values)


@router.post("/soak/{soak_id}/looks/{look_id}/correct")
def correct(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    soak_id: SoakId,
    look_id: LookId,
    form: Filled,
) -> Response:
    """Put right what a look found, or when it was; its photographs stay with it."""
    try:
        kept = _of_run(workshop, soak_id, look_id)
        # A time field tells minutes: one that was left alone keeps its seconds.
        alone = text_of(form, "time") in ("", text_of(form, "time_was"))
        at = kept.entry.time if alone else past_time(form, "time", now)
        seen = (text_of(form, "finding"), "sag", text_of(form, "note"))
        look = _look(form, soak_id, kept.entry.specimen, at, seen)
        workshop.record.looks.change(look_id, look, revision=revision_of(form))
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}?done=corrected-look-{look_id}#looks")


@router.post("/soak/{soak_id}/looks/{look_id}/delete")
def take_back(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, look_id: LookId
) -> Response:
    """Take back a look that was logged by mistake; its revisions keep it."""
    try:
        _of_run(workshop, soak_id, look_id)
        workshop.record.looks.delete(look_id)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}?done=no-look-{look_id}#looks")


@router.post("/soak/{soak_id}/looks/{look_id}/undo")
def undo(
    workshop: WorkshopHere, sheets: SheetsHere, now: Now, soak_id: SoakId, look_id: LookId
) -> Response:
    """Take back the last change of a look: what was taken back or corrected stands again."""
    looks = workshop.record.looks
    try:
        stood = looks.revisions(look_id)
        if not stood or stood[-1].before["soak"] != soak_id:
            raise _elsewhere(look_id)
        looks.undo(look_id)
    except (InvalidError, ConflictError) as fault:
        return show_run(workshop, sheets, now, soak_id, fault=fault)
    return onwards(f"/soak/{soak_id}#looks")


@router.post("/soak/{soak_id}/looks/{look_id}/photographs")
async def add_photograph(
    workshop: WorkshopHere,
    sheets: SheetsHere,
    now: Now,
    soak_id: SoakId,
    look_id: LookId,
    request: Request,
) -> Response:
    """Put a photograph of what was seen at a look on record."""
    async with request.form(max_files=1) as form:
        try:
            sent = await picture_in(form)
            kept_id = await run_in_threadpool(_keep, workshop, soak_id, look_id, sent)
        except (InvalidError, ConflictError) as fault:
            said = at_photograph(fault)
            return await run_in_threadpool(show_run, workshop, sheets, now, soak_id, fault=said)
    return onwards(f"/soak/{soak_id}?done=photograph-{kept_id}#looks")


def _keep(workshop: Workshop, soak_id: int, look_id: int, sent: bytes) -> int:
    _of_run(workshop, soak_id, look_id)
    return keep_photograph(workshop.record, sent, look_id=look_id).id


def _of_run(workshop: Workshop, soak_id: int, look_id: int) -> Kept[LoggedLook]:
    """A look of this run. Raises ``NotFoundError``, ``InvalidError`` for one of another run."""
    kept = workshop.record.looks.get(look_id)
    if kept.entry.soak != soak_id:
        raise _elsewhere(look_id)
    return kept


def _elsewhere(look_id: int) -> InvalidError:
    return InvalidError(
        f"look {look_id} belongs to another run", where="look", remedy="Reload the page."
    )
