"""/api/soaks/{id}/interventions: specimens taken out, programs edited, remarks."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Path, Request, Response

from api.checked import checked
from api.prints import MOST_ID
from api.problems import problems
from api.record import Kept, LoggedIntervention
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Now, Patch, TheWorkshop
from api.routes.shapes import INTERVENTION, InterventionOnRecord
from api.soak.interventions import Intervention
from api.soak_answers import check_intervention
from collector.errors import NotFoundError

router = APIRouter(prefix="/api/soaks/{id}/interventions", tags=["Soak bench"])

InterventionId = Annotated[
    int, Path(ge=1, le=MOST_ID, description="Id of the intervention.", examples=[1])
]


@router.get("", summary="List the interventions", responses=problems(HTTPStatus.NOT_FOUND))
def list_interventions(workshop: TheWorkshop, id: EntryId) -> list[InterventionOnRecord]:
    """What was done to a run, by the time it was done."""
    workshop.record.soaks.get(id)
    found = workshop.record.interventions.of(id)
    return [asking.on_record(InterventionOnRecord, kept) for kept in found]


@router.post(
    "",
    summary="Log an intervention",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_intervention(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    now: Now,
    id: EntryId,
    done: Annotated[Intervention, Body(examples=[INTERVENTION])],
    key: Key = None,
) -> InterventionOnRecord:
    """Take one specimen out, edit the program from that moment on, or leave a remark.

    A program may not change or drop a step that was done. A dwell goes on under it where the
    band stays as it was, and starts again where it does not.
    """
    with workshop.record.transaction():
        workshop.record.soaks.get(id)
        entry = LoggedIntervention(**dict(done), soak=id)
        if key is None or workshop.record.interventions.made_with_key(key) is None:
            check_intervention(workshop, entry, now)
        kept = workshop.record.interventions.add(entry, key=key)
    asking.made(request, response, kept)
    return asking.on_record(InterventionOnRecord, kept)


@router.patch(
    "/{intervention_id}",
    summary="Correct an intervention",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Intervention, time="2026-01-14T21:02:00Z"),
)
def correct_intervention(
    workshop: TheWorkshop,
    response: Response,
    now: Now,
    id: EntryId,
    intervention_id: InterventionId,
    patch: Patch,
    revision: asking.Revision,
) -> InterventionOnRecord:
    """What stood before is kept among its revisions."""
    with workshop.record.transaction():
        before = _of_run(workshop, id, intervention_id)
        merged = asking.merge(before.entry.model_dump(mode="json"), patch)
        entry = checked(LoggedIntervention, {**merged, "soak": id})
        check_intervention(workshop, entry, now, instead_of=intervention_id)
        kept = workshop.record.interventions.change(intervention_id, entry, revision=revision)
    asking.tag(response, kept)
    return asking.on_record(InterventionOnRecord, kept)


@router.delete(
    "/{intervention_id}",
    summary="Delete an intervention",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_intervention(
    workshop: TheWorkshop, id: EntryId, intervention_id: InterventionId, revision: asking.Revision
) -> None:
    """What stood there is kept among its revisions."""
    _of_run(workshop, id, intervention_id)
    workshop.record.interventions.delete(intervention_id, revision=revision)


@router.get(
    "/{intervention_id}/revisions",
    summary="What stood before each change of an intervention",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def intervention_revisions(
    workshop: TheWorkshop, id: EntryId, intervention_id: InterventionId
) -> list[Revision]:
    """Oldest first; also of a deleted intervention."""
    found = workshop.record.interventions.revisions(intervention_id)
    if found and found[-1].before["soak"] != id:
        raise _not_in_run(id, intervention_id)
    return found


def _of_run(workshop: TheWorkshop, soak_id: int, intervention_id: int) -> Kept[LoggedIntervention]:
    kept = workshop.record.interventions.get(intervention_id)
    if kept.entry.soak != soak_id:
        raise _not_in_run(soak_id, intervention_id)
    return kept


def _not_in_run(soak_id: int, intervention_id: int) -> NotFoundError:
    return NotFoundError(
        f"intervention {intervention_id} was not made in soak {soak_id}",
        where="intervention",
        remedy="List the interventions of the run and take its id.",
    )
