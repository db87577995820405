"""Whether every message is accounted for and every sensor speaks, as far as can be known.

Asked when something is wrong, it never fails for the same reason: a store that cannot be read,
a collector that is away and a file that is not there yet are part of the answer.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Protocol, runtime_checkable

import numpy as np

from api.answers import ChannelNow, channel_now
from api.workshop import Workshop
from collector.channel_tally import BURST_MS, LEAST_INTERVALS_N
from collector.channels import Channel
from collector.clocks import ClockState
from collector.errors import StoreError
from collector.quality import AHEAD_MS
from collector.readings import Mark, Reading, Series, moment_of, ms_of
from collector.status import ChannelStatus, CollectorStatus, read_status
from collector.store.contract import (
    Accounts,
    HandOver,
    HandsOver,
    KeepsConflicts,
    RefusedMessage,
    Removal,
)

DAY_MS = 86_400_000

#: Refused messages that are told unless others are asked for.
REFUSED_TOLD_N = 20

#: The usual interval is the median of so many.
INTERVALS_N = 30

#: A sensor is overdue when it has kept quiet for so many of its intervals.
OVERDUE_INTERVALS_N = 5
LEAST_OVERDUE_S = 10


@dataclass(frozen=True, slots=True)
class ChannelHealth:
    """How one channel is.

    ``heard`` is when a message of it last came in, by the collector's clock, as far as that
    is known; ``quiet_s`` for how long there was none, by that or by the last reading's own
    time. ``interval_s`` is the usual time between readings, ``interval_set`` when it stands
    in the settings. ``marks`` counts the last day's readings by their mark, by their own time;
    ``conflicts_n`` the second values of that day, None where the store cannot tell.
    """

    now: ChannelNow
    heard: datetime | None
    quiet_s: float | None
    interval_s: float | None
    interval_set: bool
    clock: ClockState
    marks: Mapping[Mark, int]
    conflicts_n: int | None
    status: ChannelStatus
    removed: tuple[Removal, ...] = ()

    @property
    def silent(self) -> bool:
        """Whether it has been quiet for longer than its gap limit, or has never spoken."""
        limit_s = self.now.channel.gap_limit_s
        return self.quiet_s is None or self.quiet_s > limit_s

    @property
    def overdue(self) -> bool:
        """Whether it has been quiet for several of its usual intervals, and some seconds."""
        if self.quiet_s is None or self.interval_s is None:
            return self.silent
        overdue_s = max(LEAST_OVERDUE_S, OVERDUE_INTERVALS_N * self.interval_s)
        return self.silent or self.quiet_s > overdue_s


@dataclass(frozen=True, slots=True)
class Health:
    """How the whole is: the store's fault or its accounts, the collector, every channel.

    ``collector`` is None when none was ever seen here. ``refused`` are the newest refused
    messages that are kept. ``hand_over`` says what waits on disk for a remote store; None when
    there is none.
    """

    moment: datetime
    store_fault: str | None
    accounts: Accounts | None
    collector: CollectorStatus | None
    channels: tuple[ChannelHealth, ...]
    refused: tuple[RefusedMessage, ...]
    hand_over: HandOver | None = None

    @property
    def away(self) -> bool:
        """Whether no collector is at work, as far as its status tells."""
        return self.collector is None or self.collector.away(ms_of(self.moment))


@runtime_checkable
class KeepsRemovals(Protocol):
    """A store that notes what was taken out of it on purpose."""

    def removed(self) -> list[Removal]:
        """All of one channel and reason put together."""


def removed_from(workshop: Workshop, channel: str) -> tuple[Removal, ...]:
    """What was taken out of a channel's readings on purpose, by reason."""
    store = workshop.received
    found = store.removed() if isinstance(store, KeepsRemovals) else []
    return tuple(one for one in found if one.channel == channel)


def health_now(workshop: Workshop, now: datetime, *, refused_n: int = REFUSED_TOLD_N) -> Health:
    """How everything is at a moment; never raises ``StoreError``."""
    status = read_status(workshop.settings.store.folder)
    hand_over = _hand_over(workshop, status, now)
    accounts: Accounts | None = None
    refused: tuple[RefusedMessage, ...] = ()
    try:
        accounts = workshop.store.accounts()
        refused = tuple(workshop.store.refused(refused_n)) if refused_n else ()
        latest = workshop.newest(now)
        channels = tuple(
            _channel(workshop, channel, latest.get(channel.id), status, now)
            for channel in workshop.settings.channels
        )
    except StoreError as fault:
        untold = tuple(_untold(channel, status, now) for channel in workshop.settings.channels)
        return Health(now, str(fault), accounts, status, untold, refused, hand_over)
    return Health(now, None, accounts, status, channels, refused, hand_over)


def _hand_over(
    workshop: Workshop, status: CollectorStatus | None, now: datetime
) -> HandOver | None:
    """As the collector told it; while it is away, what lies there, and nothing is tried."""
    if not isinstance(workshop.received, HandsOver):
        return None
    if status is not None and status.hand_over is not None and not status.away(ms_of(now)):
        return status.hand_over
    return workshop.received.hand_over()


def _channel(
    workshop: Workshop,
    channel: Channel,
    reading: Reading | None,
    status: CollectorStatus | None,
    now: datetime,
) -> ChannelHealth:
    now_ms = ms_of(now)
    # A day both ways: a sensor whose clock is ahead dates its readings in the future.
    window = (channel.id, now_ms - DAY_MS, now_ms + DAY_MS)
    day = workshop.store.between(*window)
    received = workshop.received
    conflicts = len(received.conflicts(*window)) if isinstance(received, KeepsConflicts) else None
    removed = removed_from(workshop, channel.id)
    return replace(_health(channel, reading, status, now, day, conflicts), removed=removed)


def _untold(channel: Channel, status: CollectorStatus | None, now: datetime) -> ChannelHealth:
    """What the collector alone knows of a channel, while the store cannot be read."""
    return _health(channel, None, status, now, Series.of(channel.id, []), None)


def _health(
    channel: Channel,
    reading: Reading | None,
    status: CollectorStatus | None,
    now: datetime,
    day: Series,
    conflicts_n: int | None,
) -> ChannelHealth:
    known = status.channel(channel.id) if status else ChannelStatus(channel=channel.id)
    reading_now = channel_now(channel, reading, now)
    heard_ms = known.last_received_ms
    quiet = [] if heard_ms is None else [max(0, ms_of(now) - heard_ms) / 1_000]
    ahead = reading is not None and reading.time_ms > ms_of(now) + AHEAD_MS
    if reading_now.silent_s is not None and not (quiet and ahead):
        quiet.append(reading_now.silent_s)
    return ChannelHealth(
        now=reading_now,
        heard=None if heard_ms is None else moment_of(heard_ms),
        quiet_s=min(quiet, default=None),
        interval_s=channel.expected_interval_s or _usual_interval_s(day, known),
        interval_set=channel.expected_interval_s is not None,
        clock=known.clock,
        marks=_marks(day),
        conflicts_n=conflicts_n,
        status=known,
    )


def _usual_interval_s(day: Series, known: ChannelStatus) -> float | None:
    """The median of the newest intervals [s]; what the collector has learned when they are few.

    Neither times that are wrong nor a burst tell how often a sensor speaks.
    """
    steps = np.diff(day.without(Mark.CLOCK).times_ms)
    steps = steps[steps >= BURST_MS][-INTERVALS_N:]
    if len(steps) >= LEAST_INTERVALS_N:
        return float(np.median(steps)) / 1_000
    return None if known.interval_ms is None else known.interval_ms / 1_000


def _marks(day: Series) -> dict[Mark, int]:
    """How many readings carry each mark; marks that none carries are left out."""
    counts: Counter[Mark] = Counter()
    for bits, count in zip(*np.unique(day.marks, return_counts=True), strict=True):
        for mark in Mark(int(bits)):
            counts[mark] += int(count)
    return {mark: counts[mark] for mark in Mark if counts[mark]}


@dataclass(frozen=True, slots=True)
class ShownBytes:
    """Bytes as they can be shown safely: text where they are printable UTF-8, else hex.

    ``cut`` says that only the first are shown of ``bytes_n``.
    """

    text: str | None
    hex: str
    bytes_n: int
    cut: bool


def shown(payload: bytes, most_n: int = 240) -> ShownBytes:
    """The first bytes of a payload that came from anywhere."""
    head = payload[:most_n]
    try:
        # An incremental end: a character that was cut in half is no reason for hex.
        text = head.decode("utf-8", errors="strict" if len(head) == len(payload) else "ignore")
    except UnicodeDecodeError:
        text = ""
    printable = bool(text) and all(c.isprintable() or c in "\n\t\r" for c in text)
    if not printable or (len(head) < len(payload) and not _nearly(text, head)):
        return ShownBytes(None, head.hex(" "), len(payload), len(head) < len(payload))
    return ShownBytes(" ".join(text.split()), head.hex(" "), len(payload), len(head) < len(payload))


def _nearly(text: str, head: bytes) -> bool:
    """Whether a cut text lost no more than its last, halved character."""
    return len(head) - len(text.encode()) <= 3
