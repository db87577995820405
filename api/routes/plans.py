"""/api/causes/plans: accepted rounds of prints, with what was drawn and what was started."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Request, Response
from pydantic import ConfigDict, Field
from pydantic.config import JsonDict

from api.causes.next_prints import REACH_C
from api.plan_answers import Acceptance, accept_plan
from api.prints import MOST_ID, Frozen
from api.problems import problems
from api.record import Plan, Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Now, Patch, TheWorkshop
from api.routes.shapes import EVENING, ON_RECORD, OnRecord

router = APIRouter(prefix="/api/causes/plans", tags=["Causes"])

PLAN: JsonDict = {
    "accepted": EVENING,
    "machine": 1,
    "resin": 1,
    "round_n": 1,
    "rows": [
        {"arm": "warm", "start_c": 24, "print": 61},
        {"arm": "cold", "start_c": 17, "print": None},
    ],
    "level": 0.2,
    "width_now_c": 9.5,
    "width_after_c": 6.1,
    "failures_expected": 1.4,
    "method": "least expected width",
    "version": "1",
    "fingerprint": "0123456789abcdef",
    "seed": 2872137145,
    "withdrawn": False,
    "note": "",
}


class PlanOnRecord(Plan, OnRecord):
    """An accepted plan on record."""

    model_config = ConfigDict(json_schema_extra={"example": {**PLAN, **ON_RECORD}})


class AcceptanceShape(Frozen):
    """Which plan is accepted, for which machine and resin."""

    machine: int = Field(ge=1, le=MOST_ID)
    resin: int = Field(ge=1, le=MOST_ID)
    level: float = Field(0.2, ge=0.05, le=0.5)
    coldest_c: float = Field(REACH_C[0], ge=-20, le=80)
    warmest_c: float = Field(REACH_C[1], ge=-20, le=80)
    fingerprint: str | None = Field(
        None, max_length=64, description="The suggestion's; 409 when the log has changed since."
    )


@router.get("", summary="List the accepted plans", responses=problems())
def list_plans(workshop: TheWorkshop) -> list[PlanOnRecord]:
    """By round; a row without a print is still to be started."""
    return [asking.on_record(PlanOnRecord, kept) for kept in workshop.record.plans.all()]


@router.post(
    "",
    summary="Accept the next prints as a plan",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def accept(
    workshop: TheWorkshop,
    now: Now,
    request: Request,
    response: Response,
    acceptance: Annotated[AcceptanceShape, Body(examples=[{"machine": 1, "resin": 1}])],
    key: Key = None,
) -> PlanOnRecord:
    """The six rows in the order that was drawn; start them in that order.

    Nothing is started by this: it is a list to print from.
    """
    wanted = Acceptance(
        machine=acceptance.machine,
        resin=acceptance.resin,
        level=acceptance.level,
        reach_c=(acceptance.coldest_c, acceptance.warmest_c),
        fingerprint=acceptance.fingerprint,
    )
    kept = accept_plan(workshop, now, wanted, key=key)
    asking.made(request, response, kept)
    return asking.on_record(PlanOnRecord, kept)


@router.get("/{id}", summary="Get a plan", responses=problems(HTTPStatus.NOT_FOUND))
def get_plan(workshop: TheWorkshop, response: Response, id: EntryId) -> PlanOnRecord:
    """One plan, its revision as ETag."""
    kept = workshop.record.plans.get(id)
    asking.tag(response, kept)
    return asking.on_record(PlanOnRecord, kept)


@router.patch(
    "/{id}",
    summary="Withdraw a plan, or link its prints",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Plan, withdrawn=True),
)
def correct_plan(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> PlanOnRecord:
    """Prints of rows, note and withdrawal can change; what was drawn stays as it was drawn."""
    kept = asking.corrected(workshop, workshop.record.plans, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(PlanOnRecord, kept)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a plan",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def plan_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first."""
    return workshop.record.plans.revisions(id)
