"""When a run will be done: what is left of its program, and how its chamber gets there. Pure.

A chamber with a known time constant nears each setpoint exponentially, and no faster than the
step's ramp limit; one without goes at the ramp limit, or at a usual pace. Nothing here knows of
doors, power cuts or a person who sets the chamber late: the moment is the earliest likely one.
"""

from __future__ import annotations

import math
import statistics

import numpy as np
import numpy.typing as npt

from api.soak.program import APPROACH_DEFAULT_K_PER_MIN, Program, Settle, SettleRule, Step
from api.soak.state import Phase, RunState, StepLog

#: Temperature of a chamber that nothing is known of yet [°C].
ROOM_C = 20.0


def approach_min(step: Step, from_c: float, *, tau_s: float | None = None) -> float:
    """Estimated minutes from ``from_c`` [°C] into the band of a step.

    A chamber with a known time constant ``tau_s`` nears its setpoint exponentially, and no
    faster than the step's ramp limit. Without one it goes at the ramp limit, or at
    :data:`~api.soak.program.APPROACH_DEFAULT_K_PER_MIN`.
    """
    distance = max(step.low_c - from_c, from_c - step.high_c, 0.0)
    ramp = step.ramp_limit_k_per_min
    if tau_s is None or distance == 0:
        return distance / (ramp or APPROACH_DEFAULT_K_PER_MIN)
    lagged = tau_s / 60 * math.log((distance + step.tolerance_k) / step.tolerance_k)
    return max(lagged, distance / ramp if ramp else 0.0)


#: The present pace of a chamber is taken over this long, and over no less than half of it [min].
PACE_OVER_MIN = 5.0
#: A chamber that changes by less than this does not move [K/min].
STILL_K_PER_MIN = 0.1


def pace_k_per_min(
    times_ms: npt.NDArray[np.int64], values_c: npt.NDArray[np.float64]
) -> float | None:
    """How fast a trace has changed over its last minutes [K/min]; None where it is too short."""
    if len(times_ms) < 2:
        return None
    first = max(float(times_ms[0]), float(times_ms[-1]) - PACE_OVER_MIN * 60_000)
    over_min = (float(times_ms[-1]) - first) / 60_000
    if over_min < PACE_OVER_MIN / 2:
        return None
    before_c = float(np.interp(first, times_ms, values_c))
    return (float(values_c[-1]) - before_c) / over_min


def settling_min(settle: Settle, approach: float) -> float:
    """Minutes from the beginning of a step until it can have settled at the earliest.

    ``approach`` are the minutes into its band. What a specimen takes beyond that is not known.
    """
    if settle.rule in (SettleRule.IN_BAND, SettleRule.NEAR_FINAL):
        return approach + settle.hold_min
    return max(approach, settle.over_min)


def estimated_min(program: Program, from_c: float = ROOM_C, *, tau_s: float | None = None) -> float:
    """Estimated length of the whole program from a chamber at ``from_c`` [min].

    Each approach starts from the setpoint before it; cooling down at the end is not in it.
    """
    return _steps_min(program, 0, from_c, tau_s)


def left_min(
    state: RunState, now_ms: float, *, tau_s: float | None = None, arrives_ms: float | None = None
) -> float | None:
    """Estimated minutes from now until the last dwell is done; None once it is, or never will.

    The chamber is taken to be on its way into the band of the step under way from where it was
    last read; ``arrives_ms`` is when it will be there, where that is known better.
    """
    log = state.log
    if log is None or state.phase not in (Phase.APPROACH, Phase.DWELL):
        return None
    heard = state.last_readings_c.values()
    here_c = statistics.fmean(heard) if heard else ROOM_C
    way = approach_min(log.step, here_c, tau_s=tau_s)
    if arrives_ms is not None:
        way = max(arrives_ms - now_ms, 0.0) / 60_000
    under_way = _left_of_step(state, log, now_ms, way)
    return under_way + _steps_min(state.program, log.number, log.step.setpoint_c, tau_s)


def _left_of_step(state: RunState, log: StepLog, now_ms: float, way: float) -> float:
    """Minutes from now until the step under way is done, ``way`` from its band."""
    if log.settled_ms is None:
        gone = (now_ms - log.began_ms) / 60_000
        way = max(settling_min(state.program.settle, gone + way) - gone, way)
        return way + log.step.dwell_min
    last_ms = state.last_reading_ms
    counted_on = last_ms is not None and state.in_band
    ahead = (now_ms - last_ms) / 60_000 if counted_on and last_ms is not None else 0.0
    # A clock that runs has run on since the last reading; one across a gap has not.
    if ahead * 60_000 > state.program.gap_limit_ms:
        ahead = 0.0
    return max(way + log.remaining_s / 60 - ahead, 0.0)


def _steps_min(program: Program, after: int, from_c: float, tau_s: float | None) -> float:
    """Minutes for all steps of a program but the first ``after``, from a temperature [°C]."""
    rest = program.steps[after:]
    starts = [from_c, *(step.setpoint_c for step in rest)]
    ways = (
        settling_min(program.settle, approach_min(step, start, tau_s=tau_s))
        for step, start in zip(rest, starts, strict=False)
    )
    return math.fsum(ways) + math.fsum(step.dwell_min for step in rest)
