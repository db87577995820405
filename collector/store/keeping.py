"""Old readings thinned and forgotten by rule, a slice at a time, never touching a run.

Nothing here has a schedule: whoever goes through the slices says what is protected, anew for
each of them. Windows of prints and soak runs are protected with a margin of one gap limit, so
that their conditions and their coverage stay what they were to the last bit.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from collector.channels import Channel
from collector.errors import InvalidError
from collector.keep_settings import KeepRule
from collector.readings import Series
from collector.store.sqlite import SqliteStore
from collector.store.stretches import DAY_MS, HOUR_MS

#: A half-open window [ms since 1970].
Window = tuple[int, int]

#: What is protected, asked for anew before each slice.
Protected = Callable[[], Sequence[Window]]

#: Lengths of a slice of thinning and of forgetting: an insert may have to wait for one.
THINNED_MS = 4 * HOUR_MS
FORGOTTEN_MS = DAY_MS

_FIRST_MS = -62_135_596_800_000  # year 1


class Reason(enum.StrEnum):
    """Why readings were taken out by rule, as it stands in the log of removals."""

    THINNED = "thinned"
    FORGOTTEN = "kept no longer"

    @property
    def words(self) -> str:
        """What becomes of such readings."""
        return "thinned away" if self is Reason.THINNED else "forgotten"


@dataclass(frozen=True, slots=True)
class Slice:
    """One stretch of a channel that was gone through, and how many of its readings went."""

    channel: str
    start_ms: int
    end_ms: int
    reason: Reason
    readings_n: int


def slices(
    store: SqliteStore,
    channels: Sequence[Channel],
    rules: Sequence[KeepRule],
    now_ms: int,
    protected: Protected,
    *,
    dry_run: bool = False,
) -> Iterator[Slice]:
    """Apply the rule of each channel's role; each slice is on disk when it is given.

    A role without a rule is left alone. With ``dry_run`` nothing is changed, and ``readings_n``
    says how many would go.
    """
    by_role = {rule.role: rule for rule in rules}
    for channel in channels:
        rule = by_role.get(channel.role)
        if rule is not None:
            yield from _of_channel(store, channel, rule, now_ms, protected, dry_run=dry_run)


def _of_channel(
    store: SqliteStore,
    channel: Channel,
    rule: KeepRule,
    now_ms: int,
    protected: Protected,
    *,
    dry_run: bool,
) -> Iterator[Slice]:
    begin_ms = _FIRST_MS
    if rule.forget_after_ms is not None:
        before_ms = (now_ms - rule.forget_after_ms) // FORGOTTEN_MS * FORGOTTEN_MS
        window = (begin_ms, before_ms)
        yield from keep_only(
            store, channel.id, window, None, channel.gap_limit_ms, protected, dry_run=dry_run
        )
        begin_ms = before_ms
    if rule.thin_after_ms is not None and rule.every_ms is not None:
        before_ms = (now_ms - rule.thin_after_ms) // THINNED_MS * THINNED_MS
        window = (begin_ms, before_ms)
        yield from keep_only(
            store,
            channel.id,
            window,
            rule.every_ms,
            channel.gap_limit_ms,
            protected,
            dry_run=dry_run,
        )


def keep_only(
    store: SqliteStore,
    channel: str,
    window: Window,
    every_ms: int | None,
    gap_limit_ms: int,
    protected: Protected = tuple,
    *,
    dry_run: bool = False,
) -> Iterator[Slice]:
    """Thin (or, with ``every_ms`` None, remove) the readings of a window, slice by slice.

    Extremes stay exact and gaps stay where they are: thinning leaves no stretch longer than
    the gap limit that was not one before. Raises ``InvalidError`` when ``every_ms`` is longer
    than the gap limit.
    """
    if every_ms is not None and not 0 < every_ms <= gap_limit_ms:
        raise InvalidError(
            f"A few readings every {every_ms / 1_000:g} s would tear gaps into {channel}, "
            f"whose gap limit is {gap_limit_ms / 1_000:g} s.",
            where="every_ms",
            remedy="Keep some at least once in a gap limit.",
        )
    reason = Reason.FORGOTTEN if every_ms is None else Reason.THINNED
    length_ms = FORGOTTEN_MS if every_ms is None else THINNED_MS
    for start_ms, end_ms in _filled(store, channel, window, length_ms):
        readings_n = 0
        for free in _free((start_ms, end_ms), protected(), gap_limit_ms):
            series = store.between(channel, *free)
            if every_ms is None:
                readings_n += len(series)
                if len(series) and not dry_run:
                    store.delete_range(channel, *free, reason=reason, goes_on=True)
                continue
            doomed_ms = series.times_ms[~kept_by_thinning(series, every_ms)]
            readings_n += len(doomed_ms)
            if len(doomed_ms) and not dry_run:
                store.delete_at(channel, doomed_ms, reason=reason, goes_on=True)
        yield Slice(channel, start_ms, end_ms, reason, readings_n)


def _filled(store: SqliteStore, channel: str, window: Window, length_ms: int) -> Iterator[Window]:
    """The slices of a window that have readings, cut to it."""
    following = store.after(channel, window[0])
    while following is not None and following.time_ms < window[1]:
        start_ms = following.time_ms // length_ms * length_ms
        yield max(start_ms, window[0]), min(start_ms + length_ms, window[1])
        following = store.after(channel, start_ms + length_ms)


def _free(window: Window, protected: Sequence[Window], margin_ms: int) -> Iterator[Window]:
    """What of a window is in no protected one nor within a margin of it."""
    at_ms, before_ms = window
    for start_ms, end_ms in sorted(protected):
        until_ms = min(start_ms - margin_ms, before_ms)
        if until_ms > at_ms:
            yield at_ms, until_ms
        at_ms = max(at_ms, end_ms + margin_ms)
    if before_ms > at_ms:
        yield at_ms, before_ms


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
