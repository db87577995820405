"""Keeps to the ``[[keep]]`` rules while the collector has little to do.

One slice at a time between two small batches, and after each a pause of many times its length:
an insert waits for one slice at the most, and the disk is not kept busy. All that is old is gone
through once, and again some hours later. Without rules, or where nobody can tell which readings
belong to a print or a soak run, nothing is ever taken out.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator

from collector.config import Settings
from collector.errors import VatsideError
from collector.store.contract import CollectingStore
from collector.store.keeping import Protected, Slice, slices
from collector.store.sqlite import SqliteStore

#: From the end of one pass through all that is old to the next [s].
EVERY_S = 6 * 3_600.0

#: After a fault [s].
RETRY_S = 600.0

#: After a slice, at least so long [s], and at least so many times as long as it took.
PAUSE_S = 0.2
PAUSE_TIMES = 20

#: The first pass begins so long after the start [s]: what waits at the broker comes first.
FIRST_S = 60.0

#: A batch is small, and the moment quiet, up to so many messages.
QUIET_N = 200


class Keeping:
    """Goes through what is old, slice by slice, when :meth:`step` is called."""

    def __init__(
        self,
        settings: Settings,
        store: CollectingStore,
        protected: Protected | None,
        *,
        say: Callable[[str], None] = lambda _: None,
        first_s: float = FIRST_S,
    ) -> None:
        self._settings = settings
        self._store = store if isinstance(store, SqliteStore) else None
        self._protected = protected
        self._say = say
        self._slices: Iterator[Slice] | None = None
        self._gone: Counter[str] = Counter()
        self._fault = ""
        self._next_s = time.monotonic() + first_s
        if settings.keep and protected is None:
            say("Keeping: the record of prints and soak runs is not known here; all is kept.")

    def step(self) -> None:
        """Go through one slice, if it is time for one; a fault is said and tried again later."""
        if not self._settings.keep or self._store is None or self._protected is None:
            return
        began_s = time.monotonic()
        if began_s < self._next_s:
            return
        try:
            done = self._slice(self._store, self._protected)
        except VatsideError as fault:
            self._slices = None
            self._next_s = time.monotonic() + RETRY_S
            if str(fault) != self._fault:
                self._fault = str(fault)
                self._say(f"Keeping: {fault} Until then all is kept.")
            return
        took_s = time.monotonic() - began_s
        self._next_s = time.monotonic() + max(PAUSE_S, PAUSE_TIMES * took_s)
        if done:
            self._fault = ""
            self._next_s = time.monotonic() + EVERY_S

    def _slice(self, store: SqliteStore, protected: Protected) -> bool:
        """One slice of the pass that is under way or begins; True at its end."""
        if self._slices is None:
            now_ms = time.time_ns() // 1_000_000
            settings = self._settings
            self._slices = slices(store, settings.channels, settings.keep, now_ms, protected)
            self._gone.clear()
        one = next(self._slices, None)
        if one is not None:
            self._gone[one.reason] += one.readings_n
            return False
        self._slices = None
        gone = [f"{n:,} readings {reason}" for reason, n in self._gone.items() if n]
        if gone:
            self._say(f"Keeping: {', '.join(gone)}, as [[keep]] says.")
        return True
