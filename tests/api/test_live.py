"""The live feed: what comes in is told, a page that was away catches up, and stopping is quick."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import urllib.request
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from http.client import HTTPResponse
from typing import Any

import pytest
from fastapi.sse import ServerSentEvent

from api.answers import Workshop
from api.app import create_app
from api.live import Feed
from api.serve import Server
from collector.errors import StoreError
from collector.store.contract import Changes
from tests.stores import arrivals

T0 = 1_768_400_000_000


def take(workshop: Workshop, channel: str, *times: int) -> None:
    workshop.received.append(arrivals(channel, [(T0 + t, 20 + t / 1_000) for t in times]))


async def told(events: AsyncIterator[ServerSentEvent]) -> ServerSentEvent:
    """The next event that is no comment."""
    async for event in events:
        if event.event is not None:
            return event
    raise AssertionError("the feed ended")


def test_a_page_is_told_what_comes_in(workshop: Workshop) -> None:
    async def story() -> None:
        take(workshop, "vat-north", 0)
        feed = Feed(workshop.store, poll_s=0.01)
        events = feed.events(None)
        assert (await told(events)).event == "begin"
        take(workshop, "vat-north", 3_000, 1_000)
        take(workshop, "chamber", 2_000)
        lines: dict[str, Any] = {}
        while len(lines) < 2:
            event = await told(events)
            assert event.event == "readings"
            lines |= {line["channel"]: line for line in event.data["channels"]}
        assert lines["vat-north"]["value"] == 23
        assert lines["vat-north"]["first"] < lines["vat-north"]["last"]
        assert lines["chamber"]["value"] == 22
        feed.close()
        with pytest.raises(StopAsyncIteration):
            await anext(events)

    asyncio.run(story())


def test_a_page_that_was_away_misses_nothing_and_one_away_too_long_reloads(
    workshop: Workshop,
) -> None:
    async def story() -> None:
        feed = Feed(workshop.store, poll_s=0.01)
        seen = (await told(feed.events(None))).id
        assert seen is not None
        take(workshop, "vat-north", 0)
        again = await told(feed.events(int(seen)))
        assert (again.event, [line["channel"] for line in again.data["channels"]]) == (
            "readings",
            ["vat-north"],
        )
        # A cursor that the store does not know: it comes from another file.
        lost = await told(feed.events(10**9))
        assert (lost.event, lost.id) == ("reload", again.id)

    asyncio.run(story())


def test_a_store_that_is_not_there_yet_is_waited_for(workshop: Workshop) -> None:
    class Late:
        there = False

        def changes(self, cursor: int | None = None) -> Changes:
            if not self.there:
                raise StoreError("no such file")
            return workshop.store.changes(cursor)

        def __getattr__(self, name: str) -> Any:
            return getattr(workshop.store, name)

    async def story() -> None:
        store = Late()
        events = Feed(store, poll_s=0.01).events(None)
        assert (await told(events)).id == "0"
        take(workshop, "vat-north", 0)
        store.there = True
        assert (await told(events)).event == "readings"

    asyncio.run(story())


@contextmanager
def served(workshop: Workshop) -> Iterator[tuple[str, Server, threading.Thread]]:
    import uvicorn

    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        app = create_app(workshop)
        app.state.feed = Feed(workshop.store, poll_s=0.05)
        server = Server(
            uvicorn.Config(app, log_level="error", lifespan="off", timeout_graceful_shutdown=30)
        )
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
        thread.start()
        try:
            yield f"http://127.0.0.1:{port}", server, thread
        finally:
            server.should_exit = True
            thread.join()


def lines_until(answer: HTTPResponse, start: str) -> list[str]:
    """Lines of a feed up to the first that starts so."""
    lines: list[str] = []
    while not (lines and lines[-1].startswith(start)):
        line = answer.readline()
        assert line, "the feed ended"
        lines.append(line.decode().rstrip("\n"))
    return lines


def test_over_http_the_feed_resumes_by_last_event_id_and_ends_when_the_server_stops(
    workshop: Workshop,
) -> None:
    with served(workshop) as (url, server, thread):
        with urllib.request.urlopen(f"{url}/api/live", timeout=10) as answer:
            assert answer.headers["Content-Type"].startswith("text/event-stream")
            begun = lines_until(answer, "id: ")
            assert "event: begin" in begun
        take(workshop, "vat-north", 0, 1_000)
        resume = urllib.request.Request(
            f"{url}/api/live", headers={"Last-Event-ID": begun[-1].removeprefix("id: ")}
        )
        with urllib.request.urlopen(resume, timeout=10) as answer:
            lines = lines_until(answer, "data: ")
            told = json.loads(lines[-1].removeprefix("data: "))
            assert told["channels"][0]["value"] == 21
            # Graceful stopping would wait 30 s for this open feed; the feed ends by itself.
            server.should_exit = True
            thread.join(15)
            assert not thread.is_alive()
            assert answer.read().endswith(b"\n\n")


def test_an_event_id_that_is_none_of_ours_is_refused(workshop: Workshop) -> None:
    with served(workshop) as (url, _, _):
        for bad in ("x", "-1", "9" * 40):
            request = urllib.request.Request(f"{url}/api/live", headers={"Last-Event-ID": bad})
            with pytest.raises(urllib.error.HTTPError) as caught:
                urllib.request.urlopen(request, timeout=10)
            with caught.value as refusal:
                assert refusal.code == 422
                assert refusal.headers["Content-Type"] == "application/problem+json"
