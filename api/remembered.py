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

    The key must hold every input of the answer: nothing else makes it out of date. An answer
    is made once, however many ask for it meanwhile; other answers do not wait for it.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._answers: OrderedDict[K, V] = OrderedDict()
        self._making: dict[K, threading.Lock] = {}

    def answer(self, key: K, make: Callable[[], V]) -> V:
        """The answer of a key, made by ``make`` the first time."""
        with self._lock:
            if key in self._answers:
                self._answers.move_to_end(key)
                return self._answers[key]
            making = self._making.setdefault(key, threading.Lock())
        with making:
            with self._lock:
                if key in self._answers:
                    return self._answers[key]
            try:
                made = make()
                with self._lock:
                    self._answers[key] = made
                    while len(self._answers) > self._most:
                        self._answers.popitem(last=False)
                return made
            finally:
                with self._lock:
                    self._making.pop(key, None)
