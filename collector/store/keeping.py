"""How long readings are kept, and how many: off unless asked for, never touching a run.

Nothing here has a schedule: whoever calls it says what is old and what is protected. Windows of
prints and soak runs are protected with a margin of one gap limit, so that their conditions and
their coverage stay what they were to the last bit.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.channels import Channel
from collector.errors import InvalidError
from collector.readings import Role, Series
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, Times

#: A half-open window [ms since 1970].
Window = tuple[int, int]

_FIRST_MS = -62_135_596_800_000  # year 1


@dataclass(frozen=True, slots=True)
class Rule:
    """What is kept of one role: every reading for ``whole_ms``, after that a few, or none.

    ``every_ms``: of each such stretch the first, the last, the lowest and the highest reading are
    kept, and all that are marked; None keeps nothing.
    """

    whole_ms: int
    every_ms: int | None = None


def keep_only_by_role(
    store: SqliteStore,
    channels: Sequence[Channel],
    rules: Mapping[Role, Rule],
    now_ms: int,
    *,
    protected: Sequence[Window],
) -> dict[str, int]:
    """Apply the rule of each channel's role; how many readings went, by channel.

    A role without a rule is left alone.
    """
    return {
        channel.id: keep_only(
            store,
            channel.id,
            before_ms=now_ms - rules[channel.role].whole_ms,
            every_ms=rules[channel.role].every_ms,
            gap_limit_ms=channel.gap_limit_ms,
            protected=protected,
        )
        for channel in channels
        if channel.role in rules
    }


def keep_only(
    store: SqliteStore,
    channel: str,
    *,
    before_ms: int,
    every_ms: int | None,
    gap_limit_ms: int,
    protected: Sequence[Window] = (),
) -> int:
    """Thin (or, with ``every_ms`` None, remove) what is older than ``before_ms``; how many went.

    Extremes stay exact and gaps stay where they are: thinning leaves no stretch longer than
    the gap limit that was not one before. Done a day at a time, each in a transaction of its
    own. Raises ``InvalidError`` when ``every_ms`` is longer than the gap limit.
    """
    if every_ms is not None and not 0 < every_ms <= gap_limit_ms:
        raise InvalidError(
            f"A few readings every {every_ms / 1_000:g} s would tear gaps into {channel}, "
            f"whose gap limit is {gap_limit_ms / 1_000:g} s.",
            where="every_ms",
            remedy="Keep some at least once in a gap limit.",
        )
    removed_n = 0
    for start_ms, end_ms in _free(before_ms, protected, gap_limit_ms):
        if every_ms is None:
            for first_ms, last_ms in _days(store, channel, start_ms, end_ms):
                removed_n += store.delete_range(channel, first_ms, last_ms, reason="kept no longer")
            continue
        for first_ms, last_ms in _days(store, channel, start_ms, end_ms):
            doomed = _doomed(store, channel, first_ms, last_ms, every_ms)
            removed_n += store.delete_at(channel, doomed, reason="thinned")
    return removed_n


def _free(before_ms: int, protected: Sequence[Window], margin_ms: int) -> Iterator[Window]:
    """The windows before a moment that are in no protected one nor within a margin of it."""
    at_ms = _FIRST_MS
    for start_ms, end_ms in sorted(protected):
        until_ms = min(start_ms - margin_ms, before_ms)
        if until_ms > at_ms:
            yield at_ms, until_ms
        at_ms = max(at_ms, end_ms + margin_ms)
    if before_ms > at_ms:
        yield at_ms, before_ms


def _days(store: SqliteStore, channel: str, start_ms: int, end_ms: int) -> Iterator[Window]:
    """The days of a window that have readings, cut to it."""
    following = store.after(channel, start_ms)
    while following is not None and following.time_ms < end_ms:
        day_ms = following.time_ms // DAY_MS * DAY_MS
        yield max(day_ms, start_ms), min(day_ms + DAY_MS, end_ms)
        following = store.after(channel, day_ms + DAY_MS)


def _doomed(store: SqliteStore, channel: str, start_ms: int, end_ms: int, every_ms: int) -> Times:
    """Times of the readings of a window that thinning takes."""
    series = store.between(channel, start_ms, end_ms)
    doomed: Times = series.times_ms[~kept_by_thinning(series, every_ms)]
    return doomed


def kept_by_thinning(series: Series, every_ms: int) -> npt.NDArray[np.bool_]:
    """Which readings thinning leaves: up to four of each stretch of ``every_ms``, and marked ones.

    The first, the last, the lowest and the highest of each stretch (whole multiples since
    1970). With first and last the way to the next stretch stays what it was. Thinning again
    takes none.
    """
    keep: npt.NDArray[np.bool_] = series.marks != 0
    n = len(series)
    if n == 0:
        return keep
    slots = series.times_ms // every_ms
    starts = np.concatenate(([0], np.flatnonzero(np.diff(slots)) + 1))
    ends = np.append(starts[1:], n)
    keep[starts] = keep[ends - 1] = True
    for extreme in (np.minimum, np.maximum):
        own = np.repeat(extreme.reduceat(series.values, starts), ends - starts)
        hits = np.flatnonzero(series.values == own)
        keep[hits[np.unique(slots[hits], return_index=True)[1]]] = True
    return keep
