"""When a soak run would be done, before it starts and while it goes on, and what that rests on."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from api.conditions import DOUBTFUL
from api.soak.finishing import ROOM_C, estimated_min, left_min
from api.soak.program import Program, SettleRule
from api.soak_answers import SoakNow
from api.soak_results import ApproachNow, ChamberReport, chamber_of
from api.workshop import Workshop
from collector.readings import ms_of


@dataclass(frozen=True, slots=True)
class Finish:
    """When the last dwell would be done at the earliest; cooling down is not in it.

    It is ``minutes`` from the moment it was asked for, or from the start. ``chamber`` is the
    report whose time constant was reckoned with; None where none is known and a usual pace
    stands for it. ``from_c`` is where a run that has not started would set out; None for one
    under way. ``measured`` tells whether that was read or is a usual room. ``settling_open``
    tells that a rule for settling adds time that cannot be told beforehand.
    """

    at: datetime
    minutes: float
    chamber: ChamberReport | None
    from_c: float | None
    measured: bool
    settling_open: bool


def finish_before(
    workshop: Workshop, program: Program, channels: Sequence[str], start: datetime, now: datetime
) -> Finish:
    """When a program that begins at ``start`` in the chamber with these probes would be done."""
    chamber = paced(chamber_of(workshop, channels, now))
    here_c = _read_c(workshop, channels, start)
    from_c = ROOM_C if here_c is None else here_c
    minutes = estimated_min(program, from_c, tau_s=chamber.tau_s if chamber else None)
    return Finish(
        start + timedelta(minutes=minutes),
        minutes,
        chamber,
        from_c,
        here_c is not None,
        _open(program),
    )


def finish_now(
    workshop: Workshop, found: SoakNow, approach: ApproachNow | None, now: datetime
) -> Finish | None:
    """When a run under way would be done; None once its steps are, or where it ended.

    ``approach`` is what is known of the way it is on.
    """
    if left_min(found.state, ms_of(now)) is None:
        return None
    chamber = paced(chamber_of(workshop, found.run.entry.chamber_channels, now))
    minutes = left_min(
        found.state,
        ms_of(now),
        tau_s=chamber.tau_s if chamber else None,
        arrives_ms=approach.arrives_ms if approach else None,
    )
    assert minutes is not None
    at = now + timedelta(minutes=minutes)
    return Finish(at, minutes, chamber, None, True, _open(found.state.program))


def paced(report: ChamberReport | None) -> ChamberReport | None:
    """A report that tells a time constant, or None."""
    return report if report is not None and report.tau_s is not None else None


def _open(program: Program) -> bool:
    return program.settle.rule is not SettleRule.IN_BAND


def _read_c(workshop: Workshop, channels: Sequence[str], at: datetime) -> float | None:
    """Mean of what the probes last read at a moment; None where one had been silent [°C]."""
    heard: list[float] = []
    for channel in channels:
        since_ms = ms_of(at) - workshop.gap_limit_ms(channel)
        kept = workshop.store.between(channel, since_ms, ms_of(at) + 1).without(DOUBTFUL)
        if not len(kept):
            return None
        heard.append(float(kept.values[-1]))
    return statistics.fmean(heard) if heard else None
