"""/api/prints/import: a table of past prints, all of it or nothing."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.problems import Fault, Problem, problems, response_of
from api.record.table_import import FIELDS, Imported, Mapped, import_prints
from api.routes.asking import TheWorkshop
from api.routes.causes import Unit
from collector.errors import InvalidError

router = APIRouter(prefix="/api/prints", tags=["Prints"])

_BODY = {
    "requestBody": {
        "required": True,
        "content": {
            "text/csv": {
                "schema": {"type": "string"},
                "example": "Date,Vat,Failed\n2026-01-14T19:30:00Z,18.5,1\n",
            }
        },
    }
}


def _mapped(
    column: Annotated[
        list[str],
        Query(
            description=f"HEADER=field for each column that is used. Fields: {', '.join(FIELDS)}.",
            examples=[["Date=start", "Vat=logged_vat", "Failed=failed"]],
            min_length=1,
            max_length=50,
        ),
    ],
    temperature_unit: Annotated[Unit, Query(description="Unit of `logged_vat`.")] = Unit.CELSIUS,
    resin: Annotated[str | None, Query(description="Resin where no column names it.")] = None,
    machine: Annotated[str | None, Query(description="Machine where no column names it.")] = None,
    make: Annotated[bool, Query(description="Make resins and machines that are missing.")] = False,
) -> Mapped:
    pairs = [one.rpartition("=") for one in column]
    for header, equals, _ in pairs:
        if not (header and equals):
            raise InvalidError(
                "a column is given as HEADER=field", where="column", remedy="Such as Date=start."
            )
    columns = {header: name for header, _, name in pairs}
    if len(columns) != len(pairs):
        raise InvalidError(
            "a column is mapped twice", where="column", remedy="Map each column once."
        )
    fahrenheit = temperature_unit is Unit.FAHRENHEIT
    return Mapped(columns, fahrenheit=fahrenheit, resin=resin, machine=machine, make=make)


@router.post(
    "/import",
    response_model=Imported,
    summary="Import a table of past prints",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY, HTTPStatus.REQUEST_ENTITY_TOO_LARGE),
    openapi_extra=_BODY,
)
async def import_table(
    workshop: TheWorkshop,
    request: Request,
    mapped: Annotated[Mapped, Depends(_mapped)],
    dry_run: Annotated[bool, Query(description="Find the faults and keep nothing.")] = False,
) -> Imported | Response:
    """A CSV with a header. Every row is put on record, or none when any row is at fault;
    the faults are listed by row (the header is row 1). A print with a start that is on record
    already is a fault, so the same table is never taken twice.
    """
    try:
        text = (await request.body()).decode("utf-8")
    except UnicodeDecodeError as error:
        raise InvalidError(
            "the text is not UTF-8",
            where=f"byte {error.start}",
            remedy="Save the table as CSV in UTF-8.",
        ) from None
    found = await run_in_threadpool(import_prints, workshop.record, text, mapped, dry_run=dry_run)
    return found if dry_run or not found.faults else response_of(_refused(found))


def _refused(found: Imported) -> Problem:
    """Every row that is at fault; nothing was kept."""
    return Problem(
        type="urn:vatside:invalid",
        title="Nothing was imported",
        status=HTTPStatus.UNPROCESSABLE_ENTITY,
        detail=f"{found.faults_n} of {found.rows_n} rows are at fault, so none was taken",
        where="body",
        remedy="Correct these rows and send the whole table again.",
        faults=[
            Fault(
                where=f"row {fault.row}" + (f", {fault.field}" if fault.field else ""),
                detail=fault.what,
                remedy=fault.remedy,
            )
            for fault in found.faults
        ],
    )
