"""Risk of failure against vat temperature, and the temperature of a chosen risk. Pure.

Both are for *a typical print of this log* (its average resin and settings), with 95 %
intervals from the weighted draws of :mod:`api.causes.posterior`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from api.causes.posterior import Draws, weighted_quantiles
from api.causes.proportions import Share
from api.causes.rows import Floats, Log

#: Steps of the curve [°C].
GRID_C = 0.25

#: A resin's own limit needs this many prints and failures of it.
RESIN_PRINTS, RESIN_FAILURES = 10, 3.0

#: Bins that the draws of a risk are counted into.
_BINS = 1_024

_QUANTILES = np.array([0.025, 0.5, 0.975])


@dataclass(frozen=True, slots=True)
class Threshold:
    """Where the risk crosses the asked level [°C]; None for a bound that cannot be given.

    ``lo_c`` and ``hi_c`` are the 95 % interval, ``mid_c`` the best guess (given only between
    two bounds). No bound lies outside the logged temperatures.
    """

    lo_c: float | None
    mid_c: float | None
    hi_c: float | None


@dataclass(frozen=True, slots=True)
class RiskCurve:
    """Risk (0 to 1) with its 95 % band at each of the temperatures [°C], all logged ones."""

    temperature_c: tuple[float, ...]
    lo: tuple[float, ...]
    mid: tuple[float, ...]
    hi: tuple[float, ...]

    def at(self, temperature_c: float) -> Share | None:
        """Risk of a typical print at a temperature [°C]; None outside the logged ones."""
        if not self.temperature_c[0] <= temperature_c <= self.temperature_c[-1]:
            return None
        mid, lo, hi = (
            float(np.interp(temperature_c, self.temperature_c, column))
            for column in (self.mid, self.lo, self.hi)
        )
        return Share(mid, lo, hi)


@dataclass(frozen=True, slots=True)
class ResinThreshold:
    """The threshold of one resin with enough prints of its own, its settings average."""

    resin: str
    prints_n: int
    failures: float
    coldest_c: float
    warmest_c: float
    threshold: Threshold


@dataclass(frozen=True, slots=True)
class Span:
    """Quantiles 2.5, 50 and 97.5 % of where the risk crosses a level [°C]; may be ±inf."""

    lo_c: float
    mid_c: float
    hi_c: float

    def within(self, coldest_c: float, warmest_c: float) -> Threshold:
        """What may be stated of it: nothing outside the logged temperatures."""
        lo = self.lo_c if coldest_c <= self.lo_c <= warmest_c else None
        hi = self.hi_c if coldest_c <= self.hi_c <= warmest_c else None
        both = lo is not None and hi is not None
        return Threshold(lo, self.mid_c if both else None, hi)


def span_of(draws: Draws, level: float, resin: int | None = None) -> Span:
    """Where the risk crosses ``level``, before anything is held back."""
    lo, mid, hi = weighted_quantiles(draws.threshold_c(level, resin), draws.weights, _QUANTILES)
    return Span(float(lo), float(mid), float(hi))


def curve_of(draws: Draws, coldest_c: float, warmest_c: float) -> RiskCurve:
    """The curve with its band every :data:`GRID_C` from the coldest to the warmest logged."""
    steps = int(np.ceil((warmest_c - coldest_c) / GRID_C - 1e-9))
    grid = np.minimum(coldest_c + GRID_C * np.arange(steps + 1), warmest_c)
    risk = draws.risk(grid)
    lo, mid, hi = np.array([share_quantiles(c, draws.weights, _QUANTILES) for c in risk.T]).T
    return RiskCurve(_floats(grid), _floats(lo), _floats(mid), _floats(hi))


def share_quantiles(shares: Floats, weights: Floats, at: Floats) -> Floats:
    """What :func:`weighted_quantiles` gives for shares (m, 0 to 1), without sorting all of them.

    They are counted into bins first, and only the bins that hold a quantile are sorted.
    """
    bins = np.minimum((shares * _BINS).astype(np.int64), _BINS - 1)
    reached = np.cumsum(np.bincount(bins, weights, _BINS))
    found = np.empty(len(at))
    for place, quantile in enumerate(at):
        bin = min(int(np.searchsorted(reached, quantile)), int(bins.max()))
        inside = np.flatnonzero(bins == bin)
        inside = inside[np.argsort(shares[inside])]
        below = float(reached[bin - 1]) if bin else 0.0
        step = int(np.searchsorted(below + np.cumsum(weights[inside]), quantile))
        found[place] = shares[inside[min(step, len(inside) - 1)]]
    return found


def resin_thresholds(log: Log, draws: Draws, level: float) -> tuple[ResinThreshold, ...]:
    """The threshold of each resin with prints and failures enough, by name."""
    if len(log.resins) < 2:
        return ()
    found = []
    for index, resin in enumerate(log.resins):
        own = log.resin_of == index
        failures = float(log.failed_share[own].sum())
        if own.sum() < RESIN_PRINTS or failures < RESIN_FAILURES:
            continue
        coldest, warmest = (float(f(log.temperature_c[own])) for f in (np.min, np.max))
        threshold = span_of(draws, level, index).within(coldest, warmest)
        found.append(ResinThreshold(resin, int(own.sum()), failures, coldest, warmest, threshold))
    return tuple(sorted(found, key=lambda one: one.resin))


def _floats(column: Floats) -> tuple[float, ...]:
    return tuple(column.tolist())
