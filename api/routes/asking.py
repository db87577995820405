"""What routes share: the workshop, the clock, revisions as ETags, corrections as patches."""

from __future__ import annotations

import copy
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated, TypeVar
from urllib.parse import urlencode

from fastapi import Depends, Header, Path, Query, Request, Response
from pydantic import AfterValidator, BaseModel, JsonValue

from api.answers import Workshop
from api.checked import checked
from api.marks import Counted
from api.prints import EARLIEST, LATEST, MOST_ID, Instant
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
Moment = Annotated[Instant, AfterValidator(_within_the_record)]

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


@dataclass(frozen=True, slots=True)
class Paging:
    """Which page of a list is asked for: ``limit`` entries after the one with the id ``after``."""

    request: Request
    response: Response
    after: int | None
    limit: int

    def of(self, kept: Sequence[Kept[M]]) -> Sequence[Kept[M]]:
        """The page, with the address of the next one as ``Link`` (RFC 8288) where there is one.

        Raises ``InvalidError`` when nothing of the list has that id.
        """
        first = 0
        if self.after is not None:
            places = [n for n, one in enumerate(kept) if one.id == self.after]
            if not places:
                raise InvalidError(
                    f"nothing in this list has the id {self.after}",
                    where="after",
                    remedy="Take the address of the next page from the Link header.",
                )
            first = places[0] + 1
        page = kept[first : first + self.limit]
        if first + self.limit < len(kept):
            query = self.request.query_params.items()
            rest = [(name, value) for name, value in query if name not in ("after", "limit")]
            rest += [("after", str(page[-1].id)), ("limit", str(self.limit))]
            path = self.request.url.path
            self.response.headers["Link"] = f'<{path}?{urlencode(rest)}>; rel="next"'
        return page


def _paging(
    request: Request,
    response: Response,
    after: Annotated[
        int | None,
        Query(ge=1, le=MOST_ID, description="Id of the last entry of the page before."),
    ] = None,
    limit: Annotated[
        int, Query(ge=1, le=500, description="Entries on a page; `Link` names the next.")
    ] = 500,
) -> Paging:
    return Paging(request, response, after, limit)


#: The page of a list that is asked for.
Page = Annotated[Paging, Depends(_paging)]


def _revision(
    if_match: Annotated[
        str | None,
        Header(
            alias="If-Match",
            description="The ETag your correction was made from; 409 when it is out of date.",
            examples=['"3"'],
            json_schema_extra={"pattern": r'^(\*|(W/)?"?[0-9]{1,18}"?)$'},
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
