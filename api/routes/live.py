"""/api/live: the live feed as server-sent events."""

from __future__ import annotations

from collections.abc import AsyncIterator
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Header, Query, Request
from fastapi.sse import EventSourceResponse, ServerSentEvent

from api.live import Feed
from api.problems import problems

router = APIRouter(prefix="/api", tags=["Readings"])

CURSOR_MAX = 2**63 - 1


@router.get(
    "/live",
    summary="What is new, as it comes",
    response_class=EventSourceResponse,
    responses=problems(HTTPStatus.UNPROCESSABLE_ENTITY),
)
async def live(
    request: Request,
    last_event_id: Annotated[
        int | None,
        Header(ge=0, le=CURSOR_MAX, description="Id of the last event you got; go on after it."),
    ] = None,
    after: Annotated[
        int | None, Query(ge=0, le=CURSOR_MAX, description="The same, for a first connection.")
    ] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Server-sent events. `begin` tells where the feed starts; `readings` names each channel
    that got something new, with the stretch and its newest value; `reload` says that you were
    away too long, or that a calibration has changed old readings: load everything again. The id
    of an event is where to go on after it.
    """
    feed: Feed = request.app.state.feed
    cursor = last_event_id if last_event_id is not None else after
    async for event in feed.events(cursor):
        yield event
