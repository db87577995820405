"""The link test: does a condition go with failures, beyond resin, settings and season? Pure.

Two tests must agree at 5 %: the Firth likelihood ratio and the circular shift (method, 1a).
"""

from __future__ import annotations

import enum
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from api.causes.firth import LikelihoodRatio, likelihood_ratios
from api.causes.rows import Adjusters, Floats
from api.causes.shift import ShiftTest, shift_test

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


def matches(against: Sequence[tuple[Floats, Adjusters]], y: Floats) -> list[Match]:
    """Both tests of each condition (n) with its adjusters, against failed shares ``y`` (n).

    A condition that the adjusters explain wholly comes out with statistic 0.
    """
    shifts = [shift_test(x, y, adjusters) for x, adjusters in against]
    designs = [design_of(x, adjusters) for x, adjusters in against]
    ratios = iter(likelihood_ratios([d for d, _ in designs if d is not None], y, 1))
    found = []
    for (design, scale), shift in zip(designs, shifts, strict=True):
        ratio = LikelihoodRatio(0.0, 0.0) if design is None else next(ratios)
        found.append(Match(LikelihoodRatio(ratio.coefficient / scale, ratio.statistic), shift))
    return found


def design_of(x: Floats, adjusters: Adjusters) -> tuple[Floats | None, float]:
    """Constant, condition, adjusters as a design, and the unit that the condition is in there.

    Column 1 is what the adjusters leave of ``x``, over its spread: its coefficient and tests are
    those of ``x`` itself. The adjusters' own columns are taken as what they span. None where
    nothing is left of ``x``.
    """
    left = adjusters.residual(x)
    if not left.any():
        return None, 1.0
    scale = float(left.std())
    spread = math.sqrt(len(x))
    return np.column_stack([np.ones(len(x)), left / scale, spread * adjusters.basis[:, 1:]]), scale


def link_test(x: Floats, y: Floats, adjusters: Adjusters, and_order: Adjusters) -> LinkTest:
    """The link test of condition ``x`` (n) with failed shares ``y`` (n), prints in start order.

    ``and_order`` are the adjusters and the order of the prints.
    """
    plain, with_order = matches([(x, adjusters), (x, and_order)], y)
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
