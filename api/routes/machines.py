"""/api/machines: the machines on record, with the sensors that belong to them."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Request, Response

from api.problems import problems
from api.record.entries import Machine, Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Page, Patch, TheWorkshop
from api.routes.shapes import MACHINE, MachineOnRecord

router = APIRouter(prefix="/api/machines", tags=["Machines"])


@router.get("", summary="List the machines", responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY))
def list_machines(workshop: TheWorkshop, page: Page) -> list[MachineOnRecord]:
    """Every machine, by name, with its channels and their dates."""
    found = page.of(workshop.record.machines.all())
    return [asking.on_record(MachineOnRecord, kept) for kept in found]


@router.post(
    "",
    summary="Put a machine on record",
    status_code=HTTPStatus.CREATED,
    responses=problems(HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def add_machine(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    machine: Annotated[Machine, Body(examples=[MACHINE])],
    key: Key = None,
) -> MachineOnRecord:
    """A sensor belongs to one machine at a time: links have dates, because sensors move."""
    kept = workshop.record.machines.add(machine, key=key)
    asking.made(request, response, kept)
    return asking.on_record(MachineOnRecord, kept)


@router.get("/{id}", summary="Get a machine", responses=problems(HTTPStatus.NOT_FOUND))
def get_machine(workshop: TheWorkshop, response: Response, id: EntryId) -> MachineOnRecord:
    """One machine, its revision as ETag."""
    kept = workshop.record.machines.get(id)
    asking.tag(response, kept)
    return asking.on_record(MachineOnRecord, kept)


@router.patch(
    "/{id}",
    summary="Correct a machine",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Machine, note="serviced"),
)
def correct_machine(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> MachineOnRecord:
    """What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.machines, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(MachineOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Delete a machine without prints",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_machine(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """Refused while prints ran on it; what stood there is kept."""
    workshop.record.machines.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a machine",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def machine_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted machine."""
    return workshop.record.machines.revisions(id)
