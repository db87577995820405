"""Many tests at once: Holm's and Benjamini and Hochberg's adjusted p. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np


def holm(p: Sequence[float]) -> tuple[float, ...]:
    """Holm's step-down adjusted p, in the order given (Holm 1979, Scand. J. Stat. 6, 65-70)."""
    order = np.argsort(p, kind="stable")
    factors = len(p) - np.arange(len(p))
    rising = np.minimum(np.maximum.accumulate(np.asarray(p)[order] * factors), 1.0)
    return _back(rising, order)


def benjamini_hochberg(p: Sequence[float]) -> tuple[float, ...]:
    """Adjusted p of Benjamini and Hochberg (1995, J. R. Stat. Soc. B 57, 289-300)."""
    order = np.argsort(p, kind="stable")
    factors = len(p) / np.arange(1, len(p) + 1)
    falling = np.minimum.accumulate((np.asarray(p)[order] * factors)[::-1])[::-1]
    return _back(np.minimum(falling, 1.0), order)


def _back(values: np.ndarray, order: np.ndarray) -> tuple[float, ...]:
    """Sorted values put back into the order they came in."""
    back = np.empty(len(order))
    back[order] = values
    return tuple(back.tolist())
