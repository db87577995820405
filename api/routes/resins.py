"""/api/resins: the resins on record."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Request, Response

from api.problems import problems
from api.record.entries import Resin, Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Page, Patch, TheWorkshop
from api.routes.shapes import RESIN, ResinOnRecord

router = APIRouter(prefix="/api/resins", tags=["Resins"])


@router.get("", summary="List the resins", responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY))
def list_resins(workshop: TheWorkshop, page: Page) -> list[ResinOnRecord]:
    """Every resin, by name."""
    return [asking.on_record(ResinOnRecord, kept) for kept in page.of(workshop.record.resins.all())]


@router.post(
    "",
    summary="Put a resin on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_resin(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    resin: Annotated[Resin, Body(examples=[RESIN])],
    key: Key = None,
) -> ResinOnRecord:
    """A name is given once, whatever its case."""
    kept = workshop.record.resins.add(resin, key=key)
    asking.made(request, response, kept)
    return asking.on_record(ResinOnRecord, kept)


@router.get("/{id}", summary="Get a resin", responses=problems(HTTPStatus.NOT_FOUND))
def get_resin(workshop: TheWorkshop, response: Response, id: EntryId) -> ResinOnRecord:
    """One resin, its revision as ETag."""
    kept = workshop.record.resins.get(id)
    asking.tag(response, kept)
    return asking.on_record(ResinOnRecord, kept)


@router.patch(
    "/{id}",
    summary="Correct a resin",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Resin, price_per_kg=34),
)
def correct_resin(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> ResinOnRecord:
    """What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.resins, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(ResinOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Delete a resin that nothing uses",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_resin(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while prints or specimens are of it; what stood there is kept."""
    workshop.record.resins.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a resin",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def resin_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted resin."""
    return workshop.record.resins.revisions(id)
