"""Small groups with censored results: profile likelihoods with a t-calibrated cut-off. Pure.

Each group has a location and a spread of its own; the spread is profiled out on a grid. A
location is kept in the 95 % interval when

    2 (max - profile(location)) <= n log(1 + t^2 / df),   t the 97.5 % point of t with df

which, for complete normal results, is exactly the t interval, and keeps its promise for
interval- and right-censored ones where the chi-square cut-off (80 to 94 %) and Wald intervals
(9 to 89 %) do not (own simulations; ``tests/bench/groups_acceptance.py`` repeats them).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.causes.multiplicity import holm

Floats = npt.NDArray[np.float64]

#: Confidence of every interval, and the level of every flag.
LEVEL = 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval; an end that the results do not bound is None."""

    low: float | None
    high: float | None

    def holds(self, value: float) -> bool:
        """Whether a value lies inside, ends included."""
        return (self.low is None or self.low <= value) and (self.high is None or value <= self.high)

    def widened(self, centre: float, by: float) -> Interval:
        """With an independent error of this half-width added to either side of the centre."""
        return Interval(
            None if self.low is None else centre - math.hypot(centre - self.low, by),
            None if self.high is None else centre + math.hypot(self.high - centre, by),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """Log-likelihood over an even grid of locations (or differences), spreads profiled out.

    ``count`` is the number of results behind it, ``df`` its degrees of freedom.
    """

    grid: Floats
    values: Floats
    count: int
    df: int

    @property
    def best(self) -> float:
        """The most likely location; the middle where several are equally likely.

        Where they run on to an end of the grid, the one furthest from that end.
        """
        likely = np.flatnonzero(self.values >= self.values.max() - 1e-9)
        first, last = int(likely[0]), int(likely[-1])
        if last == len(self.grid) - 1 and first > 0:
            last = first
        elif first == 0 and last < len(self.grid) - 1:
            first = last
        return float(self.grid[first] + self.grid[last]) / 2

    def interval(self) -> Interval:
        """All locations kept at 95 %; open where they size the end of the grid."""
        from scipy.special import stdtrit

        point = float(stdtrit(self.df, (1 + LEVEL) / 2))
        cut = self.count * math.log1p(point**2 / self.df)
        away = 2 * (self.values.max() - self.values) - cut
        kept = np.flatnonzero(away <= 0)
        first, last = int(kept[0]), int(kept[-1])
        return Interval(
            None if first == 0 else self._crossing(away, first, first - 1),
            None if last == len(self.grid) - 1 else self._crossing(away, last, last + 1),
        )

    def _crossing(self, away: Floats, inside: int, outside: int) -> float:
        """Where the cut-off is passed between two neighbours of the grid, by a straight line."""
        share = -away[inside] / (away[outside] - away[inside])
        return float(self.grid[inside] + share * (self.grid[outside] - self.grid[inside]))

    def p_value(self, location: float) -> float:
        """Two-sided p of one location on the grid, by the same calibration."""
        from scipy.special import stdtr

        here = self.values[int(np.argmin(np.abs(self.grid - location)))]
        ratio = max(2 * float(self.values.max() - here), 0.0)
        statistic = math.sqrt(self.df * math.expm1(ratio / self.count))
        return float(2 * stdtr(self.df, -statistic))


def difference(first: Profile, second: Profile) -> Profile:
    """The profile of second minus first; both must share one grid.

    Beyond the grid either profile is taken to stay as it is at its end, so that a group that
    bounds nothing on one side bounds no difference on that side.
    """
    size = len(first.grid)
    step = float(first.grid[1] - first.grid[0])
    ours, theirs = (np.pad(profile.values, size, mode="edge") for profile in (first, second))
    values = np.full(2 * size + 1, -np.inf)
    for i, value in enumerate(ours.tolist()):
        # theirs at j minus ours at i is j - i steps, kept at j - i + size.
        low, high = max(i - size, 0), min(i + size + 1, len(theirs))
        at = slice(low - i + size, high - i + size)
        np.maximum(values[at], value + theirs[low:high], out=values[at])
    grid = np.arange(-size, size + 1, dtype=np.float64) * step
    return Profile(grid, values, first.count + second.count, first.count + second.count - 2)


def normal_profile(
    grid: Floats, spreads: Floats, low: Floats, high: Floats, exact: Floats | None = None
) -> Profile:
    """Profile of a normal location from intervals (low, high] and exact values.

    ``low`` may be -inf and ``high`` inf; a right-censored value is (value, inf].
    """
    values = np.zeros((len(grid), len(spreads)))
    scale = spreads[None, :]
    for a, b in zip(low.tolist(), high.tolist(), strict=True):
        values += _log_between((a - grid[:, None]) / scale, (b - grid[:, None]) / scale)
    for x in [] if exact is None else exact.tolist():
        z = (x - grid[:, None]) / scale
        values += -0.5 * z**2 - np.log(scale) - 0.5 * math.log(2 * math.pi)
    count = len(low) + (0 if exact is None else len(exact))
    return Profile(grid, values.max(axis=1), count, count - 1)


def _log_between(low: Floats, high: Floats) -> Floats:
    """log(Phi(high) - Phi(low)), exact far out in either tail."""
    from scipy.special import log_ndtr

    # In the upper tail both are close to 1: turn it over.
    upper = low > 0
    a, b = np.where(upper, -high, low), np.where(upper, -low, high)
    larger, smaller = log_ndtr(b), log_ndtr(a)
    with np.errstate(divide="ignore"):
        return np.asarray(larger + np.log1p(-np.exp(np.minimum(smaller - larger, 0.0))))


def compared(
    profiles: Mapping[str, Profile], pairs: Sequence[tuple[str, str]]
) -> list[tuple[str, str, Profile, float]]:
    """Each pair with the profile of second minus first and its p of no difference, by Holm."""
    apart = [difference(profiles[first], profiles[second]) for first, second in pairs]
    adjusted = holm([profile.p_value(0.0) for profile in apart])
    return [(*pair, profile, p) for pair, profile, p in zip(pairs, apart, adjusted, strict=True)]


def at_least_share(passed: int, tried: int) -> float:
    """One-sided 95 % lower bound (Clopper-Pearson) for the share of such parts that pass.

    0.05^(1/n) when all of n passed.
    """
    from scipy.special import betaincinv

    return float(betaincinv(passed, tried - passed + 1, 1 - LEVEL)) if passed else 0.0
