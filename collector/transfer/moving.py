"""All readings of one store into another, compared to the last bit.

A day of a channel is compared before anything is written: what is equal is passed over, so a
move that was broken off goes on where it was, and where the target has another value for a time
nothing is written over it or beside it. At the end count and checksum of every channel are taken
from both stores anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from collector.readings import Reading, Series, moment_of
from collector.store.checksum import Checksum, checksum_of
from collector.store.contract import Arrival, CollectingStore, HandsOver
from collector.store.days import days
from collector.transfer.importing import MESSAGES_AT_ONCE_N, READINGS_IN_MESSAGE_N

TOPIC = "move"

Progress = Callable[[str, int], None]


@dataclass(frozen=True, slots=True)
class ChannelMoved:
    """One channel after a move: what was copied now, and both stores' counts and checksums.

    ``difference`` says in words where they first differ; None when they are equal to the last bit.
    """

    channel: str
    copied_n: int
    source: Checksum
    source_seconds: Checksum
    target: Checksum
    difference: str | None

    @property
    def equal(self) -> bool:
        """Whether the target has the same readings, marks and second values, and no others."""
        return self.difference is None


def move(
    source: CollectingStore,
    target: CollectingStore,
    now_ms: int,
    *,
    dry_run: bool = False,
    progress: Progress = lambda *_: None,
) -> Iterator[ChannelMoved]:
    """Copy what the target does not have yet, channel by channel, and compare each.

    With ``dry_run`` nothing is written. Raises ``StoreError`` when a store does not answer; what
    was copied stays, and running it again goes on.
    """
    if isinstance(target, HandsOver) and not dry_run:
        target.wait_until_handed_over()  # of a move that was broken off
    for channel in source.channels():
        copied_n = 0
        for first_ms, last_ms, series in days(source, channel):
            seconds = source.conflicts(channel, first_ms, last_ms)
            missing = _missing(
                series,
                seconds,
                target.between(channel, first_ms, last_ms),
                target.conflicts(channel, first_ms, last_ms),
            )
            if missing and not dry_run:
                _append(target, missing, now_ms)
            copied_n += len(missing)
            progress(channel, copied_n)
        yield _compared(source, target, channel, copied_n)


def _missing(
    series: Series, seconds: Sequence[Reading], there: Series, there_seconds: Sequence[Reading]
) -> list[Reading]:
    """What the target lacks of a day: readings whose time is free, then second values.

    A second value goes only where the first is the same, or it would become a first one.
    """
    new = ~np.isin(series.times_ms, there.times_ms)
    same = np.isin(there.times_ms, series.times_ms)
    firsts = dict(zip(there.times_ms[same].tolist(), there.values[same].tolist(), strict=True))
    own = dict(zip(series.times_ms.tolist(), series.values.tolist(), strict=True))
    known = {(one.time_ms, one.value) for one in there_seconds}
    readings = list(
        Series(series.channel, series.times_ms[new], series.values[new], series.marks[new])
    )
    return readings + [
        one
        for one in seconds
        if (one.time_ms, one.value) not in known
        and firsts.get(one.time_ms, own.get(one.time_ms)) == own.get(one.time_ms)
    ]


def _append(target: CollectingStore, readings: Sequence[Reading], now_ms: int) -> None:
    messages = [
        Arrival(TOPIC, now_ms, tuple(readings[at : at + READINGS_IN_MESSAGE_N]))
        for at in range(0, len(readings), READINGS_IN_MESSAGE_N)
    ]
    for at in range(0, len(messages), MESSAGES_AT_ONCE_N):
        target.append(messages[at : at + MESSAGES_AT_ONCE_N])
        if isinstance(target, HandsOver):
            target.wait_until_handed_over()


def _compared(
    source: CollectingStore, target: CollectingStore, channel: str, copied_n: int
) -> ChannelMoved:
    ours = checksum_of(series for _, _, series in days(source, channel))
    theirs = checksum_of(series for _, _, series in days(target, channel))
    seconds, their_seconds = (checksum_of(_seconds(one, channel)) for one in (source, target))
    difference = None
    if (ours, seconds) != (theirs, their_seconds):
        difference = _difference(source, target, channel)
    return ChannelMoved(channel, copied_n, ours, seconds, theirs, difference)


def _seconds(store: CollectingStore, channel: str) -> Iterator[Series]:
    for first_ms, last_ms, _ in days(store, channel):
        rows = store.conflicts(channel, first_ms, last_ms)
        yield Series.of(channel, [(one.time_ms, one.value, int(one.marks)) for one in rows])


def _difference(source: CollectingStore, target: CollectingStore, channel: str) -> str:
    """Where two stores first differ, in words."""
    starts = sorted(
        {first_ms for store in (source, target) for first_ms, _, _ in days(store, channel)}
    )
    for first_ms in starts:
        window = (channel, first_ms, first_ms + 86_400_000)
        ours, theirs = _day(source, window), _day(target, window)
        if ours == theirs:
            continue
        time_ms, *_ = min(set(ours) ^ set(theirs))
        here = [one for one in ours if one[0] == time_ms]
        there = [one for one in theirs if one[0] == time_ms]
        moment = moment_of(time_ms).isoformat(timespec="milliseconds")
        n = len({one[0] for one in set(ours) ^ set(theirs)})
        return (
            f"{n} of that day differ, the first at {moment}: "
            f"{_words(here)} in the source, {_words(there)} in the target"
        )
    return "second values differ that have no first one"


_Kept = tuple[int, int, str, int]


def _day(store: CollectingStore, window: tuple[str, int, int]) -> list[_Kept]:
    """Readings and second values (1 behind the time) of a day; values as exact text."""
    firsts = [(one.time_ms, 0, one.value.hex(), int(one.marks)) for one in store.between(*window)]
    seconds = [
        (one.time_ms, 1, one.value.hex(), int(one.marks)) for one in store.conflicts(*window)
    ]
    return sorted(firsts + seconds)


def _words(kept: Sequence[_Kept]) -> str:
    if not kept:
        return "nothing"
    return " and ".join(
        f"{float.fromhex(value)!r}" + (f" (marks {marks})" if marks else "")
        for _, _, value, marks in kept
    )
