"""The prints of accepted plans as the randomised comparison they are. Pure.

Cold and warm were drawn at random on the same days, so within these prints alone a difference
may be put down to the temperature (method, section 3).
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass

from api.causes import words
from api.causes.proportions import Share, newcombe
from api.causes.tables import fisher

NEEDS_ROUNDS = 2

#: A plate counts as failed in this comparison when at least this share of its parts failed.
FAILED_FROM = 0.5


class Arm(enum.StrEnum):
    """What a planned print was drawn for."""

    COLD = "cold"
    WARM = "warm"


@dataclass(frozen=True, slots=True)
class PlannedPrint:
    """One print of an accepted plan; ``failed_share`` is None until it was looked at."""

    id: str
    round_n: int
    arm: Arm
    failed_share: float | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """Cold against warm among the planned prints.

    ``difference`` is the share failed cold less warm with its 95 % interval; ``p`` Fisher's
    exact, two-sided; ``shown`` whether it is at most 0.05. Both None before two rounds.
    """

    rounds_n: int
    cold_n: int
    cold_failed: int
    warm_n: int
    warm_failed: int
    open_n: int
    difference: Share | None
    p: float | None
    shown: bool
    sentences: tuple[str, ...]


def compare(prints: Sequence[PlannedPrint]) -> Comparison:
    """Compare the planned prints by Fisher's exact test, from two rounds on."""
    done = [(p.round_n, p.arm, p.failed_share) for p in prints if p.failed_share is not None]
    cold, warm = (
        [share >= FAILED_FROM for _, own, share in done if own is arm]
        for arm in (Arm.COLD, Arm.WARM)
    )
    both = {n for n, arm, _ in done if arm is Arm.COLD} & {
        n for n, arm, _ in done if arm is Arm.WARM
    }
    rounds_n = len(both)
    counts = (rounds_n, len(cold), sum(cold), len(warm), sum(warm), len(prints) - len(done))
    if rounds_n < NEEDS_ROUNDS:
        said = (
            f"Not enough yet: {words.counted(rounds_n, 'planned round')} with results."
            f" Needs {NEEDS_ROUNDS}.",
        )
        return Comparison(*counts, None, None, False, said)
    found = fisher(((sum(cold), len(cold) - sum(cold)), (sum(warm), len(warm) - sum(warm))))
    difference = newcombe(sum(cold), len(cold), sum(warm), len(warm))
    shown = found.p <= 0.05
    return Comparison(*counts, difference, found.p, shown, _sentences(counts, difference, shown))


def _sentences(counts: tuple[int, ...], difference: Share, shown: bool) -> tuple[str, ...]:
    _, cold_n, cold_failed, warm_n, warm_failed, open_n = counts
    seen = (
        f"In the planned prints {cold_failed} of {cold_n} failed cold and"
        f" {warm_failed} of {warm_n} warm."
    )
    if shown and difference.share > 0.0:
        found = "Colder resin made prints fail more often: cold and warm were drawn at random."
    elif shown:
        found = "Warmer resin made prints fail more often: cold and warm were drawn at random."
    else:
        found = "That is not clear enough to tell from chance yet."
    lo, hi = words.points(difference.lo), words.points(difference.hi)
    apart = f"Cold less warm: {lo} to {hi} percentage points (95 % interval)."
    waiting = (f"{words.counted(open_n, 'planned print')} still to do.",) if open_n else ()
    return (seen, found, apart, *waiting)
