"""/api/plates: the plates on record, named sets of parts that are printed again."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Request, Response

from api.problems import problems
from api.record import Plate
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Page, Patch, TheWorkshop
from api.routes.shapes import PLATE, PlateOnRecord

router = APIRouter(prefix="/api/plates", tags=["Plates"])


@router.get("", summary="List the plates", responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY))
def list_plates(workshop: TheWorkshop, page: Page) -> list[PlateOnRecord]:
    """Every plate, by name."""
    return [asking.on_record(PlateOnRecord, kept) for kept in page.of(workshop.record.plates.all())]


@router.post(
    "",
    summary="Put a plate on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_plate(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    plate: Annotated[Plate, Body(examples=[PLATE])],
    key: Key = None,
) -> PlateOnRecord:
    """A name is given once. Copy its parts into each print of it; they get outcomes there."""
    kept = workshop.record.plates.add(plate, key=key)
    asking.made(request, response, kept)
    return asking.on_record(PlateOnRecord, kept)


@router.get("/{id}", summary="Get a plate", responses=problems(HTTPStatus.NOT_FOUND))
def get_plate(workshop: TheWorkshop, response: Response, id: EntryId) -> PlateOnRecord:
    """One plate, its revision as ETag."""
    kept = workshop.record.plates.get(id)
    asking.tag(response, kept)
    return asking.on_record(PlateOnRecord, kept)


@router.patch(
    "/{id}",
    summary="Correct a plate",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Plate, resin_ml=41),
)
def correct_plate(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> PlateOnRecord:
    """What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.plates, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(PlateOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Delete a plate that nothing uses",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_plate(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while prints are of it; what stood there is kept."""
    workshop.record.plates.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a plate",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def plate_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted plate."""
    return workshop.record.plates.revisions(id)
