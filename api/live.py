"""The live feed: what the store took in, told to every page that listens.

Each event's id is the store's cursor. A page that was cut off sends the last one back
(``Last-Event-ID``) and misses nothing; when that is too old, or a calibration has changed what
old readings are believed to be, it is told to ``reload``.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from datetime import datetime
from typing import Any

from fastapi.sse import ServerSentEvent

from api.prints import Frozen
from collector.errors import StoreError
from collector.readings import moment_of
from collector.store.contract import Change, Changes, ReadingStore

#: Seconds between two looks at the store.
POLL_S = 1.0

#: Seconds of silence after which a comment keeps the connection alive.
KEEPALIVE_S = 15.0


class LiveChannel(Frozen):
    """A stretch of a channel that something new was kept in, both ends included."""

    channel: str
    first: datetime
    last: datetime
    value: float | None


class Feed:
    """Follows a store for any number of listeners, until closed.

    ``believed`` gives another object when old readings have become other values: a calibration
    was entered, corrected or deleted.
    """

    def __init__(
        self,
        store: ReadingStore,
        *,
        believed: Callable[[], object] = lambda: None,
        poll_s: float = POLL_S,
    ) -> None:
        self._store = store
        self._believed = believed
        self._noting = threading.Lock()
        self._last_believed: object = None
        self._believed_since = -1
        self._turns_n = 0
        self._poll_s = poll_s
        self._closed = threading.Event()

    def close(self) -> None:
        """End every listener's feed; safe from any thread and from a signal."""
        self._closed.set()

    async def events(self, cursor: int | None) -> AsyncIterator[ServerSentEvent]:
        """What is new after ``cursor``; None begins with what comes from now on.

        The first event tells the cursor. The store is asked in a thread of its own.
        """
        found, turns_n = await self._changes(cursor)
        if cursor is None or cursor <= self._believed_since or not found.complete:
            yield _event("reload" if cursor is not None else "begin", found.cursor, {})
            cursor = found.cursor
        else:
            yield ServerSentEvent(comment="resumed")
        silent_s = 0.0
        while not self._closed.is_set():
            turned_n = turns_n
            found, turns_n = await self._changes(cursor)
            if not found.complete or turns_n != turned_n:
                yield _event("reload", found.cursor, {})
            elif found.changes:
                channels = await asyncio.to_thread(self._channels, found.changes)
                yield _event("readings", found.cursor, {"channels": channels})
            elif silent_s >= KEEPALIVE_S:
                yield ServerSentEvent(comment="nothing new")
            silent_s = 0.0 if found.cursor != cursor or silent_s >= KEEPALIVE_S else silent_s
            cursor = found.cursor
            await self._pause()
            silent_s += self._poll_s

    async def _changes(self, cursor: int | None) -> tuple[Changes, int]:
        """What changed, and how often old readings have become other values.

        Nothing while the collector has not made the store yet.
        """
        try:
            return await asyncio.to_thread(self._look, cursor)
        except StoreError:
            return Changes(cursor or 0), self._turns_n

    def _look(self, cursor: int | None) -> tuple[Changes, int]:
        believed = self._believed()
        found = self._store.changes(cursor)
        with self._noting:
            if believed is not self._last_believed:
                if self._last_believed is not None:
                    self._believed_since = found.cursor
                    self._turns_n += 1
                self._last_believed = believed
            return found, self._turns_n

    def _channels(self, changes: tuple[Change, ...]) -> list[dict[str, Any]]:
        """One line per channel: the stretch that was touched and its newest value."""
        spans: dict[str, tuple[int, int]] = {}
        for change in changes:
            first, last = spans.get(change.channel, (change.first_ms, change.last_ms))
            spans[change.channel] = min(first, change.first_ms), max(last, change.last_ms)
        lines = []
        for channel, (first, last) in sorted(spans.items()):
            newest = self._store.before(channel, last + 1)
            line = LiveChannel(
                channel=channel,
                first=moment_of(first),
                last=moment_of(last),
                value=None if newest is None else newest.value,
            )
            lines.append(line.model_dump(mode="json"))
        return lines

    async def _pause(self) -> None:
        """Wait for the next look, and no longer than a moment once closed."""
        waited = 0.0
        while waited < self._poll_s and not self._closed.is_set():
            step = min(0.1, self._poll_s - waited)
            await asyncio.sleep(step)
            waited += step


def _event(kind: str, cursor: int, said: dict[str, Any]) -> ServerSentEvent:
    return ServerSentEvent(event=kind, id=str(cursor), data=said, retry=2_000)
