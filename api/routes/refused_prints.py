"""/api/prints/refused: messages that were to put a print on record and made no sense."""

from __future__ import annotations

from datetime import datetime
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Body, Query
from pydantic import Field, JsonValue

from api.print_messages import take_refused
from api.prints import Frozen
from api.problems import problems
from api.record.refused_prints import KEPT_MOST_N, RefusedPrint, Settled
from api.routes.asking import EntryId, TheWorkshop
from api.routes.prints import print_on_record
from api.routes.shapes import PrintOnRecord

router = APIRouter(prefix="/api/prints/refused", tags=["Prints refused"])


class RefusedShape(Frozen):
    """A refused message; ``text`` is null where its bytes are no text."""

    id: int
    topic: str = Field(examples=["vatside/prints"])
    reason: str
    first: datetime
    last: datetime
    times_n: int = Field(description="How often the same message came.")
    bytes_n: int
    text: str | None
    hex: str = Field(description="Its bytes, at most 65,536 of them.")
    settled: Settled | None
    settled_at: datetime | None
    print: int | None = Field(description="What was put on record from it in the end.")


@router.get(
    "",
    summary="List the refused messages",
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
def list_refused(
    workshop: TheWorkshop,
    settled: Annotated[bool, Query(description="Those that were seen to as well.")] = False,
    limit: Annotated[int, Query(ge=1, le=KEPT_MOST_N)] = 100,
) -> list[RefusedShape]:
    """Messages on `vatside/prints` that could not be taken, newest first."""
    refused = workshop.record.refused_prints
    found = refused.all(limit) if settled else refused.waiting(limit)
    return [_shape(one) for one in found]


@router.post(
    "/{id}/take",
    summary="Take a refused message, corrected",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
)
def take(
    workshop: TheWorkshop,
    id: EntryId,
    message: Annotated[
        dict[str, JsonValue] | None,
        Body(
            description="The message as it should have been; nothing tries it as it came.",
            examples=[
                {
                    "key": "north-0142",
                    "machine": "North",
                    "resin": "Harbour Grey",
                    "start": "2026-01-14T19:30:00Z",
                }
            ],
        ),
    ] = None,
) -> PrintOnRecord:
    """Its print is put on record or corrected; refused again, it waits as before."""
    return print_on_record(workshop, take_refused(workshop.record, id, message))


@router.post(
    "/{id}/dismiss",
    summary="Dismiss a refused message",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def dismiss(workshop: TheWorkshop, id: EntryId) -> RefusedShape:
    """Nothing is put on record from it; it stays among those that were seen to."""
    return _shape(workshop.record.refused_prints.settle(id, Settled.DISMISSED))


def _shape(one: RefusedPrint) -> RefusedShape:
    try:
        text = one.payload.decode("utf-8")
    except UnicodeDecodeError:
        text = None
    return RefusedShape(
        id=one.id,
        topic=one.topic,
        reason=one.reason,
        first=one.first,
        last=one.last,
        times_n=one.times_n,
        bytes_n=one.bytes_n,
        text=text,
        hex=one.payload.hex(),
        settled=one.settled,
        settled_at=one.settled_at,
        print=one.print,
    )
