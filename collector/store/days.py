"""A channel's readings a day at a time, so that no more than that is ever in memory."""

from __future__ import annotations

from collections.abc import Iterator

from collector.readings import Series
from collector.store.contract import ReadingStore
from collector.store.stretches import DAY_MS

#: Before and after every reading that can be kept [ms]: the years 1 and 10000.
FIRST_MS = -62_135_596_800_000
END_MS = 253_402_300_800_000


def days(
    store: ReadingStore, channel: str, start_ms: int = FIRST_MS, end_ms: int = END_MS
) -> Iterator[tuple[int, int, Series]]:
    """The days (UTC) of a window that have readings: half-open window and readings of each."""
    following = store.after(channel, start_ms)
    while following is not None and following.time_ms < end_ms:
        day_ms = following.time_ms // DAY_MS * DAY_MS
        first_ms, last_ms = max(day_ms, start_ms), min(day_ms + DAY_MS, end_ms)
        yield first_ms, last_ms, store.between(channel, first_ms, last_ms)
        following = store.after(channel, last_ms)
