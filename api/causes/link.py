"""The link test: does a condition go with failures, beyond resin, settings and season? Pure.

Two tests must agree at 5 %: the Firth likelihood ratio and the circular shift (method, 1a).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from api.causes.firth import LikelihoodRatio, likelihood_ratio
from api.causes.rows import Floats, independent
from api.causes.shift import ShiftTest, residual, shift_test

#: Two-sided, everywhere.
ALPHA = 0.05

#: Prints beyond the columns of the model that a test needs to say anything.
SPARE_PRINTS = 5


class Direction(enum.StrEnum):
    """Which end of a condition goes with failures."""

    LOW = "low"
    HIGH = "high"


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """One condition against failures with one set of adjusters."""

    ratio: LikelihoodRatio
    shift: ShiftTest


@dataclass(frozen=True, slots=True)
class LinkTest:
    """Whether a condition goes with failures.

    ``p_firth`` and ``p_shift`` are adjusted for resin and settings, the ``..._with_order``
    twins for the order of the prints too. ``coefficient`` is Firth's, per unit of the
    condition; ``statistic`` its likelihood ratio. ``linked`` when both p are at most 0.05;
    ``only_seasonal`` when linked and a twin is not.
    """

    p_firth: float
    p_shift: float
    p_firth_with_order: float
    p_shift_with_order: float
    coefficient: float
    statistic: float
    direction: Direction
    linked: bool
    only_seasonal: bool


def match(x: Floats, y: Floats, adjusters: Floats) -> Match:
    """Both tests of one condition, ``adjusters`` (n, k) freed of columns that repeat others.

    A condition that the adjusters explain wholly comes out with statistic 0.
    """
    shift = shift_test(x, y, independent(adjusters))
    design, scale = design_of(x, adjusters)
    if design is None:
        return Match(LikelihoodRatio(0.0, 0.0), shift)
    ratio = likelihood_ratio(design, y, 1)
    return Match(LikelihoodRatio(ratio.coefficient / scale, ratio.statistic), shift)


def design_of(x: Floats, adjusters: Floats) -> tuple[Floats | None, float]:
    """Constant, condition, adjusters as a design, and the unit that the condition is in there.

    Column 1 is what the adjusters leave of ``x``, over its spread: its coefficient and tests are
    those of ``x`` itself. None where nothing is left.
    """
    columns = independent(adjusters)
    left = residual(x, columns)
    if not left.any():
        return None, 1.0
    scale = float(left.std())
    return np.column_stack([np.ones(len(x)), left / scale, _standard(columns)]), scale


def _standard(columns: Floats) -> Floats:
    """Columns with mean 0 and spread 1; Firth's test does not depend on it, rounding does."""
    spread = columns.std(axis=0)
    return np.asarray((columns - columns.mean(axis=0)) / np.where(spread > 0, spread, 1.0))


def spare_prints(adjusters: Floats) -> int:
    """Prints beyond those that constant, condition, adjusters and order use up."""
    return len(adjusters) - int(independent(adjusters).shape[1]) - 3


def link_test(x: Floats, y: Floats, adjusters: Floats, order: Floats) -> LinkTest:
    """The link test of condition ``x`` (n) with failed shares ``y`` (n), prints in start order."""
    plain = match(x, y, adjusters)
    with_order = match(x, y, np.column_stack([adjusters, order]))
    linked = plain.ratio.p <= ALPHA and plain.shift.p <= ALPHA
    holds = with_order.ratio.p <= ALPHA and with_order.shift.p <= ALPHA
    return LinkTest(
        p_firth=plain.ratio.p,
        p_shift=plain.shift.p,
        p_firth_with_order=with_order.ratio.p,
        p_shift_with_order=with_order.shift.p,
        coefficient=plain.ratio.coefficient,
        statistic=plain.ratio.statistic,
        direction=Direction.LOW if plain.ratio.coefficient < 0 else Direction.HIGH,
        linked=linked,
        only_seasonal=linked and not holds,
    )
