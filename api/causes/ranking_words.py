"""What to say about the ranking of conditions; association only, no bare p-values. Pure."""

from __future__ import annotations

import enum
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from api.causes import words
from api.causes.link import Direction
from api.causes.rows import Log

if TYPE_CHECKING:
    from api.causes.ranking import Candidate


class Standing(enum.StrEnum):
    """What can be said of a candidate.

    ``EXPLAINED``: it would be flagged on its own, but not beyond what it shares with the first
    in rank. Without this rule whatever happens to run with the true one is carried along in long
    logs (measured in ``tests/bench/causes_acceptance.md``).
    """

    FLAGGED = "goes with failures"
    ONLY_SEASONAL = "only seasonal"
    EXPLAINED = "no further than the first"
    NOT_FLAGGED = "not told from chance"


#: Standings that have a sentence of their own.
_SAID = (Standing.ONLY_SEASONAL, Standing.EXPLAINED)


def sentences(
    log: Log,
    ranked: Sequence[Candidate],
    lead: Sequence[str],
    enough: bool,
    any_candidate: bool,
    dropped: Mapping[str, str],
    units: Mapping[str, str],
) -> list[str]:
    """The answer to question 2 in words; a condition without a unit is said without one."""
    so_far = f"{words.counted(log.prints_n, 'print')}, {words.counted(log.failures, 'failure')}"
    if not enough:
        said = [f"Not enough yet: {so_far}.", f"Needs {words.listed(_lacking(log))}."]
    elif not any_candidate:
        said = [f"There is no condition to look at that changed and was read: {so_far}."]
    elif not ranked:
        said = [
            f"Not enough yet: {so_far}.",
            "Needs more prints: so many resins and settings changed between them that too few"
            " are left to tell the conditions from those.",
        ]
    else:
        said = _found(log, ranked, lead, so_far, units)
    said += [f"Not looked at: {name}: {reason}." for name, reason in dropped.items()]
    return said + words.left_out(log.left_out)


#: What question 2 needs before it is answered.
NEEDS_PRINTS, NEEDS_FAILURES, NEEDS_GOOD = 20, 5.0, 5.0


def _lacking(log: Log) -> list[str]:
    """What a log needs that it has not got yet."""
    needs = (
        (float(log.prints_n), NEEDS_PRINTS, "print"),
        (log.failures, NEEDS_FAILURES, "failure"),
        (log.good, NEEDS_GOOD, "good print"),
    )
    return [words.counted(least, noun) for seen, least, noun in needs if seen < least - 1e-9]


def _found(
    log: Log,
    ranked: Sequence[Candidate],
    lead: Sequence[str],
    so_far: str,
    units: Mapping[str, str],
) -> list[str]:
    said: list[str] = []
    leading = [c for c in ranked if c.name in lead]
    others = [c for c in ranked if c.standing is Standing.FLAGGED and c not in leading]
    if len(leading) == 1:
        said.append(f"Failures go with {with_end(leading[0])} in your log ({so_far}).")
    elif leading:
        listed = ", ".join(map(with_end, leading))
        said.append(f"Failures go with one or more of these in your log ({so_far}): {listed}.")
        said.append("These move together in your log; which of them matters cannot be told apart.")
    else:
        said.append(
            f"None stands out from chance. With {words.counted(log.prints_n, 'print')} only a"
            " strong link would show."
        )
    said += [line for c in leading if (line := _effect(c, units.get(c.name, "")))]
    said += [f"Failures also go with {with_end(c)}, less clearly." for c in others]
    for c in ranked:
        if c.standing is Standing.ONLY_SEASONAL:
            said.append(f"{c.name}, only seasonal: {words.ONLY_SEASONAL}")
        elif c.standing is Standing.EXPLAINED:
            said.append(
                f"{c.name} goes with failures only as far as it goes with {ranked[0].name}."
            )
    for c in ranked:
        if c.moves_with and c not in leading and c not in others and c.standing not in _SAID:
            said.append(f"{c.name} moves with {', '.join(c.moves_with)}.")
    return said


def with_end(candidate: Candidate) -> str:
    """ "low room humidity" """
    return f"{'low' if candidate.direction is Direction.LOW else 'high'} {candidate.name}"


def towards_the_bad_end(candidate: Candidate) -> tuple[str, str, str, str] | None:
    """Odds ratio with its interval as text, and whether it is for "less" or "more"."""
    e = candidate.effect
    if e is None:
        return None
    ratios, end = (e.odds_ratio, e.lo, e.hi), "more"
    if candidate.direction is Direction.LOW:
        ratios, end = (1.0 / e.odds_ratio, 1.0 / e.hi, 1.0 / e.lo), "less"
    ratio, lo, hi = map(_times, ratios)
    return ratio, lo, hi, end


def _effect(candidate: Candidate, unit: str) -> str | None:
    """How much the odds of failing change towards the bad end, with the interval."""
    found = towards_the_bad_end(candidate)
    if found is None or candidate.effect is None:
        return None
    ratio, lo, hi, end = found
    step = f"{words.plain(candidate.effect.per, 3)} {unit}".strip()
    return (
        f"{candidate.name}: {step} {end} goes with {ratio} times the odds of failing"
        f" (95 % interval {lo} to {hi})."
    )


def _times(ratio: float) -> str:
    if ratio > 1000.0:
        return "over 1000"
    if ratio < 0.001:
        return "under 0.001"
    return words.plain(ratio, 2) if ratio < 10.0 else f"{ratio:.0f}"
