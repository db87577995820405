"""/api/prints/found: runs found in the printers' power, and the verdict on each."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Path, Query, Request, Response
from pydantic import Field

from api.found_prints import FoundPrints, accept_found, dismiss_found, found_prints
from api.prints import MOST_ID, Frozen, Print
from api.problems import problems
from api.record.entries import Note, Revision
from api.routes import asking
from api.routes.asking import EntryId, Now, Page, Patch, Since, TheWorkshop, Until
from api.routes.prints import print_on_record
from api.routes.shapes import DismissalOnRecord, PrintOnRecord

router = APIRouter(prefix="/api/prints/found", tags=["Prints found"])

Name = Annotated[
    str, Path(max_length=40, description="`name` of a found run.", examples=["1-1768419000000"])
]


class Dismissing(Frozen):
    """Why a run is not to be logged."""

    note: Note = Field("", examples=["levelled the plate"])


@router.get(
    "",
    summary="List the runs that wait for a verdict",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def list_found(
    workshop: TheWorkshop,
    now: Now,
    since: Since = None,
    until: Until = None,
    machine: Annotated[int | None, Query(ge=1, le=MOST_ID, description="Id of a machine.")] = None,
) -> FoundPrints:
    """Found in the power of machines with a power channel; the last week's unless `from` is given.

    A run that a print on record or a dismissal covers is not listed. Nothing is ever made of a
    gap in the record; `start_certain` and `end_certain` say where one lies at an end.
    """
    return found_prints(workshop, now, since=since, until=until, machine=machine)


@router.post(
    "/{found}/accept",
    summary="Put a found run on record as a print",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(
        Print, resin=1, parts=[{"name": "lamp collar 1", "outcome": "good"}]
    ),
)
def accept(
    workshop: TheWorkshop, now: Now, request: Request, response: Response, found: Name, patch: Patch
) -> PrintOnRecord:
    """Its machine and times come from the power; give the rest as for a print.

    Accepting it twice makes nothing twice.
    """
    kept = accept_found(workshop, found, asking.merge({}, patch), now)
    response.headers["Location"] = f"/api/prints/{kept.id}"
    asking.tag(response, kept)
    return print_on_record(workshop, kept)


@router.post(
    "/{found}/dismiss",
    summary="Dismiss a found run",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def dismiss(
    workshop: TheWorkshop,
    now: Now,
    response: Response,
    found: Name,
    why: Annotated[Dismissing, Body(examples=[{"note": "levelled the plate"}])],
) -> DismissalOnRecord:
    """It was no print to be logged: it is kept as dismissed and listed no more."""
    kept = dismiss_found(workshop, found, why.note, now)
    response.headers["Location"] = f"/api/prints/found/dismissed/{kept.id}"
    asking.tag(response, kept)
    return asking.on_record(DismissalOnRecord, kept)


@router.get(
    "/dismissed",
    summary="List the dismissed runs",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def list_dismissed(workshop: TheWorkshop, page: Page) -> list[DismissalOnRecord]:
    """By start."""
    found = page.of(workshop.record.dismissals.all())
    return [asking.on_record(DismissalOnRecord, kept) for kept in found]


@router.get(
    "/dismissed/{id}", summary="Get a dismissed run", responses=problems(HTTPStatus.NOT_FOUND)
)
def get_dismissed(workshop: TheWorkshop, response: Response, id: EntryId) -> DismissalOnRecord:
    """One dismissal, its revision as ETag."""
    kept = workshop.record.dismissals.get(id)
    asking.tag(response, kept)
    return asking.on_record(DismissalOnRecord, kept)


@router.delete(
    "/dismissed/{id}",
    summary="Take a dismissal back",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_dismissed(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """The run waits for a verdict again; that it was dismissed is kept."""
    workshop.record.dismissals.delete(id, revision=revision)


@router.get(
    "/dismissed/{id}/revisions",
    summary="What stood before each change of a dismissal",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def dismissed_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of one that was taken back."""
    return workshop.record.dismissals.revisions(id)
