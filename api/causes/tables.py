"""Exact small tables: failures by band, two resins or settings compared, strata. Pure.

A 2x2 table is ``((failed, good), (failed, good))`` for the two that are compared; strata are
several of them (one per resin, say), compared within each and then together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import numpy as np
from pydantic import WithJsonSchema

from api.causes.firth import chi2_tail
from api.causes.proportions import Z_95, Share, wilson

#: A number that an empty cell leaves without a value: NaN or infinite here, null where it is sent.
Open = Annotated[float, WithJsonSchema({"anyOf": [{"type": "number"}, {"type": "null"}]})]

Table = tuple[tuple[int, int], tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Fisher:
    """Fisher's exact test: ``p`` two-sided, the conditional odds ratio with its 95 % interval.

    ``odds_ratio`` 0 or +inf, or an end of the interval, where a cell is empty.
    """

    p: float
    odds_ratio: Open
    lo: float
    hi: Open


def fisher(table: Table) -> Fisher:
    """Fisher's exact test of a 2x2 table (Fisher 1935; interval of Cornfield, exact)."""
    from scipy.stats import fisher_exact
    from scipy.stats.contingency import odds_ratio

    p = float(fisher_exact(np.array(table)).pvalue)
    if 0 in (sum(table[0]), sum(table[1]), table[0][0] + table[1][0], table[0][1] + table[1][1]):
        return Fisher(1.0, math.nan, 0.0, math.inf)
    found = odds_ratio(np.array(table), kind="conditional")
    interval = found.confidence_interval(0.95)
    return Fisher(p, float(found.statistic), float(interval.low), float(interval.high))


@dataclass(frozen=True, slots=True)
class Strata:
    """Mantel-Haenszel over strata: common odds ratio with its 95 % interval, and the tests.

    ``chi2`` (without continuity correction) and ``chi2_corrected`` are on one degree of
    freedom. ``breslow_day`` and ``tarone`` test whether the odds ratio is the same everywhere,
    on ``strata_n - 1``. ``crude`` is the odds ratio with the strata thrown together; ``reversed``
    where it points the other way than the common one. NaN where a cell sum is empty.
    """

    odds_ratio: Open
    lo: float
    hi: Open
    chi2: float
    p: float
    chi2_corrected: float
    p_corrected: float
    breslow_day: Open
    breslow_day_p: Open
    tarone: Open
    tarone_p: Open
    crude: Open
    reversed: bool
    strata_n: int


def mantel_haenszel(tables: Sequence[Table]) -> Strata:
    """Compare two within strata (Mantel and Haenszel 1959; variance of Robins et al. 1986)."""
    used = [t for t in tables if sum(map(sum, t)) > 1]
    a, b, c, d = np.array([[*t[0], *t[1]] for t in used], dtype=np.float64).reshape(-1, 4).T
    n = a + b + c + d
    r, s = a * d / n, b * c / n
    total_r, total_s = float(r.sum()), float(s.sum())
    common = total_r / total_s if total_s > 0 else (math.inf if total_r > 0 else math.nan)
    spread = (a + b) * (c + d) * (a + c) * (b + d) / (n * n * (n - 1.0))
    lead = abs(float(np.sum(a - (a + b) * (a + c) / n)))
    variance = float(spread.sum())
    chi2 = lead**2 / variance if variance > 0 else 0.0
    corrected = max(lead - 0.5, 0.0) ** 2 / variance if variance > 0 else 0.0
    lo, hi = _robins((a + d) / n, (b + c) / n, r, s, common)
    breslow_day, tarone, informative_n = _homogeneity(a, b, c, d, common)
    crude_lead = float(a.sum() * d.sum()), float(b.sum() * c.sum())
    crude = crude_lead[0] / crude_lead[1] if crude_lead[1] > 0 else math.inf
    return Strata(
        odds_ratio=common,
        lo=lo,
        hi=hi,
        chi2=chi2,
        p=chi2_tail(chi2),
        chi2_corrected=corrected,
        p_corrected=chi2_tail(corrected),
        breslow_day=breslow_day,
        breslow_day_p=_chi2_tail_of(breslow_day, informative_n - 1),
        tarone=tarone,
        tarone_p=_chi2_tail_of(tarone, informative_n - 1),
        crude=crude,
        reversed=(crude - 1.0) * (common - 1.0) < 0.0,
        strata_n=len(used),
    )


def _robins(
    p: np.ndarray, q: np.ndarray, r: np.ndarray, s: np.ndarray, common: float
) -> tuple[float, float]:
    """95 % interval of the common odds ratio (Robins, Breslow and Greenland 1986)."""
    total_r, total_s = float(r.sum()), float(s.sum())
    if total_r <= 0 or total_s <= 0:
        return (0.0, math.inf)
    variance = (
        float(p @ r) / (2.0 * total_r**2)
        + float(p @ s + q @ r) / (2.0 * total_r * total_s)
        + float(q @ s) / (2.0 * total_s**2)
    )
    half = Z_95 * math.sqrt(variance)
    return common * math.exp(-half), common * math.exp(half)


def _homogeneity(
    a: np.ndarray, b: np.ndarray, c: np.ndarray, d: np.ndarray, common: float
) -> tuple[float, float, int]:
    """Breslow and Day's statistic, Tarone's, and how many strata can tell."""
    if not 0.0 < common < math.inf:
        return math.nan, math.nan, 0
    tells = ((a + b) * (c + d) * (a + c) * (b + d)) > 0
    first, second, failed = (a + b)[tells], (c + d)[tells], (a + c)[tells]
    # Expected failures at the common odds ratio: the root of a quadratic that fits the margins.
    two = 1.0 - common
    one = second - failed + common * (first + failed)
    zero = -common * first * failed
    if abs(two) < 1e-12:
        expected = -zero / one
    else:
        expected = (-one + np.sqrt(one * one - 4.0 * two * zero)) / (2.0 * two)
    spread = 1.0 / (
        1.0 / expected
        + 1.0 / (failed - expected)
        + 1.0 / (first - expected)
        + 1.0 / (second - failed + expected)
    )
    off = a[tells] - expected
    breslow_day = float(np.sum(off**2 / spread))
    tarone = breslow_day - float(off.sum()) ** 2 / float(spread.sum())
    return breslow_day, tarone, int(tells.sum())


def _chi2_tail_of(statistic: float, df: int) -> float:
    if df < 1 or math.isnan(statistic):
        return math.nan
    from scipy.special import chdtrc

    return float(chdtrc(df, statistic))


@dataclass(frozen=True, slots=True)
class Trend:
    """Cochran-Armitage: ``z`` of the trend of failed shares over scores, p two-sided."""

    z: float
    chi2: float
    p: float


def cochran_armitage(
    failed: Sequence[float], of: Sequence[float], scores: Sequence[float]
) -> Trend:
    """Trend over ordered groups; the scores should be the real temperatures, not bin numbers.

    Armitage (1955), Biometrics 11, 375-386. No trend where scores or outcomes do not differ.
    """
    k, n, x = (np.asarray(column, dtype=np.float64) for column in (failed, of, scores))
    total = float(n.sum())
    share = float(k.sum()) / total
    mean = float(n @ x) / total
    spread = share * (1.0 - share) * float(n @ (x - mean) ** 2)
    if spread <= 0.0:
        return Trend(0.0, 0.0, 1.0)
    z = float((k - n * share) @ (x - mean)) / math.sqrt(spread)
    return Trend(z, z * z, chi2_tail(z * z))


@dataclass(frozen=True, slots=True)
class Band:
    """Prints that started between two temperatures [°C], ``[from_c, to_c)``, and their failures."""

    from_c: float
    to_c: float
    prints_n: int
    failures: float
    share: Share | None


def bands(
    temperature_c: Sequence[float], failed_share: Sequence[float], width_c: float = 2.0
) -> tuple[Band, ...]:
    """Failures by temperature band with Wilson intervals; empty bands between others are kept."""
    t, y = np.asarray(temperature_c, dtype=np.float64), np.asarray(failed_share, dtype=np.float64)
    if not len(t):
        return ()
    places = np.floor(t / width_c + 1e-9).astype(np.int64)
    found = []
    for place in range(int(places.min()), int(places.max()) + 1):
        own = places == place
        n, failures = int(own.sum()), float(y[own].sum())
        share = wilson(failures, n) if n else None
        found.append(Band(place * width_c, (place + 1) * width_c, n, failures, share))
    return tuple(found)


def band_sentences(found: Sequence[Band]) -> tuple[str, ...]:
    """Each band with prints in words: its failures, its share and the share's interval."""
    said = []
    for band in found:
        if band.share is None:
            continue
        per_cent = [
            f"{100.0 * part:.0f}" for part in (band.share.share, band.share.lo, band.share.hi)
        ]
        failures = f"{band.failures:.1f}".removesuffix(".0")
        said.append(
            f"{band.from_c:g} to {band.to_c:g} °C: {failures} of {band.prints_n} failed,"
            f" {per_cent[0]} % (95 % interval {per_cent[1]} to {per_cent[2]} %)."
        )
    return tuple(said)


def zero_failures_bound(of: int, confidence: float = 0.95) -> float:
    """One-sided upper bound of the failing share after none of ``of`` failed."""
    return float(-math.expm1(math.log1p(-confidence) / of))


def success_run(confidence: float, reliability: float) -> int:
    """Parts that must all pass to claim a ``reliability`` at a ``confidence``."""
    return math.ceil(math.log1p(-confidence) / math.log(reliability) - 1e-9)
