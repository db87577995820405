"""Soak runs folded from record and readings, and remembered between two askings.

What is remembered of a run is where it stood at a *checkpoint*, a little before the last
asking; from there to now is folded at each asking. A checkpoint is only ever a shortcut: when
anything at or before it has changed (a reading that came late, a mark entered late, corrected
or deleted, the program, a calibration) everything is folded anew.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from api.conditions import DOUBTFUL
from api.record import Kept, LoggedIntervention, LoggedLook
from api.soak.engine import fold
from api.soak.events import (
    Abandoned,
    Ended,
    Event,
    LookTaken,
    Mark,
    ProgramEdited,
    Started,
    TakenOut,
    Trace,
    in_order,
)
from api.soak.program import SoakRun
from api.soak.state import Phase, RunState
from collector.errors import InvalidError
from collector.readings import ms_of
from collector.store.contract import Changes, ReadingStore

#: Runs that are remembered.
KEPT_N = 256

#: How far the checkpoint of a run under way lies back [ms]: readings and looks that come no
#: later than that cost nothing.
LAG_MS = 60_000


@dataclass(frozen=True, slots=True)
class Refused:
    """Something done that cannot have been so by what is known now, and why.

    It is left out of the fold. A mark is refused when it is entered; one that was taken can
    become impossible only by readings that came late, or by a correction.
    """

    mark: Mark
    why: InvalidError


@dataclass(frozen=True, slots=True)
class FoldedRun:
    """A run as folded up to a moment: where it stands, and what was left out on the way.

    ``marked_out`` counts doubtful readings.
    """

    state: RunState
    marked_out: int
    refused: tuple[Refused, ...]


@dataclass(frozen=True, slots=True)
class _Checkpoint:
    """A run as folded up to ``upto_ms``, that moment included, and from what."""

    folded: FoldedRun
    run: SoakRun
    chains: object
    marks: tuple[Mark, ...]
    cursor: int
    upto_ms: int


class SoakFolds:
    """Folds runs; of the longest unused the checkpoint is forgotten first. Safe between threads."""

    def __init__(self, most: int = KEPT_N) -> None:
        self._most = most
        self._lock = threading.Lock()
        self._known: OrderedDict[int, _Checkpoint] = OrderedDict()

    def folded(
        self,
        store: ReadingStore,
        chains: object,
        soak_id: int,
        run: SoakRun,
        marks: Iterable[Mark],
        now_ms: int,
    ) -> FoldedRun:
        """A run as it stands at a moment.

        ``chains`` is another object whenever old readings may have become other values.
        """
        told = tuple(sorted(marks, key=lambda mark: mark.time_ms))
        end_ms = _end_ms(run, now_ms)
        # The journal is asked first: what is kept while this is folded is in it next time.
        with self._lock:
            known = self._known.get(soak_id)
            cursor = known.cursor if known else None
            changes = store.changes(cursor)
            if known is None or not _holds(known, changes, chains, run, told, end_ms):
                known = _Checkpoint(
                    _before_start(run), _as_started(run), chains, (), 0, ms_of(run.started) - 1
                )
            upto_ms = end_ms if run.ended is not None else end_ms - LAG_MS
            upto_ms = max(upto_ms, known.upto_ms)
            behind = tuple(mark for mark in told if mark.time_ms <= upto_ms)
            known = _Checkpoint(
                _further(
                    store, run, known.folded, behind[len(known.marks) :], known.upto_ms, upto_ms
                ),
                known.run,
                chains,
                behind,
                changes.cursor,
                upto_ms,
            )
            self._known[soak_id] = known
            self._known.move_to_end(soak_id)
            while len(self._known) > self._most:
                self._known.popitem(last=False)
        return _further(store, run, known.folded, told[len(known.marks) :], upto_ms, end_ms)


def fold_run(store: ReadingStore, run: SoakRun, marks: Iterable[Mark], now_ms: int) -> FoldedRun:
    """A run folded from everything, without memory."""
    told = tuple(sorted(marks, key=lambda mark: mark.time_ms))
    start_ms = ms_of(run.started)
    return _further(store, run, _before_start(run), told, start_ms - 1, _end_ms(run, now_ms))


def marks_of(
    run: SoakRun,
    looks: Iterable[Kept[LoggedLook]],
    interventions: Iterable[Kept[LoggedIntervention]],
) -> list[Mark]:
    """What people did to a run as events: looks, interventions, and the end. Remarks are none."""
    marks: list[Mark] = [
        LookTaken(ms_of(look.entry.time), look.entry.specimen, look.entry.finding) for look in looks
    ]
    for one in interventions:
        done, time_ms = one.entry, ms_of(one.entry.time)
        if done.specimen is not None:
            marks.append(TakenOut(time_ms, done.specimen))
        elif done.program is not None:
            marks.append(ProgramEdited(time_ms, done.program))
    if run.ended is not None and run.abandoned is not None:
        marks.append(Abandoned(ms_of(run.ended), run.abandoned))
    elif run.ended is not None:
        marks.append(Ended(ms_of(run.ended)))
    return marks


def channels_of(run: SoakRun) -> tuple[str, ...]:
    """The channels of all probes of a run."""
    beside = run.specimen_channel
    return run.chamber_channels if beside is None else (*run.chamber_channels, beside)


def _holds(
    known: _Checkpoint,
    changes: Changes,
    chains: object,
    run: SoakRun,
    marks: tuple[Mark, ...],
    end_ms: int,
) -> bool:
    """Whether nothing at or before a checkpoint has changed since."""
    channels = channels_of(run)
    return (
        known.chains is chains
        and known.run == _as_started(run)
        and known.upto_ms <= end_ms
        and known.marks == tuple(mark for mark in marks if mark.time_ms <= known.upto_ms)
        and changes.complete
        and not any(
            change.channel in channels and change.first_ms <= known.upto_ms
            for change in changes.changes
        )
    )


def _before_start(run: SoakRun) -> FoldedRun:
    return FoldedRun(RunState(run.program), 0, ())


def _further(
    store: ReadingStore,
    run: SoakRun,
    before: FoldedRun,
    marks: Sequence[Mark],
    after_ms: int,
    upto_ms: int,
) -> FoldedRun:
    """A run folded on from just after one moment up to another, by these marks."""
    found = {name: store.between(name, after_ms + 1, upto_ms + 1) for name in channels_of(run)}
    kept = {name: series.without(DOUBTFUL) for name, series in found.items()}
    traces = [Trace(series.times_ms, series.values, name) for name, series in kept.items()]
    started, *events = in_order(_started(run), traces, marks)
    if before.state.phase is Phase.NOT_STARTED:
        events = [started, *events]
    state, refused = _fold(before.state, events)
    doubtful_n = sum(len(found[name]) - len(kept[name]) for name in found)
    return FoldedRun(state, before.marked_out + doubtful_n, (*before.refused, *refused))


def _fold(state: RunState, told: Sequence[Event]) -> tuple[RunState, tuple[Refused, ...]]:
    """Fold events; marks that cannot have happened are left out and told."""
    try:
        return fold(state.program, told, state), ()
    except InvalidError:
        refused: list[Refused] = []
        for event in told:
            try:
                state = fold(state.program, [event], state)
            except InvalidError as why:
                if not isinstance(event, LookTaken | TakenOut | ProgramEdited | Abandoned | Ended):
                    raise
                refused.append(Refused(event, why))
        return state, tuple(refused)


def _started(run: SoakRun) -> Started:
    return Started(
        ms_of(run.started),
        specimens=tuple(specimen.name for specimen in run.specimens),
        probes=run.chamber_channels,
        specimen_probe=run.specimen_channel,
    )


def _as_started(run: SoakRun) -> SoakRun:
    """A run without what its end says: that comes as a mark."""
    return run.model_copy(update={"ended": None, "abandoned": None})


def _end_ms(run: SoakRun, now_ms: int) -> int:
    """The last moment whose readings belong to the run so far."""
    return max(now_ms if run.ended is None else ms_of(run.ended), ms_of(run.started))
