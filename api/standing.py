"""The share still standing, with no model at all: from intervals and survivals. Pure.

The nonparametric maximum likelihood estimate for parts that failed within (low, high]
(Turnbull 1976), found by self-consistency. With exact failures and survivals alone it is the
Kaplan-Meier estimate; one that was still sound at a failure of another counts as at risk
there. ``low`` is -inf for one that had failed before the first look, ``high`` inf for one that
never failed; low == high is an exact failure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from collector.errors import InvalidError

#: The iteration ends when no share could still gain likelihood at a higher rate than this.
_GAIN = 1e-8
_MOST_ROUNDS = 5_000
#: Shares below this are the iteration's, not the parts'.
_NOTHING = 1e-5


@dataclass(frozen=True, slots=True)
class Fall:
    """A share of all parts that falls within (low, high]; where within, nothing tells."""

    low: float
    high: float
    share: float


@dataclass(frozen=True, slots=True)
class Standing:
    """The falls in order, of ``count`` parts; the last may reach to inf: never seen to fail."""

    falls: tuple[Fall, ...]
    count: int

    def after(self, value: float) -> tuple[float, float]:
        """Least and greatest share still standing after a value; equal outside all falls."""
        surely_down = math.fsum(fall.share for fall in self.falls if fall.high <= value)
        may_be_down = math.fsum(fall.share for fall in self.falls if fall.low < value)
        return max(1 - max(may_be_down, surely_down), 0.0), 1 - surely_down


def standing(intervals: Sequence[tuple[float, float]]) -> Standing:
    """Estimate the share standing from (low, high] of each part; ``InvalidError`` if reversed."""
    for low, high in intervals:
        if not low <= high:
            raise InvalidError(f"({low:g}, {high:g}] ends before it begins.", where="intervals")
    places = _places(intervals)
    if not places:
        return Standing((), 0)
    within = np.array(
        [[_holds(interval, place) for place in places] for interval in intervals], dtype=float
    )
    shares = np.full(len(places), 1 / len(places))
    for _ in range(_MOST_ROUNDS):
        gains = (within / (within @ shares)[:, None]).mean(axis=0)
        shares = shares * gains
        if gains.max() < 1 + _GAIN:
            break
    falls = (
        Fall(low, high, float(share))
        for (low, high), share in zip(places, shares, strict=True)
        if share > _NOTHING
    )
    return Standing(tuple(falls), len(intervals))


def _places(intervals: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The innermost intervals: a beginning with an end right behind it.

    At one value an exact failure begins first, then intervals end, then half-open ones begin.
    """
    marks = {(high, 1) for _, high in intervals}
    marks |= {(low, 0 if low == high else 2) for low, high in intervals}
    ordered = sorted(marks)
    return [
        (left, right) for (left, kind), (right, end) in pairwise(ordered) if kind != 1 and end == 1
    ]


def _holds(interval: tuple[float, float], place: tuple[float, float]) -> bool:
    (low, high), (left, right) = interval, place
    if left == right:
        return (low < left <= high) or low == high == left
    return low <= left and right <= high


# ---- exact failures and survivals alone: the product-limit estimate, step by step --------------


@dataclass(frozen=True, slots=True)
class Survived:
    """What is left after one exact failure value: ``share`` of all, ``at_risk`` just before it.

    ``error`` is Greenwood's standard error (Greenwood 1926); 0 once nothing is left.
    """

    value: float
    at_risk: int
    failed: int
    share: float
    error: float


def survived(failed: Sequence[float], sound: Sequence[float]) -> tuple[Survived, ...]:
    """The product-limit estimate (Kaplan and Meier 1958) at each value at which parts failed.

    ``sound`` are values up to which parts were known to be sound, and no further; one of them
    at a value of failure counts as at risk there.
    """
    steps: list[Survived] = []
    share, spread = 1.0, 0.0
    for value in sorted(set(failed)):
        at_risk = sum(one >= value for one in (*failed, *sound))
        down = sum(one == value for one in failed)
        share *= 1 - down / at_risk
        if down < at_risk:
            spread += down / (at_risk * (at_risk - down))
        steps.append(Survived(value, at_risk, down, share, share * math.sqrt(spread)))
    return tuple(steps)
