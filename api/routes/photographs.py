"""/api/photographs: photographs of prints, of single parts and of looks at specimens."""

from __future__ import annotations

from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from api.photographs import keep_photograph, picture_of
from api.prints import MOST_ID
from api.problems import problems
from api.record import Photograph
from api.record.entries import Revision
from api.routes import asking
from api.routes.asking import EntryId, Key, Patch, TheWorkshop
from api.routes.shapes import PhotographOnRecord, PhotographPage
from collector.errors import InvalidError

router = APIRouter(prefix="/api/photographs", tags=["Photographs"])

_MEDIA_TYPES = ("image/jpeg", "image/png", "image/webp")
_PICTURE = {"schema": {"type": "string", "format": "binary"}, "example": "(the bytes of it)"}
_BODY = {"requestBody": {"required": True, "content": dict.fromkeys(_MEDIA_TYPES, _PICTURE)}}

OfPrint = Annotated[int | None, Query(alias="print", ge=1, le=MOST_ID, description="Of a print.")]
OfLook = Annotated[int | None, Query(alias="look", ge=1, le=MOST_ID, description="Of a look.")]
OfBreak = Annotated[
    int | None, Query(alias="break_test", ge=1, le=MOST_ID, description="Of a break test.")
]


@router.get("", summary="List photographs", responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY))
def list_photographs(
    workshop: TheWorkshop,
    of_print: OfPrint = None,
    of_look: OfLook = None,
    of_break: OfBreak = None,
    after: Annotated[int, Query(ge=0, le=MOST_ID, description="`next` of the page before.")] = 0,
    limit: Annotated[int, Query(ge=1, le=500, description="Photographs on a page.")] = 100,
) -> PhotographPage:
    """Oldest first; give `next` as `after` until it is null."""
    found = workshop.record.photographs.of(
        print_id=of_print, look_id=of_look, break_id=of_break, after=after, limit=limit + 1
    )
    page = found[:limit]
    return PhotographPage(
        photographs=tuple(asking.on_record(PhotographOnRecord, kept) for kept in page),
        next=page[-1].id if len(found) > limit else None,
    )


@router.post(
    "",
    summary="Send a photograph",
    status_code=HTTPStatus.CREATED,
    response_model=PhotographOnRecord,
    responses=problems(
        HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY, HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    ),
    openapi_extra=_BODY,
)
async def add_photograph(
    workshop: TheWorkshop,
    request: Request,
    response: Response,
    of_print: OfPrint = None,
    of_look: OfLook = None,
    of_break: OfBreak = None,
    part: Annotated[
        str | None, Query(min_length=1, max_length=80, description="Name of a part of the print.")
    ] = None,
    note: Annotated[str, Query(max_length=10_000, description="Words to go with it.")] = "",
    key: Key = None,
) -> PhotographOnRecord:
    """The body is the picture itself: JPEG, PNG or WebP, of a print, a part of it, a look or a
    piece on the break bench.

    Only its pixels are kept: where and when it was taken, and with what, is left out.
    """
    sent = await request.body()
    if not sent:
        raise InvalidError("there is no picture", where="body", remedy="Send one as the body.")
    kept = await run_in_threadpool(
        keep_photograph,
        workshop.record,
        sent,
        print_id=of_print,
        part=part,
        look_id=of_look,
        break_id=of_break,
        note=note,
        key=key,
    )
    asking.made(request, response, kept)
    return asking.on_record(PhotographOnRecord, kept)


@router.get("/{id}", summary="Get a photograph", responses=problems(HTTPStatus.NOT_FOUND))
def get_photograph(workshop: TheWorkshop, response: Response, id: EntryId) -> PhotographOnRecord:
    """What it shows, its revision as ETag; the picture itself is under `/picture`."""
    kept = workshop.record.photographs.get(id)
    asking.tag(response, kept)
    return asking.on_record(PhotographOnRecord, kept)


@router.get(
    "/{id}/picture",
    summary="Get the picture of a photograph",
    response_class=Response,
    responses={
        **problems(HTTPStatus.NOT_FOUND),
        200: {"description": "The picture.", "content": dict.fromkeys(_MEDIA_TYPES, _PICTURE)},
    },
)
def get_picture(workshop: TheWorkshop, id: EntryId) -> Response:
    """The picture never changes under its id, so it may be kept by the browser."""
    entry = workshop.record.photographs.get(id).entry
    headers = {
        "ETag": f'"{entry.sha256}"',
        "Cache-Control": "private, max-age=31536000, immutable",
        "X-Content-Type-Options": "nosniff",
    }
    content = picture_of(workshop.record, entry)
    return Response(content, media_type=entry.media_type, headers=headers)


@router.patch(
    "/{id}",
    summary="Correct what a photograph shows",
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT, HTTPStatus.UNPROCESSABLE_ENTITY),
    openapi_extra=asking.patch_of(Photograph, part="lamp collar 2", note="corner lifted"),
)
def correct_photograph(
    workshop: TheWorkshop,
    response: Response,
    id: EntryId,
    patch: Patch,
    revision: asking.Revision,
) -> PhotographOnRecord:
    """The picture itself does not change. What stood before is kept among its revisions."""
    kept = asking.corrected(workshop, workshop.record.photographs, id, patch, revision)
    asking.tag(response, kept)
    return asking.on_record(PhotographOnRecord, kept)


@router.delete(
    "/{id}",
    summary="Take a photograph off the record",
    status_code=HTTPStatus.NO_CONTENT,
    responses=problems(HTTPStatus.NOT_FOUND, HTTPStatus.CONFLICT),
)
def delete_photograph(workshop: TheWorkshop, id: EntryId, revision: asking.Revision) -> None:
    """What stood there is kept among its revisions, and the picture in its folder."""
    workshop.record.photographs.delete(id, revision=revision)


@router.get(
    "/{id}/revisions",
    summary="What stood before each change of a photograph",
    responses=problems(HTTPStatus.NOT_FOUND),
)
def photograph_revisions(workshop: TheWorkshop, id: EntryId) -> list[Revision]:
    """Oldest first; also of a deleted photograph."""
    return workshop.record.photographs.revisions(id)
