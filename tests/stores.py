"""Arrivals to fill any store of readings with, and a store that is plain Python."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence

from collector.errors import StoreError
from collector.readings import Mark, Reading, Series
from collector.store.contract import (
    Accounts,
    Appended,
    Arrival,
    Buckets,
    Change,
    Changes,
    Coverage,
    RefusedMessage,
)
from collector.store.stretches import buckets_of, coverage_of

_FIRST_MS, _END_MS = -62_135_596_800_000, 253_402_300_800_000  # years 1 and 10000


def arrivals(channel: str, rows: Iterable[tuple[int, float]]) -> list[Arrival]:
    """One message per ``(time_ms, value)`` row, received at the time of its reading."""
    return [
        Arrival(f"cellar/{channel}", time_ms, (Reading(channel, time_ms, value),))
        for time_ms, value in rows
    ]


class MemoryStore:
    """The contract in memory, each method the shortest way to say what is meant."""

    def __init__(self) -> None:
        self._kept: dict[str, dict[int, Reading]] = {}
        self._conflicts: set[tuple[str, int, float]] = set()
        self._counts: Counter[str] = Counter()
        self._refused: list[RefusedMessage] = []
        self._changes: list[Change] = []
        self._closed = False

    def append(self, arrivals: Sequence[Arrival]) -> Appended:
        if self._closed:
            raise StoreError("The store is closed.", where="memory")
        total: Counter[str] = Counter()
        spans: dict[str, list[int]] = {}
        for arrival in arrivals:
            done = Counter(self._keep(reading, spans) for reading in arrival.readings)
            done["refused"] += len(arrival.refusals)
            new = done["stored"] + done["conflict"]
            if new or not done.total():
                verdict = "stored"
            else:
                verdict = "duplicate" if done["duplicate"] else "refused"
            self._counts["messages_received"] += 1
            self._counts[f"messages_{verdict}"] += 1
            self._counts["readings_received"] += done.total()
            self._counts["readings_stored"] += new
            self._counts["readings_duplicate"] += done["duplicate"]
            self._counts["readings_refused"] += done["refused"]
            self._counts["conflicts"] += done["conflict"]
            self._note_refused(arrival)
            total += done
        self._changes += [Change(name, min(own), max(own)) for name, own in spans.items()]
        return Appended(total["stored"], total["duplicate"], total["conflict"], total["refused"])

    def _keep(self, reading: Reading, spans: dict[str, list[int]]) -> str:
        if not self._fits(reading):
            return "refused"
        channel, time_ms = reading.channel, reading.time_ms
        own = self._kept.setdefault(channel, {})
        there = own.get(time_ms)
        if there is None:
            own[time_ms] = reading
        else:
            other = (channel, time_ms, reading.value)
            if there.value == reading.value or other in self._conflicts:
                return "duplicate"
            self._conflicts.add(other)
            own[time_ms] = Reading(channel, time_ms, there.value, there.marks | Mark.CONFLICT)
        spans.setdefault(channel, []).append(time_ms)
        return "stored" if there is None else "conflict"

    @staticmethod
    def _fits(reading: Reading) -> bool:
        return math.isfinite(reading.value) and _FIRST_MS <= reading.time_ms < _END_MS

    def _note_refused(self, arrival: Arrival) -> None:
        reasons = [refusal.reason for refusal in arrival.refusals]
        reasons += ["outside what can be kept" for r in arrival.readings if not self._fits(r)]
        if reasons:
            number = len(self._refused) + 1
            kept = (arrival.topic, "; ".join(reasons), arrival.received_ms, arrival.payload)
            self._refused.append(RefusedMessage(number, *kept))

    def _sorted(self, channel: str) -> list[Reading]:
        return sorted(self._kept.get(channel, {}).values(), key=lambda reading: reading.time_ms)

    def _all(self, channel: str) -> Series:
        rows = [(r.time_ms, r.value, int(r.marks)) for r in self._sorted(channel)]
        return Series.of(channel, rows)

    def between(self, channel: str, start_ms: int, end_ms: int) -> Series:
        own = self._sorted(channel)
        rows = [(r.time_ms, r.value, int(r.marks)) for r in own if start_ms <= r.time_ms < end_ms]
        return Series.of(channel, rows)

    def before(self, channel: str, time_ms: int) -> Reading | None:
        return next((r for r in reversed(self._sorted(channel)) if r.time_ms < time_ms), None)

    def after(self, channel: str, time_ms: int) -> Reading | None:
        return next((r for r in self._sorted(channel) if r.time_ms >= time_ms), None)

    def buckets(
        self, channel: str, start_ms: int, end_ms: int, n: int, *, gap_limit_ms: int
    ) -> Buckets:
        own = self._all(channel)
        return buckets_of(
            channel, own.times_ms, own.values, start_ms, end_ms, n, gap_limit_ms=gap_limit_ms
        )

    def coverage(self, channel: str, start_ms: int, end_ms: int, *, gap_limit_ms: int) -> Coverage:
        times_ms = self._all(channel).times_ms
        return coverage_of(times_ms, start_ms, end_ms, gap_limit_ms=gap_limit_ms)

    def latest(self) -> dict[str, Reading]:
        return {channel: self._sorted(channel)[-1] for channel in self.channels()}

    def channels(self) -> list[str]:
        return sorted(channel for channel, own in self._kept.items() if own)

    def count(self, channel: str | None = None) -> int:
        channels = self.channels() if channel is None else [channel]
        return sum(len(self._kept.get(one, {})) for one in channels)

    def accounts(self) -> Accounts:
        return Accounts(**self._counts)

    def refused(self, limit: int = 100) -> list[RefusedMessage]:
        return self._refused[::-1][:limit]

    def changes(self, cursor: int | None = None) -> Changes:
        newest = len(self._changes)
        if cursor is None:
            return Changes(newest)
        return Changes(newest, tuple(self._changes[cursor:]), complete=0 <= cursor <= newest)

    def delete_range(self, channel: str, start_ms: int, end_ms: int) -> int:
        own = self._kept.get(channel, {})
        gone = [time_ms for time_ms in own if start_ms <= time_ms < end_ms]
        for time_ms in gone:
            del own[time_ms]
        self._conflicts = {
            one for one in self._conflicts if not (one[0] == channel and one[1] in gone)
        }
        if gone:
            self._changes.append(Change(channel, min(gone), max(gone)))
        return len(gone)

    def close(self) -> None:
        self._closed = True
