"""Takes up after a restart: what the store knows of each channel, for the marks to go on.

Only what is on disk here is looked at. A server that is away holds nothing up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from collector.calibration import Chain
from collector.channels import Channel
from collector.quality import HOUR_MS, REMEMBERED_MS, Watchers
from collector.readings import Series
from collector.store.contract import HandsOver, ReadingStore

#: Readings are fetched in stretches of this length, newest first [ms], until there are enough.
PAGE_MS = 6 * HOUR_MS
ENOUGH_N = 50_000


def resume(
    watchers: Watchers,
    store: ReadingStore,
    channels: Sequence[Channel],
    now_ms: int,
    chains: Mapping[str, Chain],
) -> dict[str, int]:
    """Let the watchers see the last readings of every channel again, through their chains.

    The time of the last reading of each channel that had one [ms].
    """
    last_ms: dict[str, int] = {}
    for series in _recent(store, [channel.id for channel in channels], now_ms):
        watchers.resume(series.channel, series, now_ms, chains)
        if len(series):
            last_ms[series.channel] = int(series.times_ms[-1])
    return last_ms


def _recent(store: ReadingStore, channels: Sequence[str], now_ms: int) -> Iterable[Series]:
    """The last days of each channel, or its last 50,000 readings when those are fewer."""
    if isinstance(store, HandsOver):
        return store.lately(channels, now_ms - REMEMBERED_MS, now_ms + HOUR_MS, ENOUGH_N)
    return (_recent_of(store, channel, now_ms) for channel in channels)


def _recent_of(store: ReadingStore, channel: str, now_ms: int) -> Series:
    pages: list[Series] = []
    found_n, end_ms = 0, now_ms + HOUR_MS
    while found_n < ENOUGH_N and end_ms > now_ms - REMEMBERED_MS:
        page = store.between(channel, end_ms - PAGE_MS, end_ms)
        pages.append(page)
        found_n += len(page)
        end_ms -= PAGE_MS
    pages.reverse()
    return Series(
        channel,
        np.concatenate([page.times_ms for page in pages]),
        np.concatenate([page.values for page in pages]),
        np.concatenate([page.marks for page in pages]),
    )
