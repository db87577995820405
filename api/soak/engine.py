"""The soak engine: a fold over what happened, from start to cool-down. Pure.

The rules, in full:

1.  Time comes from events alone. Events come in time order, the readings of one probe in
    strictly increasing time. An illegal event raises ``InvalidError`` and changes nothing.
2.  Between two readings no further apart than the program's gap limit a probe runs straight;
    a longer stretch is a *hole*: nothing is counted, measured or settled in it.
3.  A step is *settled* by the program's rule: as a rule at the first recorded moment at which
    every chamber probe is in its band, edges included. From then until it is done it dwells.
4.  Dwell counts only where the record has every chamber probe in band. A stretch that enters
    or leaves the band is split at the crossing, found by linear interpolation. Out of band
    and in holes the clock stands; it goes on where it stood.
5.  A step is *done* at the exact moment its dwell is complete. At that moment the next step
    begins, up or down; after the last step the chamber cools down.
6.  A recorded stretch out of band between settled and done is an *excursion*; a hole ends it.
7.  A step's mean is time-weighted over all that was recorded from settled to done, in band or
    not, over all chamber probes. Its lowest and highest are of the readings in that time.
8.  A look, or taking a specimen out, is placed at its own moment on the profile; until the
    next reading its place is the last reading's. A specimen that was taken out, or a run that
    is over, gets no further heat, however late it is looked at.
9.  Until the chamber has been hotter than the band of the step just done, a look belongs to
    the end of that step; after that, to the approach of the next.
10. An edited program is in force from the last moment folded before it. Steps that are done
    stay as they were; the dwell of the step under way goes on if its band is the same and
    starts again if it is not; another rule for settling is judged from then on alone; after
    the last step, further steps may be added.
11. A run that is ended before its last step is done is abandoned.

Lost sensor, power cut, restart: a hole, by rule 2. A clock that was stepped back: its readings
are not in time order and must be left out before, which leaves a hole.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

import numpy as np

from api.soak.bands import INSTANT_MS, InBand, all_in_band, holes, out_of_band, watched
from api.soak.events import (
    Abandoned,
    ChamberProfile,
    Ended,
    Event,
    Gathered,
    LookTaken,
    ProgramEdited,
    Started,
    TakenOut,
    Trace,
    coalesced,
)
from api.soak.profile import Floats, Pending, Rows, frontier, on_grid
from api.soak.program import Program
from api.soak.settling import settled_at
from api.soak.state import Excursion, Hole, LookAt, Phase, Place, RunState, Settling, StepLog, Track
from api.soak.transitions import TRANSITIONS, Cause
from collector.errors import InvalidError

#: Reason of a run that was ended too early (rule 11).
_EARLY = "ended before the last step was done"

#: Rows folded at one go; only speed depends on it.
_PIECE = 4_096


def fold(program: Program, events: Iterable[Event], state: RunState | None = None) -> RunState:
    """The run after these events; ``state`` is where it stood before them.

    With a state, its own program (edited or not) stays in force. Folding the first events
    and then the rest gives the same as folding all. Raises ``InvalidError`` for an illegal
    event; the state given is never changed.
    """
    bench = _Bench(state or RunState(program))
    for event in coalesced(events):
        bench.take(event)
    return bench.state()


class _Bench:
    """A run being folded: the state of before, and the probes' readings as arrays."""

    def __init__(self, state: RunState) -> None:
        self._state = state
        self._chamber = [Pending.of(track) for track in state.tracks]
        self._specimen = Pending.of(state.specimen_track) if state.specimen_track else None
        # Numbers of the looks and removals whose place the next readings settle.
        self._open_looks = [n for n, look in enumerate(state.looks) if not look.place.final]
        self._open_outs = [n for n, (_, at) in enumerate(state.taken_out) if not at.final]

    def state(self) -> RunState:
        """The state with the readings that are still needed put back into it."""
        state = self._state
        return replace(
            state,
            tracks=tuple(
                pending.kept(track.probe)
                for track, pending in zip(state.tracks, self._chamber, strict=True)
            ),
            specimen_track=self._specimen.kept(state.specimen_track.probe)
            if self._specimen and state.specimen_track
            else None,
        )

    def take(self, event: Gathered) -> None:
        """Let one event happen."""
        match event:
            case Started():
                self._start(event)
            case ChamberProfile():
                self._read(event)
            case LookTaken():
                self._look(event)
            case TakenOut():
                self._take_out(event)
            case ProgramEdited():
                self._edit(event)
            case Abandoned():
                self._close(event, Cause.ABANDONED, event.reason)
            case Ended():
                done = self._state.phase is Phase.COOL_DOWN
                self._close(event, Cause.ENDED, "" if done else _EARLY)

    # --- what people do --------------------------------------------------------------------

    def _start(self, event: Started) -> None:
        phase = self._next(Cause.STARTED)
        names = (*event.probes, event.specimen_probe)
        if not event.probes or len(set(names)) != len(names):
            raise InvalidError("Each probe needs a name of its own.", where="probes")
        state = self._state
        self._state = replace(
            state,
            phase=phase,
            started_ms=event.time_ms,
            time_ms=event.time_ms,
            specimens=event.specimens,
            steps=(StepLog(1, state.program.steps[0], float(event.time_ms)),),
            tracks=tuple(Track(probe) for probe in event.probes),
            specimen_track=Track(event.specimen_probe) if event.specimen_probe else None,
            versions=((event.time_ms, state.program),),
        )
        self._chamber = [Pending.of(track) for track in self._state.tracks]
        self._specimen = Pending.of(Track("")) if event.specimen_probe else None

    def _look(self, event: LookTaken) -> None:
        self._next(Cause.LOOKED)
        self._check_time(event.time_ms)
        self._check_specimen(event.specimen)
        out = dict(self._state.taken_out).get(event.specimen)
        look = LookAt(
            event.time_ms, event.specimen, event.finding, out or self._place(event.time_ms)
        )
        if not look.place.final:
            self._open_looks.append(len(self._state.looks))
        self._state = replace(self._state, time_ms=event.time_ms, looks=(*self._state.looks, look))

    def _take_out(self, event: TakenOut) -> None:
        self._next(Cause.TAKEN_OUT)
        self._check_time(event.time_ms)
        self._check_specimen(event.specimen)
        if event.specimen not in self._state.inside:
            raise InvalidError(f"{event.specimen} was taken out before.", where="specimen")
        place = self._place(event.time_ms)
        if not place.final:
            self._open_outs.append(len(self._state.taken_out))
        taken = (*self._state.taken_out, (event.specimen, place))
        self._state = replace(self._state, time_ms=event.time_ms, taken_out=taken)

    def _edit(self, event: ProgramEdited) -> None:
        self._next(Cause.EDITED)
        self._check_time(event.time_ms)
        state, new = self._state, event.program
        done = [log for log in state.steps if log.done_ms is not None]
        if tuple(log.step for log in done) != new.steps[: len(done)] or len(new.steps) < len(
            state.steps
        ):
            raise InvalidError(
                "The new program changes or drops a step that was begun or done.",
                where="program",
                remedy="Keep those steps as they were, or end the run.",
            )
        self._state = replace(
            state,
            time_ms=event.time_ms,
            program=new,
            versions=(*state.versions, (event.time_ms, new)),
            settling=state.settling if new.settle == state.program.settle else Settling(),
        )
        # Before anything was folded a new program is in force from the beginning.
        now = state.steps[-1].began_ms if state.folded is None else self._moment(state.folded)
        if len(done) < len(state.steps):
            self._edit_step(state.steps[-1], now)
        elif len(new.steps) > len(done):
            self._begin(now, Cause.EXTENDED)
        if state.folded is not None:
            # A step that begins at a reading has that reading.
            heard = [probe.values[probe.offsets == state.folded] for probe in self._chamber]
            self._note_peak(np.concatenate(heard))

    def _edit_step(self, log: StepLog, now: float) -> None:
        """The step under way by the new program: its dwell goes on, starts again or is done."""
        step = self._state.program.steps[log.number - 1]
        if (step.low_c, step.high_c) != (log.step.low_c, log.step.high_c):
            self._relog(StepLog(log.number, step, now, peak_c=log.peak_c))
            self._state = replace(
                self._state, phase=self._next(Cause.RESTARTED), settling=Settling()
            )
            return
        self._relog(replace(log, step=step))
        if log.settled_ms is not None and log.dwell_ms >= step.dwell_ms - INSTANT_MS:
            self._finish_step(now)

    def _close(self, event: Ended | Abandoned, cause: Cause, reason: str) -> None:
        phase = self._next(cause)
        self._check_time(event.time_ms)
        self._settle_places(math.inf, over=True)
        self._state = replace(
            self._state, phase=phase, time_ms=event.time_ms, ended_ms=event.time_ms, reason=reason
        )

    # --- readings --------------------------------------------------------------------------

    def _read(self, profile: ChamberProfile) -> None:
        self._next(Cause.READING)
        self._check_time(profile.first_ms)
        state = self._state
        names = [track.probe for track in state.tracks]
        beside = state.specimen_track.probe if state.specimen_track else None
        for trace in profile.traces:
            if trace.probe in names:
                index = names.index(trace.probe)
                self._chamber[index] = self._longer(self._chamber[index], trace)
            elif trace.probe == beside and self._specimen is not None:
                self._specimen = self._longer(self._specimen, trace)
            else:
                raise InvalidError(
                    f"No probe of this run is called {trace.probe}.",
                    where="probe",
                    remedy=f"Its probes are {', '.join(names)}.",
                )
        self._state = replace(state, time_ms=profile.time_ms)
        self._advance()

    def _longer(self, pending: Pending, trace: Trace) -> Pending:
        longer = pending.with_more(
            (trace.times_ms - self._state.started_ms).astype(float), trace.values_c
        )
        if np.any(np.diff(longer.offsets) <= 0):
            raise InvalidError(
                "Readings of one probe go back in time.",
                where=trace.probe,
                remedy="Leave out readings made while the clock was being set.",
            )
        if not np.all(np.isfinite(trace.values_c)):
            raise InvalidError("A reading is not a number.", where=trace.probe)
        return longer

    def _advance(self) -> None:
        """Fold everything that is known by now."""
        state, limit = self._state, self._state.program.gap_limit_ms
        probes = [*self._chamber, *([self._specimen] if self._specimen else [])]
        until = frontier(probes, limit)
        moments = self._open_moments()
        rows = on_grid(self._chamber, self._specimen, state.folded, until, moments, limit)
        if rows is None:
            return
        self._settle_places(math.nextafter(float(rows.offsets[0]), 0))
        self._note_moment(rows)
        self._settle_places(float(rows.offsets[0]))
        stops = {int(i) for i in np.searchsorted(rows.offsets, moments) if i < len(rows)}
        stops |= {*range(0, len(rows), _PIECE), len(rows) - 1}
        last = 0
        for stop in sorted(stops - {0}):
            self._fold_piece(rows.piece(last, stop))
            self._settle_places(float(rows.offsets[stop]))
            last = stop
        folded = float(rows.offsets[-1])
        self._state = replace(self._state, folded=folded)
        self._chamber = [pending.from_(folded) for pending in self._chamber]
        if self._specimen:
            self._specimen = self._specimen.from_(folded)

    def _fold_piece(self, rows: Rows) -> None:
        """Fold rows in which nobody did anything, through as many steps as they hold."""
        rest: Rows | None = rows
        while rest is not None:
            if self._state.phase is Phase.COOL_DOWN or len(rest) == 1:
                self._note_rows(rest)
                return
            rest = self._fold_step(rest)

    def _fold_step(self, rows: Rows) -> Rows | None:
        """Fold rows into the step under way; what is left of them once it is done."""
        log = self._log
        band = all_in_band(rows, log.step.low_c, log.step.high_c)
        settled, counted = -math.inf, band
        if log.settled_ms is None:
            found, settling = settled_at(self._state.program.settle, log, rows, band, self._state)
            self._state = replace(self._state, settling=settling)
            if found is None:
                self._note_rows(rows)
                return None
            settled = found
            self._settle(settled)
            counted = band.since(settled)
        clock = np.cumsum(np.concatenate(([log.dwell_ms], counted.lengths)))
        done_in = int(np.searchsorted(clock[1:], log.step.dwell_ms - INSTANT_MS))
        if done_in == len(clock) - 1:
            self._count(rows, band, float(clock[-1]), settled, math.inf)
            return None
        done = float(counted.enter[done_in] + (log.step.dwell_ms - clock[done_in]))
        done = min(max(done, float(counted.enter[done_in])), float(counted.leave[done_in]))
        end = float(rows.offsets[done_in + 1])
        done = end if end - done <= INSTANT_MS else done
        self._count(rows, band, log.step.dwell_ms, settled, done)
        self._finish_step(self._moment(done))
        if done == end:
            return rows.piece(done_in + 1, len(rows) - 1)
        return rows.after(done_in, done)

    def _count(
        self, rows: Rows, band: InBand, clock_ms: float, settled: float, done: float
    ) -> None:
        """Enter into the log what these rows say of the step between settled and done."""
        self._note_rows(rows, done)
        log = self._log
        lengths, areas = watched(rows, settled, done)
        within = (rows.offsets >= settled) & (rows.offsets <= done)
        self._relog(
            replace(
                log,
                dwell_ms=clock_ms,
                watched_ms=_run_on(log.watched_ms, lengths),
                area=_run_on(log.area, areas),
                lowest_c=_least(log.lowest_c, rows.lowest[within]),
                highest_c=_most(log.highest_c, rows.highest[within]),
                spread_k=_most(log.spread_k, rows.spread[within & rows.read]),
            )
        )
        low, high = log.step.low_c, log.step.high_c
        for part in out_of_band(rows, band, low, high, settled, done):
            self._note_excursion(
                Excursion(
                    log.number,
                    self._moment(part.begin),
                    self._moment(part.end),
                    part.over_k,
                    part.under_k,
                )
            )

    def _note_excursion(self, new: Excursion) -> None:
        """Add an excursion, or make the last one longer when this goes on from it."""
        known = self._state.excursions
        if known and known[-1].step == new.step and known[-1].end_ms == new.start_ms:
            last = known[-1]
            new = Excursion(
                last.step,
                last.start_ms,
                new.end_ms,
                max(last.over_k, new.over_k),
                max(last.under_k, new.under_k),
            )
            known = known[:-1]
        self._state = replace(self._state, excursions=(*known, new))

    def _note_rows(self, rows: Rows, until: float = math.inf) -> None:
        """Note the hottest reading and the holes of these rows up to a moment."""
        self._note_peak(rows.highest[rows.offsets <= until])
        for begin, end in holes(rows):
            if begin < until:
                self._note_hole(Hole(self._log.number, self._moment(begin), self._moment(end)))

    def _note_moment(self, rows: Rows) -> None:
        """Note the readings at the first of these moments, where a lost probe may be back."""
        self._note_peak(rows.highest[:1])
        begin, first = float(rows.offsets[0]), self._state.first
        if first is None or first == begin:
            warmest = _most(self._state.first_c, rows.highest[:1])
            self._state = replace(self._state, first=begin, first_c=warmest)
        log = self._log
        if log.settled_ms is not None and log.done_ms is None:
            low = _least(log.lowest_c, rows.lowest[:1])
            high = _most(log.highest_c, rows.highest[:1])
            if (low, high) != (log.lowest_c, log.highest_c):
                self._relog(replace(log, lowest_c=low, highest_c=high))

    def _note_hole(self, new: Hole) -> None:
        known = self._state.holes
        if known and known[-1].end_ms == new.start_ms:
            new = Hole(known[-1].step, known[-1].start_ms, new.end_ms)
            known = known[:-1]
        self._state = replace(self._state, holes=(*known, new))

    def _note_peak(self, readings: Floats) -> None:
        peak, own = _most(self._state.peak_c, readings), _most(self._log.peak_c, readings)
        if peak != self._state.peak_c:
            self._state = replace(self._state, peak_c=peak)
        if self._log.done_ms is None and own != self._log.peak_c:
            self._relog(replace(self._log, peak_c=own))

    # --- steps -----------------------------------------------------------------------------

    def _settle(self, offset: float) -> None:
        self._state = replace(self._state, phase=self._next(Cause.SETTLED))
        self._relog(replace(self._log, settled_ms=self._moment(offset)))

    def _finish_step(self, moment: float) -> None:
        self._relog(replace(self._log, done_ms=moment))
        if self._log.number == len(self._state.program.steps):
            self._state = replace(self._state, phase=self._next(Cause.LAST_STEP_DONE))
        else:
            self._begin(moment, Cause.STEP_DONE)

    def _begin(self, moment: float, cause: Cause) -> None:
        number = len(self._state.steps) + 1
        log = StepLog(number, self._state.program.steps[number - 1], moment)
        self._state = replace(self._state, phase=Phase.APPROACH, steps=(*self._state.steps, log))

    # --- places ----------------------------------------------------------------------------

    def _place(self, time_ms: float) -> Place:
        """The heat had by now, for a specimen at a moment (rules 8 and 9)."""
        state, log, completed = self._state, self._log, self._log.done_ms is not None
        if not completed and log.settled_ms is None and log.number > 1:
            before = state.steps[-2]
            if log.peak_c is None or log.peak_c <= before.step.high_c:
                log, completed = before, True
        here = state.folded is not None and self._moment(state.folded) >= time_ms
        return Place(
            time_ms=time_ms,
            phase=state.phase,
            step=log.number,
            completed=completed,
            dwell_s=log.dwell_s,
            mean_c=log.mean_c,
            peak_c=state.peak_c,
            final=here or state.phase.over,
        )

    def _open_moments(self) -> list[float]:
        """Offsets of the places that the next readings will settle [ms]."""
        state = self._state
        places = [state.looks[n].place for n in self._open_looks]
        places += [state.taken_out[n][1] for n in self._open_outs]
        return sorted({place.time_ms - state.started_ms for place in places})

    def _settle_places(self, offset: float, *, over: bool = False) -> None:
        """Make places final up to a moment: as they are, or here and now at that very moment.

        Where the run is ``over``, what was folded last is all the heat that any of them had.
        """
        if not self._open_looks and not self._open_outs:
            return

        def settled(place: Place) -> Place:
            then = place.time_ms - self._state.started_ms
            if then > offset:
                return place
            if then < offset and not over:
                return replace(place, final=True)
            return replace(self._place(place.time_ms), final=True)

        looks, outs = list(self._state.looks), list(self._state.taken_out)
        for n in self._open_looks:
            looks[n] = replace(looks[n], place=settled(looks[n].place))
        for n in self._open_outs:
            outs[n] = (outs[n][0], settled(outs[n][1]))
        self._open_looks = [n for n in self._open_looks if not looks[n].place.final]
        self._open_outs = [n for n in self._open_outs if not outs[n][1].final]
        self._state = replace(self._state, looks=tuple(looks), taken_out=tuple(outs))

    # --- small things ----------------------------------------------------------------------

    @property
    def _log(self) -> StepLog:
        return self._state.steps[-1]

    def _relog(self, log: StepLog) -> None:
        self._state = replace(self._state, steps=(*self._state.steps[:-1], log))

    def _moment(self, offset: float) -> float:
        return self._state.started_ms + offset

    def _next(self, cause: Cause) -> Phase:
        """The phase that a cause leads to now; raises where it cannot happen."""
        phase = self._state.phase
        if cause not in TRANSITIONS[phase]:
            raise InvalidError(
                f"There is no place for {cause} while the run is {phase.replace('_', ' ')}.",
                where="time",
                remedy="Check the times of the start, the looks and the end.",
            )
        return TRANSITIONS[phase][cause]

    def _check_time(self, time_ms: int) -> None:
        if time_ms < self._state.time_ms:
            raise InvalidError(
                "Time goes backwards: this comes after something later.",
                where="time",
                remedy="Give the events of a run in the order of their times.",
            )

    def _check_specimen(self, name: str) -> None:
        if name not in self._state.specimens:
            known = ", ".join(self._state.specimens) or "none"
            raise InvalidError(
                f"No specimen of this run is called {name}.",
                where="specimen",
                remedy=f"Its specimens are: {known}.",
            )


def _run_on(total: float, more: Floats) -> float:
    """A running sum carried on one by one, so that it does not matter where it was cut."""
    return float(np.cumsum(np.concatenate(([total], more)))[-1])


def _least(known: float | None, values: Floats) -> float | None:
    """The lowest of what is known and these values, NaN passed over; None: nothing at all."""
    lowest = float(np.fmin.reduce(values, initial=np.inf if known is None else known))
    return lowest if lowest < np.inf else None


def _most(known: float | None, values: Floats) -> float | None:
    """The highest of what is known and these values, NaN passed over; None: nothing at all."""
    highest = float(np.fmax.reduce(values, initial=-np.inf if known is None else known))
    return highest if highest > -np.inf else None
