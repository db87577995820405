"""/api/fixtures and /api/gauges: what the break bench holds pieces in and reads loads with."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Request, Response

from api.problems import problems
from api.record import Fixture, Gauge
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Patch, TheWorkshop
from api.routes.shapes import FIXTURE, GAUGE, FixtureOnRecord, GaugeOnRecord

router = APIRouter()

_fixtures = APIRouter(prefix="/api/fixtures", tags=["Break bench"])
_gauges = APIRouter(prefix="/api/gauges", tags=["Break bench"])


@_fixtures.get("", summary="List the fixtures", responses=problems())
def list_fixtures(workshop: TheWorkshop) -> list[FixtureOnRecord]:
    """By name."""
    return [asking.on_record(FixtureOnRecord, kept) for kept in workshop.record.fixtures.all()]


@_fixtures.post(
    "",
    summary="Put a fixture on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_fixture(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    fixture: Annotated[Fixture, Body(examples=[FIXTURE])],
    key: Key = None,
) -> FixtureOnRecord:
    """Lengths in mm; leave out what is not known: then loads are told and no stress."""
    kept = workshop.record.fixtures.add(fixture, key=key)
    asking.made(request, response, kept)
    return asking.on_record(FixtureOnRecord, kept)


@_fixtures.get("/{id}", summary="Get a fixture", responses=problems(HTTPStatus.NOT_FOUND))
def get_fixture(workshop: TheWorkshop, response: Response, id: EntryId) -> FixtureOnRecord:
    """One fixture, its revision as ETag."""
    kept = workshop.record.fixtures.get(id)
    asking.tag(response, kept)
    return asking.on_record(FixtureOnRecord, kept)


@_fixtures.patch(
    "/{id}",
    summary="Correct a fixture",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Fixture, span_mm=80),
)
def correct_fixture(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> FixtureOnRecord:
    """The stress of every test in it follows. What stood before is kept."""
    kept = asking.corrected(workshop, workshop.record.fixtures, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(FixtureOnRecord, kept)


@_fixtures.delete(
    "/{id}",
    summary="Delete a fixture that nothing uses",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_fixture(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while break tests name it; what stood there is kept."""
    workshop.record.fixtures.delete(id, revision=revision)


@_fixtures.get(
    "/{id}/revisions",
    summary="What stood before each change of a fixture",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def fixture_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted fixture."""
    return workshop.record.fixtures.revisions(id)


@_gauges.get("", summary="List the gauges", responses=problems())
def list_gauges(workshop: TheWorkshop) -> list[GaugeOnRecord]:
    """By name."""
    return [asking.on_record(GaugeOnRecord, kept) for kept in workshop.record.gauges.all()]


@_gauges.post(
    "",
    summary="Put a gauge on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_gauge(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    gauge: Annotated[Gauge, Body(examples=[GAUGE])],
    key: Key = None,
) -> GaugeOnRecord:
    """Its limit is the highest load that it can read, in N, kgf or lbf."""
    kept = workshop.record.gauges.add(gauge, key=key)
    asking.made(request, response, kept)
    return asking.on_record(GaugeOnRecord, kept)


@_gauges.get("/{id}", summary="Get a gauge", responses=problems(HTTPStatus.NOT_FOUND))
def get_gauge(workshop: TheWorkshop, response: Response, id: EntryId) -> GaugeOnRecord:
    """One gauge, its revision as ETag."""
    kept = workshop.record.gauges.get(id)
    asking.tag(response, kept)
    return asking.on_record(GaugeOnRecord, kept)


@_gauges.patch(
    "/{id}",
    summary="Correct a gauge",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Gauge, limit={"value": 500, "unit": "N"}),
)
def correct_gauge(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> GaugeOnRecord:
    """A limit below a load that was read on it is refused. What stood before is kept."""
    kept = asking.corrected(workshop, workshop.record.gauges, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(GaugeOnRecord, kept)


@_gauges.delete(
    "/{id}",
    summary="Delete a gauge that nothing uses",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_gauge(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while break tests name it; what stood there is kept."""
    workshop.record.gauges.delete(id, revision=revision)


@_gauges.get(
    "/{id}/revisions",
    summary="What stood before each change of a gauge",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def gauge_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted gauge."""
    return workshop.record.gauges.revisions(id)


router.include_router(_fixtures)
router.include_router(_gauges)
