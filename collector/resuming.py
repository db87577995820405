"""Takes up after a restart: what the store knows of each channel, for the marks to go on."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from collector.calibration import Chain
from collector.channels import Channel
from collector.quality import HOUR_MS, REMEMBERED_MS, Watchers
from collector.readings import Series
from collector.store.contract import ReadingStore

#: Readings are fetched in stretches of this length, newest first [ms], until there are enough.
PAGE_MS = 6 * HOUR_MS
ENOUGH_N = 50_000


def resume(
    watchers: Watchers,
    store: ReadingStore,
    channels: Iterable[Channel],
    now_ms: int,
    chains: Mapping[str, Chain],
) -> None:
    """Let the watchers see the last readings of every channel again, through their chains."""
    for channel in channels:
        watchers.resume(channel.id, recent(store, channel.id, now_ms), now_ms, chains)


def recent(store: ReadingStore, channel: str, now_ms: int) -> Series:
    """The last three days of a channel, or its last 50,000 readings when those are fewer."""
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
