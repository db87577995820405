"""Intervals of one share and of the difference of two. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

#: 97.5 % point of the normal distribution.
Z_95 = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Share:
    """A share (0 to 1), or a difference of two (-1 to 1), with its 95 % interval."""

    share: float
    lo: float
    hi: float


def wilson(failed: float, of: float, z: float = Z_95) -> Share:
    """Wilson's score interval of ``failed`` out of ``of`` (Wilson 1927, JASA 22, 209-212)."""
    share = failed / of
    centre = (failed + z * z / 2.0) / (of + z * z)
    half = z / (of + z * z) * math.sqrt(failed * (1.0 - share) + z * z / 4.0)
    lo = 0.0 if failed <= 0 else max(centre - half, 0.0)
    hi = 1.0 if failed >= of else min(centre + half, 1.0)
    return Share(share, lo, hi)


def wilson_corrected(failed: float, of: float, z: float = Z_95) -> Share:
    """Wilson's interval with continuity correction (Newcombe 1998, Stat. Med. 17, method 4)."""
    p, q = failed / of, 1.0 - failed / of
    lo_root = math.sqrt(max(z * z - 2.0 - 1.0 / of + 4.0 * p * (of * q + 1.0), 0.0))
    hi_root = math.sqrt(max(z * z + 2.0 - 1.0 / of + 4.0 * p * (of * q - 1.0), 0.0))
    lo = (2.0 * of * p + z * z - 1.0 - z * lo_root) / (2.0 * (of + z * z))
    hi = (2.0 * of * p + z * z + 1.0 + z * hi_root) / (2.0 * (of + z * z))
    return Share(p, max(lo, 0.0) if failed > 0 else 0.0, min(hi, 1.0) if failed < of else 1.0)


def newcombe(failed_a: float, of_a: float, failed_b: float, of_b: float) -> Share:
    """Share a less share b with Newcombe's hybrid score interval (Stat. Med. 17, 873-890)."""
    a, b = wilson(failed_a, of_a), wilson(failed_b, of_b)
    difference = a.share - b.share
    return Share(
        difference,
        difference - math.hypot(a.share - a.lo, b.hi - b.share),
        difference + math.hypot(a.hi - a.share, b.share - b.lo),
    )


def clopper_pearson(failed: int, of: int, alpha: float = 0.05) -> Share:
    """The exact interval of ``failed`` out of ``of`` (Clopper and Pearson 1934)."""
    # The beta distribution's quantile without scipy.stats, whose import costs 25 MB.
    from scipy.special import betaincinv

    lo = float(betaincinv(failed, of - failed + 1, alpha / 2.0)) if failed > 0 else 0.0
    hi = float(betaincinv(failed + 1, of - failed, 1.0 - alpha / 2.0)) if failed < of else 1.0
    return Share(failed / of, lo, hi)
