"""/api/breaks: break tests, and their groups compared."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Query, Request, Response
from pydantic import Field

from api.break_answers import BreakRow, Comparison, break_rows, compared_breaks, said_of
from api.break_groups import BreakGroup, BreakGroups, GroupBy, Measure
from api.likelihood import Interval
from api.prints import MOST_ID, Frozen
from api.problems import problems
from api.record import BreakTest, Kept, break_cursor
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Now, Patch, TheWorkshop
from api.routes.shapes import BREAK, BreakOnRecord, BreakPage, SoakingShape, sent

router = APIRouter(prefix="/api/breaks", tags=["Break bench"])

Id = Annotated[int | None, Query(ge=1, le=MOST_ID)]


def shape_of(row: BreakRow) -> BreakOnRecord:
    """A break test with what is told of its piece."""
    note = row.stress or row.limit_stress
    return asking.on_record(
        BreakOnRecord,
        row.kept,
        load_n=row.load_n,
        limit_n=row.limit_n,
        said=said_of(row),
        stress_mpa=None if row.stress is None else row.stress.stress_mpa,
        stress_note="" if note is None else note.note,
        age_days=row.age_days,
        soakings=tuple(sent(SoakingShape, one) for one in row.soakings),
    )


def _shown(workshop: TheWorkshop, kept: Kept[BreakTest], now: Now) -> BreakOnRecord:
    (row,) = break_rows(workshop, [kept], now)
    return shape_of(row)


@router.get(
    "",
    summary="List break tests, newest first",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def list_breaks(
    workshop: TheWorkshop,
    now: Now,
    resin: Id = None,
    fixture: Id = None,
    of_print: Annotated[int | None, Query(alias="print", ge=1, le=MOST_ID)] = None,
    limit: Annotated[int, Query(ge=1, le=500, description="Tests on a page.")] = 100,
    cursor: Annotated[str | None, Query(description="`next` of the page before.")] = None,
) -> BreakPage:
    """Give `next` as `cursor` until it is null."""
    found = workshop.record.breaks.newest(
        limit + 1, resin=resin, fixture=fixture, print_id=of_print, before=cursor
    )
    page = found[:limit]
    return BreakPage(
        breaks=tuple(shape_of(row) for row in break_rows(workshop, page, now)),
        next=break_cursor(page[-1]) if len(found) > limit else None,
    )


@router.post(
    "",
    summary="Put a break test on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_break(
    workshop: TheWorkshop,
    now: Now,
    request: Request,
    response: Response,
    test: Annotated[BreakTest, Body(examples=[BREAK])],
    key: Key = None,
) -> BreakOnRecord:
    """A piece that did not break at the gauge's limit has the outcome `no_break_at_the_limit`.

    It has no load then, here or anywhere. Breaking pieces fly: eye protection, gloves, a guard.
    """
    kept = workshop.record.breaks.add(test, key=key)
    asking.made(request, response, kept)
    return _shown(workshop, kept, now)


# ---- groups compared --------------------------------------------------------------------------


class IntervalShape(Frozen):
    """A 95 % interval; an end that the pieces do not bound is null."""

    low: float | None
    high: float | None


class BreakGroupShape(Frozen):
    """One group of pieces; the median and what bounds it in `unit` of the answer."""

    name: str
    pieces_n: int
    broken_n: int
    held_n: int = Field(description="Pieces that bore the gauge's limit unbroken.")
    held_share: float = Field(
        description="Least share of such pieces that would hold it, 95 % confidence."
    )
    median: float | None
    interval: IntervalShape | None
    refusal: str | None
    modulus: float | None = Field(description="Weibull modulus, from 5 broken pieces on.")
    modulus_interval: IntervalShape | None
    tests: tuple[int, ...] = Field(description="Ids of the break tests in it.")


class RatioShape(Frozen):
    """`second` breaks at `ratio` times the load of `first`."""

    first: str
    second: str
    ratio: float
    interval: IntervalShape
    p_holm: float
    told_apart: bool


class BreakGroupsShape(Frozen):
    """Groups compared, in words first."""

    by: GroupBy
    measure: Measure
    unit: str
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]
    groups: tuple[BreakGroupShape, ...]
    ratios: tuple[RatioShape, ...]
    left_out: Mapping[str, int]
    method: str


@router.get(
    "/groups",
    summary="Compare groups of broken pieces",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def compare_breaks(
    workshop: TheWorkshop,
    now: Now,
    fixture: Annotated[int, Query(ge=1, le=MOST_ID, description="Loads compare in one only.")],
    by: GroupBy = GroupBy.RESIN,
    measure: Measure = Measure.LOAD,
    resin: Id = None,
    soaked: Annotated[bool | None, Query(description="Only pieces that were, or not.")] = None,
) -> BreakGroupsShape:
    """Median break loads with intervals, and their ratios; pieces that held are censored."""
    asked = Comparison(fixture, by, measure, resin, soaked)
    return _groups_shape(compared_breaks(workshop, asked, now)[0])


def _groups_shape(found: BreakGroups) -> BreakGroupsShape:
    return sent(
        BreakGroupsShape,
        found,
        groups=tuple(_group_shape(group) for group in found.groups),
        ratios=tuple(
            sent(RatioShape, ratio, interval=_interval(ratio.interval), told_apart=ratio.flagged)
            for ratio in found.ratios
        ),
    )


def _group_shape(group: BreakGroup) -> BreakGroupShape:
    median, scatter = group.median, group.scatter
    bounds = None if scatter is None else Interval(scatter.shape_low, scatter.shape_high)
    return BreakGroupShape(
        name=group.name,
        pieces_n=median.parts,
        broken_n=median.broken,
        held_n=median.held,
        held_share=median.held_share,
        median=median.median_n,
        interval=median.interval_n and _interval(median.interval_n),
        refusal=median.refusal,
        modulus=None if scatter is None else scatter.shape,
        modulus_interval=bounds and _interval(bounds),
        tests=tuple(piece.id for piece in group.pieces),
    )


def _interval(bounds: Interval) -> IntervalShape:
    return IntervalShape(low=bounds.low, high=bounds.high)


# ---- one test ---------------------------------------------------------------------------------


@router.get("/{id}", summary="Get a break test", responses=problems(HTTPStatus.NOT_FOUND))
def get_break(workshop: TheWorkshop, now: Now, response: Response, id: EntryId) -> BreakOnRecord:
    """One test, its revision as ETag."""
    kept = workshop.record.breaks.get(id)
    asking.tag(response, kept)
    return _shown(workshop, kept, now)


@router.patch(
    "/{id}",
    summary="Correct a break test",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(BreakTest, outcome="no_break_at_the_limit", load=None),
)
def correct_break(
    workshop: TheWorkshop,
    now: Now,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> BreakOnRecord:
    """What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.breaks, id, patch, revision)
    asking.tag(response, kept)
    return _shown(workshop, kept, now)


@router.delete(
    "/{id}",
    summary="Take a break test off the record",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_break(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while photographs show it; what stood there is kept."""
    workshop.record.breaks.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a break test",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def break_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted test."""
    return workshop.record.breaks.revisions(id)
