"""A small memory of answers that take long, keyed by everything that they depend on."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


class Remembered(Generic[K, V]):
    """At most ``most`` answers, the longest unused forgotten first. Safe between threads.

    The key must hold every input of the answer: nothing else makes it out of date. One
    answer is made at a time, so that a page asked for twice does not compute twice.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._answers: OrderedDict[K, V] = OrderedDict()

    def answer(self, key: K, make: Callable[[], V]) -> V:
        """The answer of a key, made by ``make`` the first time."""
        with self._lock:
            if key not in self._answers:
                self._answers[key] = make()
            self._answers.move_to_end(key)
            while len(self._answers) > self._most:
                self._answers.popitem(last=False)
            return self._answers[key]
