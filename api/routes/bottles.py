"""/api/bottles: the bottles of resin on record."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Query, Request, Response

from api.prints import MOST_ID
from api.problems import problems
from api.record import Bottle
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Page, Patch, TheWorkshop
from api.routes.shapes import BOTTLE, BottleOnRecord

router = APIRouter(prefix="/api/bottles", tags=["Bottles"])


@router.get("", summary="List the bottles", responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY))
def list_bottles(
    workshop: TheWorkshop,
    page: Page,
    resin: Annotated[int | None, Query(ge=1, le=MOST_ID, description="Id of a resin.")] = None,
    emptied: Annotated[bool | None, Query(description="Whether they are empty.")] = None,
) -> list[BottleOnRecord]:
    """By resin, the oldest first."""
    found = workshop.record.bottles.which(resin=resin, emptied=emptied)
    return [asking.on_record(BottleOnRecord, kept) for kept in page.of(found)]


@router.post(
    "",
    summary="Put a bottle on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_bottle(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    bottle: Annotated[Bottle, Body(examples=[BOTTLE])],
    key: Key = None,
) -> BottleOnRecord:
    """A bottle holds one resin; times are when it was opened, last mixed and emptied."""
    kept = workshop.record.bottles.add(bottle, key=key)
    asking.made(request, response, kept)
    return asking.on_record(BottleOnRecord, kept)


@router.get("/{id}", summary="Get a bottle", responses=problems(HTTPStatus.NOT_FOUND))
def get_bottle(workshop: TheWorkshop, response: Response, id: EntryId) -> BottleOnRecord:
    """One bottle, its revision as ETag."""
    kept = workshop.record.bottles.get(id)
    asking.tag(response, kept)
    return asking.on_record(BottleOnRecord, kept)


@router.patch(
    "/{id}",
    summary="Correct a bottle",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Bottle, mixed="2026-01-14T18:50:00Z"),
)
def correct_bottle(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> BottleOnRecord:
    """What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.bottles, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(BottleOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Delete a bottle that nothing uses",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_bottle(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while prints were made from it; what stood there is kept."""
    workshop.record.bottles.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a bottle",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def bottle_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted bottle."""
    return workshop.record.bottles.revisions(id)
