"""/api/record: the whole record as one document, and back."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Response

from api.problems import problems
from api.record.whole import FORM, WholeRecord, everything, put_back
from api.routes.asking import TheWorkshop

router = APIRouter(prefix="/api/record", tags=["Record"])


@router.get("", summary="Export the whole record", responses=problems())
def export_record(workshop: TheWorkshop, response: Response) -> WholeRecord:
    """Everything on record by kind, and what stood before each change, as one document.

    Readings and the pictures of photographs are not in it.
    """
    response.headers["Content-Disposition"] = 'attachment; filename="record.json"'
    return everything(workshop.record)


@router.post(
    "",
    summary="Put a whole record back",
    responses=problems(
        HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY, HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    ),
)
def import_record(
    workshop: TheWorkshop,
    whole: Annotated[WholeRecord, Body(examples=[{"form": FORM, "entries": {}}])],
) -> dict[str, int]:
    """Into an empty record only: everything with its id and revision, or nothing at all.

    Gives how many entries of each kind were put back.
    """
    return dict(put_back(workshop.record, whole))
