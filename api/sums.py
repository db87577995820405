"""Long sums off the request: each in a thread of its own, told step by step, and cancelled.

A sum is begun under a key; the same key is not begun twice while it runs. Sums take turns, so
that several that were asked for at once do not slow each other and everything else down. A
cancelled sum ends at its next step; what it had worked out by then stays in memory.
"""

from __future__ import annotations

import enum
import itertools
import threading
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass

from collector.errors import NotFoundError

#: Ended sums that are kept to be asked for.
KEPT_N = 32


class State(enum.StrEnum):
    """Where a sum stands."""

    RUNNING = "running"
    DONE = "done"
    CANCELLED = "cancelled"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a sum is: ``done_n`` of ``steps_n`` steps, and the step under way in words."""

    id: int
    state: State
    step: str
    done_n: int
    steps_n: int


class _CancelledError(Exception):
    """Ends the work of a cancelled sum."""


class Sum:
    """One sum under way, or ended."""

    def __init__(self, id: int, key: Hashable, work: Work, turn: threading.Lock) -> None:
        self.key = key
        self.ended = threading.Event()
        self._id, self._work, self._turn = id, work, turn
        self._cancelled = threading.Event()
        self._state, self._ended_s = State.RUNNING, 0.0
        self._step, self._done_n, self._steps_n = "waiting for its turn", 0, 1
        self._result: object = None
        self._fault: Exception | None = None
        threading.Thread(target=self._run, name=f"sum {id}", daemon=True).start()

    @property
    def progress(self) -> Progress:
        """How far it is."""
        return Progress(self._id, self._state, self._step, self._done_n, self._steps_n)

    def stands(self, good_for_s: float) -> bool:
        """Whether it runs, uncancelled, or was done less than ``good_for_s`` ago."""
        if self._state is State.RUNNING:
            return not self._cancelled.is_set()
        return self._state is State.DONE and time.monotonic() - self._ended_s < good_for_s

    def cancel(self) -> None:
        """End it at its next step; one that has ended stays as it is."""
        self._cancelled.set()

    def result(self) -> object:
        """What came out of a sum that is done. Raises what its work raised."""
        if self._fault is not None:
            raise self._fault
        return self._result

    def _at(self, step: str, done_n: int, steps_n: int) -> None:
        if self._cancelled.is_set():
            raise _CancelledError
        self._step, self._done_n, self._steps_n = step, done_n, steps_n

    def _run(self) -> None:
        try:
            with self._turn:
                self._at(self._step, 0, 1)
                self._result = self._work(self._at)
            self._done_n, self._state = self._steps_n, State.DONE
        except _CancelledError:
            self._state = State.CANCELLED
        except Exception as fault:  # raised again where the result is asked for
            self._fault, self._state = fault, State.FAILED
        finally:
            self._ended_s = time.monotonic()
            self.ended.set()


#: Called at the beginning of every step: its name, steps done and steps in all.
At = Callable[[str, int, int], None]
Work = Callable[[At], object]


class Sums:
    """The sums under way and the last that ended. Safe between threads."""

    def __init__(self) -> None:
        self._lock, self._turn = threading.Lock(), threading.Lock()
        self._ids = itertools.count(1)
        self._sums: dict[int, Sum] = {}

    def begin(self, key: Hashable, work: Work, *, good_for_s: float = 0.0) -> Sum:
        """Begin a sum, or come back to the one of the same key that runs.

        One that was done less than ``good_for_s`` ago is come back to as well.
        """
        with self._lock:
            for sum in self._sums.values():
                if sum.key == key and sum.stands(good_for_s):
                    return sum
            id = next(self._ids)
            begun = self._sums[id] = Sum(id, key, work, self._turn)
            ended = [id for id, sum in self._sums.items() if sum.ended.is_set()]
            for old in ended[: max(len(ended) - KEPT_N, 0)]:
                del self._sums[old]
            return begun

    def get(self, id: int) -> Sum:
        """A sum by its id. Raises ``NotFoundError``."""
        with self._lock:
            if id not in self._sums:
                raise NotFoundError(
                    f"there is no sum {id}, or it ended long ago",
                    where="id",
                    remedy="Begin it again; what was worked out before is remembered.",
                )
            return self._sums[id]
