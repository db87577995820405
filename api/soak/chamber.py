"""How far the chamber can be trusted: what it did at each setpoint over all runs. Pure.

A chamber is judged by what its probes measured, never by its own display: how far the dwell's
mean lay from the setpoint, how far it overshot, how long it took to settle, and how far its
probes stood apart.
"""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.soak.state import RunState, StepLog

#: Changes are averaged over this long: IEC 60068-2-2:2007, "not more than 5 min" (from memory).
AVERAGED_OVER_MIN = 5.0


@dataclass(frozen=True, slots=True)
class AtSetpoint:
    """What the chamber did at one setpoint, over the ``steps`` of all runs that were done.

    ``off_k`` is measured mean less setpoint, on average; ``off_sd_k`` its standard deviation
    from step to step (None for one). ``overshoot_k`` is the furthest reading above the
    setpoint of a step, on the way there or in it, and 0 where there was none;
    ``settle_min`` the median time from the beginning of the step. ``spread_k`` is the
    furthest its probes stood apart (None with one probe).
    """

    setpoint_c: float
    steps: int
    off_k: float
    off_sd_k: float | None
    overshoot_k: float
    settle_min: float
    spread_k: float | None


def chamber_check(runs: Iterable[RunState]) -> tuple[AtSetpoint, ...]:
    """One line a setpoint, coolest first, from the steps that were done.

    A step that came down from a hotter one says nothing of overshoot: its hottest reading is
    of the step before.
    """
    by_setpoint: dict[float, list[tuple[StepLog, bool]]] = defaultdict(list)
    for run in runs:
        before = None
        for log in run.steps:
            climbed = before is None or before.step.setpoint_c < log.step.setpoint_c
            if log.done_ms is not None:
                by_setpoint[log.step.setpoint_c].append((log, climbed))
            before = log
    return tuple(_line(setpoint, by_setpoint[setpoint]) for setpoint in sorted(by_setpoint))


def _line(setpoint_c: float, steps: Sequence[tuple[StepLog, bool]]) -> AtSetpoint:
    logs = [log for log, _ in steps]
    off = [log.mean_c - setpoint_c for log in logs if log.mean_c is not None]
    over = [log.peak_c - setpoint_c for log, climbed in steps if climbed and log.peak_c is not None]
    settle = [
        (log.settled_ms - log.began_ms) / 60_000 for log in logs if log.settled_ms is not None
    ]
    return AtSetpoint(
        setpoint_c=setpoint_c,
        steps=len(logs),
        off_k=statistics.fmean(off),
        off_sd_k=statistics.stdev(off) if len(off) > 1 else None,
        overshoot_k=max([0.0, *over]),
        settle_min=statistics.median(settle),
        spread_k=max((log.spread_k for log in logs if log.spread_k is not None), default=None),
    )


def error_sd_k(lines: Sequence[AtSetpoint]) -> float | None:
    """Standard deviation of the chamber's error from step to step [K], pooled over setpoints.

    None before any setpoint was held twice.
    """
    pairs = [(line.steps - 1, line.off_sd_k) for line in lines if line.off_sd_k is not None]
    if not pairs:
        return None
    return float(np.sqrt(sum(n * sd**2 for n, sd in pairs) / sum(n for n, _ in pairs)))


def fastest_change_k_per_min(
    times_ms: npt.NDArray[np.int64],
    values_c: npt.NDArray[np.float64],
    *,
    gap_limit_ms: float,
    over_min: float = AVERAGED_OVER_MIN,
) -> float | None:
    """The fastest change of a trace [K/min], either way, averaged over ``over_min``.

    Only stretches of that length without a hole are judged; None where there is none.
    """
    over_ms = over_min * 60_000
    holes = np.diff(times_ms, prepend=times_ms[:1]) > gap_limit_ms
    begins = np.maximum.accumulate(np.where(holes, times_ms, times_ms[:1]))
    judged = times_ms - over_ms >= begins
    if not judged.any():
        return None
    before = np.interp(times_ms[judged] - over_ms, times_ms, values_c)
    return float(np.abs(values_c[judged] - before).max() / over_min)
