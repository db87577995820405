"""/api/soaks: heat-soak runs and the looks taken in them."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Path, Request, Response

from api import answers
from api.prints import MOST_ID
from api.problems import problems
from api.record.entries import LoggedLook, Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Now, Patch, TheWorkshop
from api.routes.shapes import LOOK, SOAK, LookOnRecord, SoakOnRecord
from api.routes.soak_shape import NoticeShape, SoakStateShape, notice_shape, shape_of
from api.soak.program import Look, SoakRun
from collector.errors import NotFoundError

router = APIRouter(prefix="/api/soaks", tags=["Soak bench"])

LookId = Annotated[int, Path(ge=1, le=MOST_ID, description="Id of the look.", examples=[1])]


@router.get("", summary="List the soak runs", responses=problems())
def list_soaks(workshop: TheWorkshop) -> list[SoakOnRecord]:
    """Every run, by start."""
    return [asking.on_record(SoakOnRecord, kept) for kept in workshop.record.soaks.all()]


@router.post(
    "",
    summary="Start a soak run",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_soak(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    run: Annotated[SoakRun, Body(examples=[SOAK])],
    key: Key = None,
) -> SoakOnRecord:
    """vatside watches the chamber and never switches it: set the chamber yourself.

    The chamber needs an independent thermal cut-out of its own.
    """
    kept = workshop.record.soaks.add(run, key=key)
    asking.made(request, response, kept)
    return asking.on_record(SoakOnRecord, kept)


@router.get("/{id}", summary="Get a soak run", responses=problems(HTTPStatus.NOT_FOUND))
def get_soak(workshop: TheWorkshop, response: Response, id: EntryId) -> SoakOnRecord:
    """One run, its revision as ETag."""
    kept = workshop.record.soaks.get(id)
    asking.tag(response, kept)
    return asking.on_record(SoakOnRecord, kept)


@router.patch(
    "/{id}",
    summary="End, abandon or correct a soak run",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(
        SoakRun, ended="2026-01-14T22:10:00Z", abandoned="the chamber's fan stopped"
    ),
)
def correct_soak(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> SoakOnRecord:
    """What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.soaks, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(SoakOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Delete a soak run without looks or interventions",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_soak(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while anything is logged in it; what stood there is kept."""
    workshop.record.soaks.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a soak run",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def soak_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted run."""
    return workshop.record.soaks.revisions(id)


@router.get(
    "/{id}/state",
    summary="Where a soak run stands",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def get_state(workshop: TheWorkshop, now: Now, id: EntryId) -> SoakStateShape:
    """Folded anew from program, readings and looks: the dwell clock counts only in band."""
    return shape_of(answers.soak_state(workshop, id, now))


@router.get(
    "/{id}/notices",
    summary="What a soak run has to tell now",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def get_notices(workshop: TheWorkshop, now: Now, id: EntryId) -> list[NoticeShape]:
    """The most urgent first. Tell each key once: it stays while the notice is about the same."""
    return [notice_shape(notice) for notice in answers.soak_state(workshop, id, now).notices]


@router.get("/{id}/looks", summary="List the looks", responses=problems(HTTPStatus.NOT_FOUND))
def list_looks(workshop: TheWorkshop, id: EntryId) -> list[LookOnRecord]:
    """The looks of a run, by the time they were taken."""
    workshop.record.soaks.get(id)
    return [asking.on_record(LookOnRecord, kept) for kept in workshop.record.looks.of(id)]


@router.post(
    "/{id}/looks",
    summary="Log a look",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_look(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    id: EntryId,
    look: Annotated[Look, Body(examples=[LOOK])],
    key: Key = None,
) -> LookOnRecord:
    """The time is when the specimen was looked at; it may be entered late."""
    workshop.record.soaks.get(id)
    kept = workshop.record.looks.add(LoggedLook(**dict(look), soak=id), key=key)
    asking.made(request, response, kept)
    return asking.on_record(LookOnRecord, kept)


@router.patch(
    "/{id}/looks/{look_id}",
    summary="Correct a look",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Look, finding="sagged", sag_mm=0.4),
)
def correct_look(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    look_id: LookId,
    patch: Patch,
    revision: asking.Revision,
) -> LookOnRecord:
    """What stood before is kept among its revisions."""
    _check_belongs(workshop, id, look_id)
    kept = asking.corrected(workshop, workshop.record.looks, look_id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(LookOnRecord, kept)


@router.delete(
    "/{id}/looks/{look_id}",
    summary="Delete a look",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_look(
    workshop: TheWorkshop, id: EntryId, look_id: LookId, revision: asking.Revision
) -> None:
    """What stood there is kept among its revisions."""
    _check_belongs(workshop, id, look_id)
    workshop.record.looks.delete(look_id, revision=revision)


@router.get(
    "/{id}/looks/{look_id}/revisions",
    summary="What stood before each change of a look",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def look_revisions(workshop: TheWorkshop, id: EntryId, look_id: LookId) -> list[Revision]:
    """Oldest first; also of a deleted look."""
    found = workshop.record.looks.revisions(look_id)
    if found and found[-1].before["soak"] != id:
        raise _no_such_look(id, look_id)
    return found


def _check_belongs(workshop: TheWorkshop, soak_id: int, look_id: int) -> None:
    if workshop.record.looks.get(look_id).entry.soak != soak_id:
        raise _no_such_look(soak_id, look_id)


def _no_such_look(soak_id: int, look_id: int) -> NotFoundError:
    return NotFoundError(
        f"look {look_id} was not taken in soak {soak_id}",
        where="look",
        remedy="List the looks of the run and take its id.",
    )
