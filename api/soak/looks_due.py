"""When the next look is due. Pure.

A look at every specimen that is still inside and has not given way is due when a step is
done, in the dwell every ``look_every_min`` after it began or was last looked at, and on a
climb every ``look_every_k``.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

from api.soak.program import APPROACH_DEFAULT_K_PER_MIN
from api.soak.state import Phase, RunState, StepLog


class LookReason(enum.StrEnum):
    """Why a look is asked for."""

    STEP_DONE = "step_done"
    DURING_DWELL = "during_dwell"
    CLIMB = "climb"


@dataclass(frozen=True, slots=True)
class LookDue:
    """A look asked for: when [ms], why, and in which step.

    ``forecast`` tells that the moment is one that the readings have still to bear out.
    ``seen_n`` counts the looks of the run so far that were at a piece it is for.
    """

    due_ms: float
    reason: LookReason
    step: int
    forecast: bool
    seen_n: int


def to_be_looked_at(state: RunState) -> tuple[str, ...]:
    """Specimens that are still inside and were not found to have given way."""
    failed = state.gave_way
    return tuple(name for name in state.inside if name not in failed)


def look_due(state: RunState) -> LookDue | None:
    """The next look, as far as can be told now; in the past when overdue. None: none asked for.

    The end of a dwell is forecast from the last reading as if the chamber stayed in band, a
    climb as if it kept to its ramp limit.
    """
    log, names = state.log, to_be_looked_at(state)
    if log is None or not names or state.phase.over:
        return None
    seen = [look for look in state.looks if look.specimen in names]
    looked: dict[str, float] = {look.specimen: look.time_ms for look in seen}
    oldest = min(looked.get(name, float("-inf")) for name in names)
    # A round of looks is one thing to do, however many pieces there are in it.
    rounds = min(sum(look.specimen == name for look in seen) for name in names)
    done = [step for step in state.steps if step.done_ms is not None]
    if done and done[-1].done_ms is not None and oldest < done[-1].done_ms:
        last = done[-1]
        return LookDue(done[-1].done_ms, LookReason.STEP_DONE, last.number, False, rounds)
    if state.folded is None:
        return None
    if state.phase is Phase.APPROACH and state.program.look_every_k is not None:
        return _climbing(state, log, names, state.program.look_every_k, rounds)
    if state.phase is not Phase.DWELL or log.settled_ms is None:
        return None
    end = state.started_ms + state.folded + log.remaining_s * 1_000
    every = state.program.look_every_min
    within = end if every is None else max(oldest, log.settled_ms) + every * 60_000
    if within < end:
        return LookDue(within, LookReason.DURING_DWELL, log.number, False, rounds)
    return LookDue(end, LookReason.STEP_DONE, log.number, True, rounds)


def _climbing(
    state: RunState, log: StepLog, names: tuple[str, ...], every_k: float, rounds: int
) -> LookDue | None:
    """When the chamber is, or will be, that much hotter than when last looked at."""
    if state.peak_c is None or state.first_c is None or state.folded is None:
        return None
    seen = {
        look.specimen: look.place.peak_c for look in state.looks if look.place.peak_c is not None
    }
    coolest = min(seen.get(name, state.first_c) for name in names)
    missing_k = max(coolest + every_k - state.peak_c, 0.0)
    minutes = missing_k / (log.step.ramp_limit_k_per_min or APPROACH_DEFAULT_K_PER_MIN)
    due = state.started_ms + state.folded + minutes * 60_000
    return LookDue(due, LookReason.CLIMB, log.number, missing_k > 0, rounds)
