"""Where a soak run stands: its readings and marks fetched, folded, and judged."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from api.conditions import DOUBTFUL
from api.notices import Notice, notices
from api.record import Kept, LoggedIntervention, LoggedLook
from api.soak.chamber import fastest_change_k_per_min
from api.soak.program import SoakRun
from api.soak.state import RunState, StepLog
from api.soak.verdict import SpecimenVerdict, verdicts
from api.soak_folds import FoldedRun, Refused, channels_of, fold_run, marks_of
from api.workshop import Workshop
from collector.readings import Series, ms_of


@dataclass(frozen=True, slots=True)
class SoakNow:
    """A soak run with what was done and seen in it, where it stands, and what each piece stood.

    ``marked_out`` counts doubtful readings: they are left out and make a hole in which nothing
    is counted. ``refused`` tells what was done but cannot have been so by what is known now.
    ``notices`` are what it has to tell at the moment asked for.
    """

    run: Kept[SoakRun]
    looks: tuple[Kept[LoggedLook], ...]
    interventions: tuple[Kept[LoggedIntervention], ...]
    state: RunState
    verdicts: tuple[SpecimenVerdict, ...]
    marked_out: int
    refused: tuple[Refused, ...]
    notices: tuple[Notice, ...]


def soak_state(workshop: Workshop, soak_id: int, now: datetime) -> SoakNow:
    """A run folded from its program, the readings up to ``now``, the looks and interventions.

    Nothing of it is stored: after a crash it is folded again to the same state.
    """
    record = workshop.record
    with record.reading():
        run = record.soaks.get(soak_id)
        looks, interventions = record.looks.of(soak_id), record.interventions.of(soak_id)
    marks = marks_of(run.entry, looks, interventions)
    folded = workshop.soak_folds.folded(
        workshop.store, workshop.believed(), soak_id, run.entry, marks, ms_of(now)
    )
    return _judged(run, looks, interventions, folded, now)


def _judged(
    run: Kept[SoakRun],
    looks: list[Kept[LoggedLook]],
    interventions: list[Kept[LoggedIntervention]],
    folded: FoldedRun,
    now: datetime,
) -> SoakNow:
    return SoakNow(
        run=run,
        looks=tuple(looks),
        interventions=tuple(interventions),
        state=folded.state,
        verdicts=verdicts(folded.state),
        marked_out=folded.marked_out,
        refused=folded.refused,
        notices=notices(folded.state, ms_of(now)),
    )


def check_intervention(
    workshop: Workshop, entry: LoggedIntervention, now: datetime, *, instead_of: int | None = None
) -> None:
    """Raise ``InvalidError`` when this cannot have been done to its run at its time.

    ``instead_of`` is the intervention that it corrects.
    """
    run = workshop.record.soaks.get(entry.soak).entry
    others = [one for one in workshop.record.interventions.of(entry.soak) if one.id != instead_of]
    new = Kept(0, 1, now, entry)
    mine = marks_of(run.model_copy(update={"ended": None, "abandoned": None}), (), [new])
    marks = marks_of(run, workshop.record.looks.of(entry.soak), [*others, new])
    for refused in fold_run(workshop.store, run, marks, ms_of(now)).refused:
        if refused.mark in mine:
            raise refused.why


def profile_of(workshop: Workshop, run: SoakRun, now: datetime) -> Mapping[str, Series]:
    """The readings that a run counts, by channel: doubtful ones are left out."""
    start_ms, end_ms = ms_of(run.started), ms_of(max(run.ended or now, run.started))
    return {
        channel: workshop.store.between(channel, start_ms, end_ms + 1).without(DOUBTFUL)
        for channel in channels_of(run)
    }


@dataclass(frozen=True, slots=True)
class FastestChange:
    """The fastest change [K/min] on the way to a step that has a limit to it, and that limit.

    Averaged over five minutes; None where no five minutes on the way were recorded.
    """

    step: int
    limit_k_per_min: float
    fastest_k_per_min: float | None

    @property
    def too_fast(self) -> bool:
        """Whether the chamber changed faster than the step allows."""
        return self.fastest_k_per_min is not None and self.fastest_k_per_min > self.limit_k_per_min


def fastest_changes(workshop: Workshop, found: SoakNow, now: datetime) -> tuple[FastestChange, ...]:
    """How fast the chamber went on its way to each step with a ramp limit, by its fastest probe."""
    return tuple(
        FastestChange(log.number, limit, _fastest(workshop, found, log, ms_of(now)))
        for log in found.state.steps
        if (limit := log.step.ramp_limit_k_per_min) is not None
    )


def _fastest(workshop: Workshop, found: SoakNow, log: StepLog, now_ms: int) -> float | None:
    run = found.run.entry
    end_ms = log.settled_ms or found.state.ended_ms or now_ms
    gap_limit_ms = found.state.program.gap_limit_ms
    paces = []
    for channel in run.chamber_channels:
        series = workshop.store.between(channel, int(log.began_ms), int(end_ms) + 1)
        kept = series.without(DOUBTFUL)
        if len(kept):
            paces.append(
                fastest_change_k_per_min(
                    kept.times_ms, kept.values.astype(np.float64), gap_limit_ms=gap_limit_ms
                )
            )
    return max((pace for pace in paces if pace is not None), default=None)
