"""/api/prints: the print log, the conditions of each print, and the import of an old log."""

from __future__ import annotations

from collections.abc import Sequence
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Query, Request, Response
from pydantic import Field

from api import answers
from api.marks import Counted
from api.print_answers import phases_now, plan_for, remarks_on
from api.print_conditions import LEAST_COVERAGE
from api.prints import MOST_ID, FailureMode, Outcome, Print
from api.problems import problems
from api.record import Kept, PrintFilter, cursor_of
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import CountedQuery, EntryId, Key, Now, Patch, Since, TheWorkshop, Until
from api.routes.conditions_shape import ConditionsShape, shape_of
from api.routes.phases_shape import PLAN, PhasesShape, PlanAsked, PlanShape
from api.routes.shapes import PRINT, CostShape, PrintOnRecord, PrintPage, sent

router = APIRouter(prefix="/api/prints", tags=["Prints"])

#: A limit of the vat's temperature [°C].
Limit = Annotated[float | None, Field(ge=-50, le=100, allow_inf_nan=False)]


def prints_on_record(workshop: TheWorkshop, kept: Sequence[Kept[Print]]) -> list[PrintOnRecord]:
    """Prints in the shape they are sent in, with the remarks on them."""
    remarks = remarks_on(workshop, [one.entry for one in kept])
    return [
        asking.on_record(
            PrintOnRecord, one, warnings=about.warnings, cost=sent(CostShape, about.cost)
        )
        for one, about in zip(kept, remarks, strict=True)
    ]


def print_on_record(workshop: TheWorkshop, kept: Kept[Print]) -> PrintOnRecord:
    """One print in the shape it is sent in."""
    return prints_on_record(workshop, [kept])[0]


@router.get(
    "",
    summary="List prints, newest first",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def list_prints(
    workshop: TheWorkshop,
    resin: Annotated[int | None, Query(ge=1, le=MOST_ID, description="Id of a resin.")] = None,
    machine: Annotated[int | None, Query(ge=1, le=MOST_ID, description="Id of a machine.")] = None,
    bottle: Annotated[int | None, Query(ge=1, le=MOST_ID, description="Id of a bottle.")] = None,
    plate: Annotated[int | None, Query(ge=1, le=MOST_ID, description="Id of a plate.")] = None,
    mode: Annotated[
        FailureMode | None, Query(description="A part failed or was flawed that way.")
    ] = None,
    outcome: Annotated[
        Outcome | None, Query(description="The worst outcome among the parts.")
    ] = None,
    looked: Annotated[
        bool | None, Query(description="Whether any part was looked at.", examples=[True])
    ] = None,
    since: Since = None,
    until: Until = None,
    limit: Annotated[int, Query(ge=1, le=500, description="Prints on a page.")] = 50,
    cursor: Annotated[str | None, Query(description="`next` of the page before.")] = None,
) -> PrintPage:
    """Page by page: give `next` as `cursor` until it is null."""
    only = PrintFilter(
        resin=resin,
        machine=machine,
        bottle=bottle,
        plate=plate,
        mode=mode,
        outcome=outcome,
        looked=looked,
        since=since,
        until=until,
    )
    found = workshop.record.prints.newest(limit + 1, only=only, before=cursor)
    page = found[:limit]
    return PrintPage(
        prints=tuple(prints_on_record(workshop, page)),
        count=workshop.record.prints.count(only),
        next=cursor_of(page[-1]) if len(found) > limit else None,
    )


@router.post(
    "",
    summary="Put a print on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_print(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    plate: Annotated[Print, Body(examples=[PRINT])],
    key: Key = None,
) -> PrintOnRecord:
    """Leave `end` out while it runs. A part without an outcome has not been looked at yet."""
    kept = workshop.record.prints.add(plate, key=key)
    asking.made(request, response, kept)
    return print_on_record(workshop, kept)


@router.post(
    "/plan",
    summary="Plan how long a print will take",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def plan_print(
    workshop: TheWorkshop, now: Now, asked: Annotated[PlanAsked, Body(examples=[PLAN])]
) -> PlanShape:
    """From its settings, corrected by the machine's own history. Nothing is kept."""
    start = asked.start or now
    return sent(PlanShape, plan_for(workshop, asked.machine, asked.settings, start), start=start)


@router.get("/{id}", summary="Get a print", responses=problems(HTTPStatus.NOT_FOUND))
def get_print(workshop: TheWorkshop, response: Response, id: EntryId) -> PrintOnRecord:
    """One print, its revision as ETag."""
    kept = workshop.record.prints.get(id)
    asking.tag(response, kept)
    return print_on_record(workshop, kept)


@router.patch(
    "/{id}",
    summary="Correct a print",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(
        Print, end="2026-01-15T03:10:00Z", parts=[{"name": "lamp collar 1", "outcome": "good"}]
    ),
)
def correct_print(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> PrintOnRecord:
    """End it, tell its outcome, correct it. What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.prints, id, patch, revision)
    asking.tag(response, kept)
    return print_on_record(workshop, kept)


@router.delete(
    "/{id}",
    summary="Delete a print",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_print(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """What stood there is kept among its revisions."""
    workshop.record.prints.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a print",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def print_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted print."""
    return workshop.record.prints.revisions(id)


@router.get(
    "/{id}/phases",
    summary="The phases of a print",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def print_phases(workshop: TheWorkshop, now: Now, id: EntryId) -> PhasesShape:
    """First layers, transition and body, from its settings and its real duration.

    `overhead_s` is what the real duration implies on each layer beyond the settings;
    `sentence` says where settings and duration cannot both be true.
    """
    kept, phases = phases_now(workshop, id, now)
    return sent(PhasesShape, phases, print=kept.id)


@router.get(
    "/{id}/conditions",
    summary="What vat and room really did during a print",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def print_conditions(
    workshop: TheWorkshop,
    now: Now,
    id: EntryId,
    below: Annotated[Limit, Query(description="Count the vat's time below this [°C].")] = None,
    above: Annotated[Limit, Query(description="Count the vat's time above this [°C].")] = None,
    coverage: Annotated[
        float, Query(gt=0, le=1, description="Withhold figures where less was recorded.")
    ] = LEAST_COVERAGE,
    counted: CountedQuery = Counted.PLAUSIBLE,
) -> ConditionsShape:
    """Time-weighted over what was really recorded, in each window of the print.

    Figures are withheld, with the reason, where too little was recorded; nothing is computed
    across a gap. The vat's limits are the resin's printed temperatures, else 18 and 35 °C,
    unless given. `marked_out` says how many readings did not count for their marks; `vat`
    leaves out every doubtful one but late ones, whatever is counted. A print that runs is taken
    up to now.
    """
    found = answers.conditions_of(
        workshop,
        id,
        now,
        below_c=below,
        above_c=above,
        least_coverage=coverage,
        left_out=counted.left_out,
    )
    return shape_of(found)
