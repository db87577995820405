"""/api/machines/{id}/readiness: may a print be started? Advice only; nothing is started."""

from __future__ import annotations

from http import HTTPStatus

from fastapi import APIRouter

from api.problems import problems
from api.readiness import Readiness
from api.readiness_answers import readiness_of
from api.routes.asking import EntryId, Now, TheWorkshop

router = APIRouter(prefix="/api/machines", tags=["Machines"])


@router.get("/{id}/readiness", summary="May I start?", responses=problems(HTTPStatus.NOT_FOUND))
def readiness(workshop: TheWorkshop, now: Now, id: EntryId) -> Readiness:
    """Vat now and its trend, the limit, when it will be reached, and the risk now and then.

    The limit is the log's, or the owner's own until there is one. A forecast is refused where
    one exponential does not fit the warming so far, or ends below the limit.
    """
    return readiness_of(workshop, id, now)
