"""/api/prints/import and /export: tables of prints, all of one or nothing."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.problems import Fault, Problem, problems, response_of
from api.record.table_export import prints_as_table
from api.record.table_import import FIELDS, PART, Imported, Mapped, import_prints
from api.routes.asking import TheWorkshop
from api.routes.causes import Unit
from collector.errors import InvalidError
from collector.recording import time_zone

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
            description=f"HEADER=field for each column that is used. Fields: {', '.join(FIELDS)}, "
            f"and {PART}NAME for the outcome of a part.",
            examples=[["Date=start", "Vat=logged_vat", "Failed=failed"]],
            max_length=200,
        ),
    ] = [],  # noqa: B006 (never changed)
    own: Annotated[
        bool, Query(description="The table is one that `/api/prints/export` gave.")
    ] = False,
    temperature_unit: Annotated[Unit, Query(description="Unit of `logged_vat`.")] = Unit.CELSIUS,
    resin: Annotated[str | None, Query(description="Resin where no column names it.")] = None,
    machine: Annotated[str | None, Query(description="Machine where no column names it.")] = None,
    zone: Annotated[
        str | None,
        Query(
            description="Zone of times that name none, such as Europe/Berlin; without it they "
            "are refused.",
            examples=["UTC"],
        ),
    ] = None,
    decimal_comma: Annotated[
        bool, Query(description="Numbers are written with a comma: 18,5.")
    ] = False,
    make: Annotated[
        bool, Query(description="Make resins, machines, plates and bottles that are missing.")
    ] = False,
) -> Mapped:
    if own:
        if column or resin or machine:
            raise InvalidError(
                "a table of ours names everything itself",
                where="own",
                remedy="Leave out column, resin and machine, or own.",
            )
        return Mapped.own(make=make)
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
    return Mapped(
        columns,
        fahrenheit=fahrenheit,
        resin=resin,
        machine=machine,
        make=make,
        zone=None if zone is None else time_zone(zone),
        decimal_comma=decimal_comma,
    )


@router.get(
    "/export",
    summary="Export the prints as a table",
    response_class=Response,
    responses={
        **problems(),
        200: {
            "description": "A CSV in UTF-8.",
            "content": {"text/csv": {"example": "start,end\n"}},
        },
    },
)
def export_table(workshop: TheWorkshop) -> Response:
    """Every print by start, with its settings, parts and afterwork, as a CSV for a spreadsheet.

    Sent back to `/api/prints/import?own=true` it gives the same prints.
    """
    headers = {"Content-Disposition": 'attachment; filename="prints.csv"'}
    text = prints_as_table(workshop.record)
    return Response(text, media_type="text/csv; charset=utf-8", headers=headers)


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
    """A CSV with a header; commas, semicolons or tabs part its cells.

    Every row is put on record, or none when any row is at fault;
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
