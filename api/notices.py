"""What a soak run has to tell the person at the bench now: rules over its state. Pure.

A notice holds for as long as its rule does. Its key stays the same for as long as it is about
the same thing, so whoever passes notices on (a page, a bell) tells each of them once, over
reloads and restarts, and two viewers see the same. Senders are apart: nothing here rings.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator
from dataclasses import dataclass

from api.soak.looks_due import LookReason, look_due, to_be_looked_at
from api.soak.program import Step
from api.soak.state import Phase, RunState, Track

#: How long it stays news that a step has settled [ms].
NEWS_MS = 10 * 60_000


class NoticeKind(enum.StrEnum):
    """What a notice is about, the most urgent first."""

    OVER_TEMPERATURE = "over_temperature"
    PROBE_LOST = "probe_lost"
    EXCURSION = "excursion"
    ALL_GAVE_WAY = "all_gave_way"
    LOOK_DUE = "look_due"
    STEP_DONE = "step_done"
    APPROACH_LATE = "approach_late"
    RUN_FINISHED = "run_finished"
    COOL = "cool"
    IN_BAND = "in_band"

    @property
    def alarming(self) -> bool:
        """Whether something is wrong, as against something to do."""
        return self in (NoticeKind.OVER_TEMPERATURE, NoticeKind.PROBE_LOST, NoticeKind.EXCURSION)


@dataclass(frozen=True, slots=True)
class Notice:
    """One thing to be told: its key, what it is about, in words, and since when [ms].

    ``since_ms`` is None where the moment is not known.
    """

    key: str
    kind: NoticeKind
    said: str
    since_ms: float | None = None


def notices(state: RunState, now_ms: int) -> tuple[Notice, ...]:
    """Everything a run has to tell at a moment [ms since 1970], the most urgent first."""
    if state.phase in (Phase.NOT_STARTED, Phase.FINISHED, Phase.ABANDONED):
        return ()
    found = (
        *_too_hot(state),
        *_lost_probes(state, now_ms),
        *_excursion(state),
        *_all_gave_way(state),
        *_look(state, now_ms),
        *_step(state, now_ms),
        *_end(state),
    )
    order = list(NoticeKind)
    return tuple(sorted(found, key=lambda notice: order.index(notice.kind)))


def _too_hot(state: RunState) -> Iterator[Notice]:
    """It stays until the run is over or the program allows more: what was too hot was so."""
    limit = state.program.stop_above_c
    if state.too_hot and limit is not None and state.peak_c is not None:
        yield Notice(
            f"over_temperature:{limit:g}",
            NoticeKind.OVER_TEMPERATURE,
            f"Too hot: {state.peak_c:.1f} °C was read and the program stops above {limit:g} °C. "
            "Switch the heater off and break the run off.",
        )


def _lost_probes(state: RunState, now_ms: int) -> Iterator[Notice]:
    """A probe that has said nothing for longer than the program's gap limit."""
    beside = (state.specimen_track,) if state.specimen_track else ()
    for track in (*state.tracks, *beside):
        last = _last_ms(state, track)
        if now_ms - last > state.program.gap_limit_ms:
            yield Notice(
                f"probe_lost:{track.probe}:{last:.0f}",
                NoticeKind.PROBE_LOST,
                f"No reading from probe {track.probe}: nothing is counted until it is back.",
                last,
            )


def _last_ms(state: RunState, track: Track) -> float:
    """Time of a probe's last reading, or of the start where it has none [ms]."""
    return state.started_ms + (track.offsets_ms[-1] if track.offsets_ms else 0.0)


def _excursion(state: RunState) -> Iterator[Notice]:
    out, log = state.excursion, state.log
    if out is not None and log is not None:
        yield Notice(
            f"excursion:{out.step}:{out.start_ms:.0f}",
            NoticeKind.EXCURSION,
            f"Out of band by {out.depth_k:.1f} K: the clock stands. "
            f"Bring the chamber back to {_band(log.step)}.",
            out.start_ms,
        )


def _all_gave_way(state: RunState) -> Iterator[Notice]:
    wanted = state.program.stop_when_all_gave_way
    if wanted and state.specimens and state.gave_way.issuperset(state.specimens):
        last = max(look.time_ms for look in state.looks)
        yield Notice(
            "all_gave_way",
            NoticeKind.ALL_GAVE_WAY,
            "Every specimen has given way. Switch the heater off and end the run.",
            last,
        )


def _look(state: RunState, now_ms: int) -> Iterator[Notice]:
    due = look_due(state)
    if due is None or due.forecast or due.due_ms > now_ms:
        return
    why = {
        LookReason.STEP_DONE: f"step {due.step} is done",
        LookReason.DURING_DWELL: f"in the dwell of step {due.step}",
        LookReason.CLIMB: "the chamber has climbed as far as the program asks",
    }[due.reason]
    yield Notice(
        f"look_due:{due.step}:{due.reason}:{due.seen_n}",
        NoticeKind.LOOK_DUE,
        f"Look at {specimens_to_see(state)}: {why}.",
        due.due_ms,
    )


def specimens_to_see(state: RunState) -> str:
    """The specimens that a look is asked for, in words."""
    asked, all_n = len(to_be_looked_at(state)), len(state.specimens)
    if asked == all_n:
        return "every specimen" if all_n > 1 else "the specimen"
    return "the specimen that is left" if asked == 1 else f"the {asked} specimens that are left"


def _step(state: RunState, now_ms: int) -> Iterator[Notice]:
    """The step under way: set the chamber for it, late on the way to it, there."""
    log = state.log
    if log is None:
        return
    if state.phase is Phase.APPROACH and log.number > 1:
        yield Notice(
            f"step_done:{log.number - 1}",
            NoticeKind.STEP_DONE,
            f"Step {log.number - 1} is done. Set the chamber to {log.step.setpoint_c:g} °C.",
            log.began_ms,
        )
    if state.phase is Phase.APPROACH and log.approach_late(now_ms):
        yield Notice(
            f"approach_late:{log.number}",
            NoticeKind.APPROACH_LATE,
            f"The chamber has not reached step {log.number} in the "
            f"{log.step.longest_approach_min:g} minutes that the program gives it.",
            log.began_ms + (log.step.longest_approach_min or 0.0) * 60_000,
        )
    settled = log.settled_ms
    if state.phase is Phase.DWELL and settled is not None and now_ms - settled <= NEWS_MS:
        load = " Load the specimens if they wait outside." if log.number == 1 else ""
        yield Notice(
            f"in_band:{log.number}:{settled:.0f}",
            NoticeKind.IN_BAND,
            f"In band at {_band(log.step)}: the dwell of step {log.number} runs.{load}",
            settled,
        )


def _end(state: RunState) -> Iterator[Notice]:
    log = state.log
    if state.phase is not Phase.COOL_DOWN or log is None:
        return
    cool = "" if state.program.cool_down_to_c is None or state.cool else _until_cool(state)
    yield Notice(
        f"run_finished:{log.number}",
        NoticeKind.RUN_FINISHED,
        "Every step is done. Switch the heater off, take the last look and end the run when the "
        f"chamber is empty.{cool}",
        log.done_ms,
    )
    if state.cool:
        yield Notice(
            f"cool:{log.number}",
            NoticeKind.COOL,
            f"The chamber is down to {state.program.cool_down_to_c:g} °C and may be opened.",
        )


def _until_cool(state: RunState) -> str:
    return f" Do not open it above {state.program.cool_down_to_c:g} °C."


def _band(step: Step) -> str:
    return f"{step.setpoint_c:g} °C ± {step.tolerance_k:g} K"
