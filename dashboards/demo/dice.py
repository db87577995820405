"""Dice that fall the same way for the same seed, on every machine. Pure.

The generator is splitmix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number
generators", 2014): a counter through a mixer. numpy's own generators would do as well, but
loading them costs 7 MB of memory, a sixth of what the whole simulated workshop takes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeVar

T = TypeVar("T")

GOLDEN = 0x9E3779B97F4A7C15
_WORD = 2**64


def mixed(word: int) -> int:
    """The mixer of splitmix64: a 64-bit word in, one without visible relation out."""
    word = (word ^ (word >> 30)) * 0xBF58476D1CE4E5B9 % _WORD
    word = (word ^ (word >> 27)) * 0x94D049BB133111EB % _WORD
    return word ^ (word >> 31)


class Dice:
    """A stream of chances that follows from its seed (any whole number)."""

    def __init__(self, seed: int) -> None:
        self._counter = seed % _WORD

    def word(self) -> int:
        """The next 64-bit word of the stream."""
        self._counter = (self._counter + GOLDEN) % _WORD
        return mixed(self._counter)

    def random(self) -> float:
        """Uniform in [0, 1)."""
        return (self.word() >> 11) / 2**53

    def uniform(self, low: float, high: float) -> float:
        """Uniform in [low, high)."""
        return low + (high - low) * self.random()

    def normal(self, mean: float, deviation: float) -> float:
        """Normally distributed (Box-Muller)."""
        radius = math.sqrt(-2.0 * math.log(1.0 - self.random()))
        return mean + deviation * radius * math.cos(2.0 * math.pi * self.random())

    def choice(self, options: Sequence[T], weights: Sequence[float] | None = None) -> T:
        """One of the options, each as likely as its weight says (all alike without)."""
        shares = weights or [1.0] * len(options)
        mark = self.uniform(0.0, math.fsum(shares))
        for option, share in zip(options, shares, strict=True):
            mark -= share
            if mark < 0.0:
                return option
        return next(o for o, share in zip(options[::-1], shares[::-1], strict=True) if share > 0.0)

    def sample(self, options: Sequence[T], count: int) -> list[T]:
        """``count`` different options, in the order drawn."""
        left = list(options)
        return [left.pop(int(self.uniform(0, len(left)))) for _ in range(count)]
