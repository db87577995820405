"""/api/prints/{id}/unusual: what was unusual about one print, without blaming anything."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter

from api.causes.unusual import PrintOnItsOwn
from api.causes_answers import unusual_answer
from api.problems import problems
from api.routes.asking import EntryId, Now, TheWorkshop

router = APIRouter(prefix="/api/prints", tags=["Prints"])


@router.get(
    "/{id}/unusual",
    summary="What was unusual about a print?",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def unusual(workshop: TheWorkshop, now: Now, id: EntryId) -> PrintOnItsOwn | None:
    """Each condition against the good prints of the same resin and settings, oddest first.

    The distance counts robust standard deviations from their median. Unusual does not mean
    guilty. null until a part of the print was looked at.
    """
    return unusual_answer(workshop, id, now)
