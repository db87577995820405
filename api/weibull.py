"""How much break loads scatter: a Weibull fit with held parts censored. Pure.

    share broken by a load x = 1 - exp(-(x / scale)^shape)

The shape is the *Weibull modulus*: 5 is a wide scatter, 20 a narrow one. Maximum likelihood;
with the scale profiled out one equation for the shape remains, which has one root.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from collector.errors import InvalidError

#: Half the 95 % point of chi-square on one degree of freedom.
_CUT = 1.920729410347062

#: Shapes looked at; the loads are scaled so that no power overflows.
_SHAPES = (1e-3, 1e4)

#: Fewest broken parts for a modulus that says anything (common practice, no source).
FEWEST_BROKEN = 5


@dataclass(frozen=True, slots=True)
class WeibullFit:
    """Shape, scale [as the loads], log-likelihood, and the shape's 95 % profile interval.

    The interval rests on the chi-square cut-off and is rough for few parts.
    """

    shape: float
    scale: float
    log_likelihood: float
    shape_low: float
    shape_high: float


def weibull(broken: Sequence[float], held: Sequence[float] = ()) -> WeibullFit:
    """The fit to loads at which parts broke and loads that others held unbroken.

    Raises ``InvalidError`` with fewer than two different broken loads: no scatter is seen.
    """
    everything = [*broken, *held]
    if len(set(broken)) < 2 or min(everything) <= 0:
        raise InvalidError(
            "a scatter takes two different loads at which parts broke",
            where="broken",
            remedy="Break more parts, with a stronger gauge if they held this one's limit.",
        )
    size = math.exp(math.fsum(map(math.log, broken)) / len(broken))
    logs = [math.log(load / size) for load in everything]
    spent = math.fsum(logs[: len(broken)])
    d = len(broken)

    def power(shape: float) -> tuple[float, float]:
        """log of the sum of x^shape, and the mean of log x weighted by it; never overflows."""
        top = max(shape * log for log in logs)
        weights = [math.exp(shape * log - top) for log in logs]
        total = math.fsum(weights)
        mean = math.fsum(w * log for w, log in zip(weights, logs, strict=True)) / total
        return top + math.log(total), mean

    def slope(shape: float) -> float:
        return 1 / shape + spent / d - power(shape)[1]

    def likelihood(shape: float) -> float:
        return d * (math.log(shape * d) - power(shape)[0] - 1) + (shape - 1) * spent

    best = _root(slope, *_SHAPES)
    top = likelihood(best)
    scale = math.exp((power(best)[0] - math.log(d)) / best) * size
    return WeibullFit(
        shape=best,
        scale=scale,
        log_likelihood=top - d * math.log(size),
        shape_low=_root(lambda shape: likelihood(shape) - top + _CUT, best, _SHAPES[0]),
        shape_high=_root(lambda shape: likelihood(shape) - top + _CUT, best, _SHAPES[1]),
    )


def _root(of: Callable[[float], float], above: float, below: float) -> float:
    """Where a function that is positive at ``above`` and negative at ``below`` is zero."""
    for _ in range(200):
        middle = math.sqrt(above * below)
        if of(middle) > 0:
            above = middle
        else:
            below = middle
    return math.sqrt(above * below)
