"""What routes share: the workshop, the clock, revisions as ETags, corrections as patches."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, TypeVar

from fastapi import Depends, Header, Path, Query, Request, Response
from pydantic import AfterValidator, AwareDatetime, BaseModel, JsonValue

from api.answers import Workshop
from api.checked import checked
from api.marks import Counted
from api.prints import EARLIEST, LATEST, MOST_ID
from api.record.entries import Kept
from api.record.ledger import KEY_MAX, Ledger
from api.routes.shapes import sent
from collector.errors import InvalidError

M = TypeVar("M", bound=BaseModel)


def _workshop(request: Request) -> Workshop:
    workshop: Workshop = request.app.state.workshop
    return workshop


def _now() -> datetime:
    return datetime.now(UTC)


def _within_the_record(moment: datetime) -> datetime:
    if not EARLIEST <= moment <= LATEST:
        raise ValueError("a time lies between the years 1970 and 2200; check the date")
    return moment


#: The workshop that the app was made for.
TheWorkshop = Annotated[Workshop, Depends(_workshop)]

#: The moment of the request; a test may put another clock in its place.
Now = Annotated[datetime, Depends(_now)]

#: A time in a request.
Moment = Annotated[AwareDatetime, AfterValidator(_within_the_record)]

EntryId = Annotated[int, Path(ge=1, le=MOST_ID, description="Its id on record.", examples=[1])]

Since = Annotated[
    Moment | None,
    Query(alias="from", description="Start at or after.", examples=["2026-01-01T00:00:00Z"]),
]
Until = Annotated[
    Moment | None, Query(description="Start before.", examples=["2026-02-01T00:00:00Z"])
]

CountedQuery = Annotated[
    Counted,
    Query(
        description="Which readings count: all but the implausible ones, those without any mark, "
        "or all."
    ),
]

Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key",
        min_length=1,
        max_length=KEY_MAX,
        description="A key of your own; sent again it makes nothing twice.",
        examples=["5f0c2b7e-plate-12"],
    ),
]


def _revision(
    if_match: Annotated[
        str | None,
        Header(
            alias="If-Match",
            description="The ETag your correction was made from; 409 when it is out of date.",
            examples=['"3"'],
        ),
    ] = None,
) -> int | None:
    if if_match is None or if_match.strip() == "*":
        return None
    text = if_match.strip().removeprefix("W/").strip('"')
    if not (text.isascii() and text.isdecimal() and len(text) < 19):
        raise InvalidError(
            "that is no ETag of ours",
            where="If-Match",
            remedy='Send the ETag as you got it, such as "3".',
        )
    return int(text)


#: The revision named by If-Match, or None.
Revision = Annotated[int | None, Depends(_revision)]


def tag(response: Response, kept: Kept[M]) -> None:
    """Send the revision as ETag."""
    response.headers["ETag"] = f'"{kept.revision}"'


def made(request: Request, response: Response, kept: Kept[M]) -> None:
    """Send the address of something new, with its ETag."""
    response.headers["Location"] = f"{request.url.path.rstrip('/')}/{kept.id}"
    tag(response, kept)


def on_record(shape: type[M], kept: Kept[BaseModel], **given: object) -> M:
    """Something on record in the shape it is sent in: its fields, id, revision and time."""
    return sent(
        shape, kept.entry, id=kept.id, revision=kept.revision, changed=kept.changed, **given
    )


#: A correction as it is sent: the fields that change, null to clear one (RFC 7396).
Patch = dict[str, JsonValue]


def corrected(
    workshop: Workshop, ledger: Ledger[M], entry_id: int, patch: Patch, revision: int | None
) -> Kept[M]:
    """Apply a merge patch (RFC 7396) to an entry, and keep what stood before."""
    with workshop.record.transaction():
        before = ledger.get(entry_id)
        merged = merge(before.entry.model_dump(mode="json"), patch)
        entry = checked(type(before.entry), merged)
        return ledger.change(entry_id, entry, revision=revision)


def merge(target: dict[str, JsonValue], patch: Mapping[str, JsonValue]) -> dict[str, JsonValue]:
    """JSON Merge Patch, RFC 7396: objects are merged, null takes a field out."""
    merged = copy.copy(target)
    for name, value in patch.items():
        if value is None:
            merged.pop(name, None)
        elif isinstance(value, dict):
            below = merged.get(name)
            merged[name] = merge(below if isinstance(below, dict) else {}, value)
        else:
            merged[name] = value
    return merged


def patch_of(shape: type[BaseModel], **example: object) -> dict[str, object]:
    """``openapi_extra`` of a route that takes a merge patch of a model."""
    schema = {
        "type": "object",
        "description": f"Any fields of {shape.__name__}; null clears one (RFC 7396).",
        "properties": {
            name: {"description": f"As in {shape.__name__}."} for name in shape.model_fields
        },
        "additionalProperties": False,
    }
    content = {"schema": schema, "example": example}
    kinds = ("application/json", "application/merge-patch+json")
    return {"requestBody": {"required": True, "content": dict.fromkeys(kinds, content)}}
