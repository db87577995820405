"""Figures computed from stretches of readings, kept until anything comes within one of them.

A figure of a print that is over stays what it is until a late reading, a removal, a calibration
or a sensor's other place changes what it rests on. It is kept under all of that: the stretches
of its channels, their chains, and whatever else the caller says it was computed from. What the
store's journal (``changes``) says was touched is forgotten before anything is answered.
"""

from __future__ import annotations

import threading
from bisect import bisect_right
from collections import OrderedDict, deque
from collections.abc import Callable, Hashable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar, cast

from collector.calibration import Chain
from collector.store.contract import Change, ReadingStore

V = TypeVar("V")

#: Figures kept, the longest unused forgotten first; some 800 bytes each.
ANSWERS_MOST = 20_000

#: Journals of this many snapshots are kept, for figures that were begun before them.
JOURNALS_MOST = 64

#: Touched stretches of a channel nearer than this are taken as one [ms].
NEAR_MS = 600_000

#: Disjoint stretches in time order: where each begins, and where it ends (included) [ms].
Touched = tuple[list[int], list[int]]


@dataclass(frozen=True, slots=True)
class Span:
    """The stretch [start_ms, end_ms) of a channel that a figure was computed from."""

    channel: str
    start_ms: int
    end_ms: int

    def touched_by(self, touched: Mapping[str, Touched]) -> bool:
        """Whether anything of it was touched."""
        begins, ends = touched.get(self.channel, ([], []))
        place = bisect_right(begins, self.end_ms - 1) - 1
        return place >= 0 and ends[place] >= self.start_ms


Spans = tuple[Span, ...]
Key = tuple[Spans, Hashable, tuple[Chain | None, ...]]


class WindowAnswers:
    """At most ``most`` figures. Safe between threads.

    ``chains`` gives the chains by which readings are believed: the same object for as long as
    they are the same.
    """

    def __init__(
        self,
        store: ReadingStore,
        chains: Callable[[], Mapping[str, Chain]],
        *,
        most: int = ANSWERS_MOST,
    ) -> None:
        self._store = store
        self._chains = chains
        self._most = most
        self._lock = threading.Lock()
        self._kept: OrderedDict[Key, object] = OrderedDict()
        self._of_channel: dict[str, dict[Key, Span]] = {}
        self._latest_ms: dict[str, int] = {}
        self._cursor: int | None = None
        self._journals: deque[tuple[int, Mapping[str, Touched]]] = deque(maxlen=JOURNALS_MOST)

    def snapshot(self) -> Snapshot:
        """What is kept, as it is to be believed at the first question to it.

        One serves one answer, however many figures it takes.
        """
        return Snapshot(self)

    def __len__(self) -> int:
        return len(self._kept)

    # ---- for a snapshot -------------------------------------------------------------------

    def freshen(self) -> tuple[int, Mapping[str, Chain]]:
        """Forget what was touched since the last time; the store's cursor, and the chains.

        Raises ``StoreError``.
        """
        chains = self._chains()
        with self._lock:
            changes = self._store.changes(self._cursor)
            if not changes.complete:
                self._forget_all()
            elif changes.changes:
                touched = _touched(changes.changes)
                self._journals.append((changes.cursor, touched))
                self._forget(touched)
            self._cursor = changes.cursor
            return changes.cursor, chains

    def find(self, key: Key) -> tuple[object] | None:
        """What is kept under a key, in a tuple; None when nothing is."""
        with self._lock:
            if key not in self._kept:
                return None
            self._kept.move_to_end(key)
            return (self._kept[key],)

    def keep(self, key: Key, value: object, cursor: int, chains: Mapping[str, Chain]) -> None:
        """Keep a figure that was computed after the store's ``cursor`` and with these chains.

        Not when something it rests on was touched since: it may be of before or of after that.
        """
        if self._chains() is not chains:
            return
        with self._lock:
            if self._may_be_stale(key, cursor):
                return
            self._kept[key] = value
            self._kept.move_to_end(key)
            for span in key[0]:
                self._of_channel.setdefault(span.channel, {})[key] = span
                latest_ms = self._latest_ms.get(span.channel, span.end_ms)
                self._latest_ms[span.channel] = max(latest_ms, span.end_ms)
            while len(self._kept) > self._most:
                self._drop(next(iter(self._kept)))

    def _may_be_stale(self, key: Key, cursor: int) -> bool:
        if cursor == self._cursor:
            return False
        journals = [touched for at, touched in self._journals if at > cursor]
        if not journals or len(journals) == JOURNALS_MOST:
            return True  # more has been touched than is known any more
        return any(span.touched_by(touched) for span in key[0] for touched in journals)

    def _forget(self, touched: Mapping[str, Touched]) -> None:
        for channel, (begins, _) in touched.items():
            if begins[0] >= self._latest_ms.get(channel, 0):
                continue  # what comes live lies behind every figure that is kept
            kept = self._of_channel.get(channel, {})
            for key in [key for key, span in kept.items() if span.touched_by(touched)]:
                self._drop(key)

    def _drop(self, key: Key) -> None:
        del self._kept[key]
        for span in key[0]:
            self._of_channel[span.channel].pop(key, None)

    def _forget_all(self) -> None:
        self._kept.clear()
        self._of_channel.clear()
        self._latest_ms.clear()
        self._journals.clear()


@dataclass(slots=True)
class Snapshot:
    """Figures as they are to be believed at one moment; for one thread."""

    answers: WindowAnswers
    _known: tuple[int, Mapping[str, Chain]] | None = field(default=None, init=False)

    def answer(self, spans: Iterable[Span], inputs: Hashable, make: Callable[[], V]) -> V:
        """The figure of these stretches and ``inputs``, made by ``make`` where none is kept.

        ``make`` reads nothing beyond the stretches and depends on nothing but them, their chains
        and the inputs. Raises ``StoreError`` and whatever ``make`` raises.
        """
        if self._known is None:
            self._known = self.answers.freshen()
        cursor, chains = self._known
        rests_on = tuple(spans)
        key = (rests_on, inputs, tuple(chains.get(span.channel) for span in rests_on))
        found = self.answers.find(key)
        if found is not None:
            return cast(V, found[0])
        value = make()
        self.answers.keep(key, value, cursor, chains)
        return value


def _touched(changes: Iterable[Change]) -> dict[str, Touched]:
    """What was touched of each channel, as disjoint stretches in time order."""
    by_channel: dict[str, list[tuple[int, int]]] = {}
    for change in changes:
        by_channel.setdefault(change.channel, []).append((change.first_ms, change.last_ms))
    found: dict[str, Touched] = {}
    for channel, stretches in by_channel.items():
        begins: list[int] = []
        ends: list[int] = []
        for first_ms, last_ms in sorted(stretches):
            if ends and first_ms <= ends[-1] + NEAR_MS:
                ends[-1] = max(ends[-1], last_ms)
            else:
                begins.append(first_ms)
                ends.append(last_ms)
        found[channel] = (begins, ends)
    return found
