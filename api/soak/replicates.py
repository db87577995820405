"""Several parts of a resin, stepped up until they gave way: at what temperature do they? Pure.

A part is known to have given way between the measured mean of the last step it survived and
that of the step it was found failed in. From such brackets come the highest step that all
survived, an interval for the median failure temperature (a normal model, interval-censored,
with a spread of its own for each resin), and differences between resins.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from api.likelihood import (
    LEVEL,
    Floats,
    Interval,
    Profile,
    at_least_share,
    compared,
    normal_profile,
)
from api.soak.verdict import SpecimenVerdict
from collector.errors import InvalidError

#: Spacing of the temperatures looked at [K], and how far below and above the steps they go.
GRID_K = 0.5
BELOW_K, ABOVE_K = 30.0, 20.0
#: Spreads looked at [K].
SPREADS_K = np.geomspace(0.4, 20.0, 32)
#: Standard deviation of the chamber's own error from run to run, where none is known [K].
CHAMBER_SD_K = 1.5
#: Fewest parts for an interval.
FEWEST_PARTS = 3


@dataclass(frozen=True, slots=True)
class Bracket:
    """One part: it gave way in (low, high] [°C], both measured.

    ``low_c`` is -inf when it survived no step, ``high_c`` inf when it never gave way.
    """

    part: str
    run: str
    low_c: float
    high_c: float

    def __post_init__(self) -> None:
        if not self.low_c < self.high_c:
            raise InvalidError(
                f"{self.part} survived {self.low_c:g} °C and failed at {self.high_c:g} °C.",
                where="high_c",
                remedy="A part fails hotter than the last step it survived.",
            )


@dataclass(frozen=True, slots=True)
class StepSurvived:
    """The highest temperature that every part survived, and what that says of such parts."""

    temperature_c: float
    parts: int
    at_least_share: float


@dataclass(frozen=True, slots=True)
class MedianFailure:
    """The temperature at which half of such parts have given way, with a 95 % interval.

    An end of ``interval`` that is None is not bounded: "at least" or "at most". ``median_c``
    and ``interval`` are None when ``refusal`` says why. ``one_run`` tells that all parts
    share one run: the chamber's own error is in the interval, and more runs are advised.
    """

    parts: int
    runs: int
    failed: int
    survived: StepSurvived | None
    median_c: float | None
    interval: Interval | None
    one_run: bool
    refusal: str | None


@dataclass(frozen=True, slots=True)
class Difference:
    """Median of ``second`` minus median of ``first`` [K], with a 95 % interval.

    ``p_holm`` is adjusted over all pairs compared; ``flagged`` when it is at most 0.05 and 0
    lies outside the interval, the chamber's error included where it does not cancel.
    """

    first: str
    second: str
    difference_k: float
    interval: Interval
    p_holm: float
    flagged: bool


def bracket_of(judged: SpecimenVerdict, run: str) -> Bracket | None:
    """The bracket of a judged specimen; None where its looks say nothing or contradict it.

    Its ends are measured means of dwells. A failure on a step that was not hotter than one
    held before (going down) tells of no temperature.
    """
    low = -math.inf if judged.survived_c is None else judged.survived_c
    high = math.inf if judged.failed_c is None else judged.failed_c
    if (low, high) == (-math.inf, math.inf) or not low < high:
        return None
    return Bracket(judged.specimen, run, low, high)


def median_failure(
    parts: Sequence[Bracket], *, chamber_sd_k: float = CHAMBER_SD_K
) -> MedianFailure:
    """The median failure temperature of one resin from the brackets of its parts.

    Refused with fewer than three parts, and when all survived.
    """
    runs = len({part.run for part in parts})
    refusal = _refusal(parts)
    median = interval = None
    if refusal is None:
        profile = _profile(parts, _grid(parts))
        median, interval = profile.best, profile.interval()
        if runs == 1:
            interval = interval.widened(median, 1.96 * chamber_sd_k)
    return MedianFailure(
        parts=len(parts),
        runs=runs,
        failed=sum(math.isfinite(part.high_c) for part in parts),
        survived=highest_survived(parts),
        median_c=median,
        interval=interval,
        one_run=runs == 1,
        refusal=refusal,
    )


def highest_survived(parts: Sequence[Bracket]) -> StepSurvived | None:
    """The highest temperature that all parts survived; None where there is none."""
    lowest = min((part.low_c for part in parts), default=-math.inf)
    if not math.isfinite(lowest):
        return None
    return StepSurvived(lowest, len(parts), at_least_share(len(parts), len(parts)))


def share_surviving(parts: Sequence[Bracket], temperature_c: float) -> tuple[int, int, float]:
    """How many survived a temperature, of how many known, and the least share of such parts."""
    passed = sum(part.low_c >= temperature_c for part in parts)
    failed = sum(part.high_c <= temperature_c for part in parts)
    return passed, passed + failed, at_least_share(passed, passed + failed)


def differences(
    resins: Mapping[str, Sequence[Bracket]], *, chamber_sd_k: float = CHAMBER_SD_K
) -> tuple[Difference, ...]:
    """All pairs of resins with at least three parts and a failure among the two compared.

    Spreads are never pooled: with unequal ones the widest resin's interval would be too short.
    """
    enough = {name: parts for name, parts in resins.items() if len(parts) >= FEWEST_PARTS}
    if len(enough) < 2:
        return ()
    grid = _grid([part for parts in enough.values() for part in parts])
    profiles = {name: _profile(parts, grid) for name, parts in enough.items()}
    pairs = [
        (a, b)
        for a, b in combinations(enough, 2)
        if any(math.isfinite(part.high_c) for part in [*enough[a], *enough[b]])
    ]
    found = []
    for a, b, profile, p_holm in compared(profiles, pairs):
        error_k = 1.96 * chamber_sd_k * math.sqrt(_single_runs(enough[a], enough[b]))
        interval = profile.interval().widened(profile.best, error_k)
        flagged = p_holm <= 1 - LEVEL and not interval.holds(0.0)
        found.append(Difference(a, b, profile.best, interval, p_holm, flagged))
    return tuple(found)


def _single_runs(first: Sequence[Bracket], second: Sequence[Bracket]) -> int:
    """How many of two resins hang on one run of their own; in one common run errors cancel."""
    runs = [{part.run for part in parts} for parts in (first, second)]
    if runs[0] == runs[1]:
        return 0
    return sum(len(own) == 1 for own in runs)


def _refusal(parts: Sequence[Bracket]) -> str | None:
    if not parts:
        return "no part was tested"
    if all(math.isinf(part.high_c) for part in parts):
        who = "the one part" if len(parts) == 1 else f"all {len(parts)}"
        return f"{who} survived: above {min(part.low_c for part in parts):.1f} °C"
    if len(parts) >= FEWEST_PARTS:
        return None
    low, high = min(part.low_c for part in parts), max(part.high_c for part in parts)
    if math.isinf(low):
        where = f"at or below {high:g} °C"
    elif math.isinf(high):
        where = f"above {low:g} °C"
    else:
        where = f"between {low:g} and {high:g} °C"
    return f"failed {where}, {'one part' if len(parts) == 1 else 'two parts'}; no interval"


def _grid(parts: Sequence[Bracket]) -> Floats:
    """Temperatures to look at: even, from well below the steps to well above."""
    ends = [end for part in parts for end in (part.low_c, part.high_c) if math.isfinite(end)]
    first = math.floor((min(ends) - BELOW_K) / GRID_K)
    last = math.ceil((max(ends) + ABOVE_K) / GRID_K)
    return np.arange(first, last + 1, dtype=np.float64) * GRID_K


def _profile(parts: Sequence[Bracket], grid: Floats) -> Profile:
    low = np.array([part.low_c for part in parts])
    high = np.array([part.high_c for part in parts])
    return normal_profile(grid, SPREADS_K, low, high)
