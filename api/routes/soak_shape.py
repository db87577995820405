"""The shape in which the state of a soak run is sent."""

from __future__ import annotations

from datetime import datetime

from pydantic import Field

from api.answers import SoakNow
from api.notices import Notice, NoticeKind
from api.prints import Frozen
from api.routes.shapes import sent
from api.soak.events import Abandoned, Ended, LookTaken, ProgramEdited, TakenOut
from api.soak.looks_due import look_due
from api.soak.program import Finding, Program
from api.soak.state import Hole, LookAt, Phase, Place, StepLog
from api.soak.verdict import SpecimenVerdict, Verdict
from api.soak_folds import Refused
from collector.readings import moment_of


class StepShape(Frozen):
    """What one step really was."""

    number: int
    setpoint_c: float
    tolerance_k: float
    dwell_asked_s: float
    began: datetime
    settled: datetime | None = Field(description="When its dwell began; null before.")
    done: datetime | None
    dwell_s: float = Field(description="Counted in band, never across a gap.")
    remaining_s: float
    mean_c: float | None
    lowest_c: float | None
    highest_c: float | None
    peak_c: float | None
    spread_k: float | None = Field(
        description="How far the chamber's probes stood apart at most in the dwell."
    )


class ExcursionShape(Frozen):
    """A stretch out of band after the step had settled; it did not count as dwell."""

    step: int
    start: datetime
    end: datetime
    length_s: float
    over_k: float
    under_k: float


class HoleShape(Frozen):
    """A stretch without a reading, in which nothing was counted."""

    step: int
    start: datetime
    end: datetime
    length_s: float


class PlaceShape(Frozen):
    """How much heat a specimen had had by a moment."""

    time: datetime
    step: int
    step_completed: bool = Field(description="Whether that step's dwell was done.")
    dwell_s: float
    mean_c: float | None
    peak_c: float | None
    final: bool = Field(description="False while the next reading may still move it.")


class LookPlaceShape(PlaceShape):
    """A look, with the heat the specimen had had by then."""

    specimen: str
    finding: Finding


class StepVerdictShape(Frozen):
    """One specimen in one step, with what the chamber really did in its dwell."""

    step: int
    setpoint_c: float
    verdict: Verdict
    mean_c: float | None
    lowest_c: float | None
    highest_c: float | None
    in_band_min: float
    excursions_n: int
    overshot_by: tuple[int, ...] = Field(
        description="Earlier steps that were already hotter than the next one's band."
    )


class SpecimenVerdictShape(Frozen):
    """What is known of one specimen: it gave way after `sound` and not after `failed`."""

    specimen: str
    sound: PlaceShape | None = Field(description="When last found sound; null: never looked at.")
    failed: PlaceShape | None = Field(description="When first found failed; null: never was.")
    survived_c: float | None
    failed_c: float | None
    highest_step_held: int | None
    steps: tuple[StepVerdictShape, ...]


class TakenOutShape(PlaceShape):
    """A specimen that left the chamber, with the heat it had had by then."""

    specimen: str


class VersionShape(Frozen):
    """A program and the moment from which it was in force."""

    since: datetime
    program: Program


class RefusedShape(Frozen):
    """Something done that cannot have been so by what is known now; it is left out."""

    time: datetime
    what: str
    why: str


class NoticeShape(Frozen):
    """One thing that a run has to tell; its key stays while it is about the same."""

    key: str
    kind: NoticeKind
    alarming: bool = Field(description="Whether something is wrong, as against to be done.")
    said: str
    since: datetime | None


class SoakStateShape(Frozen):
    """Where a soak run stands, folded from the readings and looks so far."""

    soak: int
    phase: Phase
    step: int | None = Field(description="Number of the step under way, from 1.")
    in_band: bool
    readings_c: dict[str, float] = Field(description="Newest reading of each chamber probe.")
    last_reading: datetime | None
    look_due: datetime | None = Field(description="In the past when it is overdue.")
    look_due_forecast: bool = Field(
        description="Whether the readings have still to bear out that moment."
    )
    inside: tuple[str, ...] = Field(description="Specimens still in the chamber.")
    peak_c: float | None
    reason: str
    marked_out: int = Field(description="Readings left out as doubtful.")
    steps: tuple[StepShape, ...]
    excursions: tuple[ExcursionShape, ...]
    holes: tuple[HoleShape, ...]
    looks: tuple[LookPlaceShape, ...]
    taken_out: tuple[TakenOutShape, ...]
    versions: tuple[VersionShape, ...] = Field(description="The first is the run's own program.")
    refused: tuple[RefusedShape, ...]
    notices: tuple[NoticeShape, ...]
    verdicts: tuple[SpecimenVerdictShape, ...]


def shape_of(found: SoakNow) -> SoakStateShape:
    """The state of a run as it is sent."""
    state, due = found.state, look_due(found.state)
    return sent(
        SoakStateShape,
        state,
        soak=found.run.id,
        step=None if state.log is None else state.log.number,
        readings_c=state.last_readings_c,
        last_reading=_moment(state.last_reading_ms),
        look_due=None if due is None else _at(due.due_ms),
        look_due_forecast=due is not None and due.forecast,
        marked_out=found.marked_out,
        steps=tuple(map(_step, state.steps)),
        excursions=tuple(
            sent(ExcursionShape, out, start=_at(out.start_ms), end=_at(out.end_ms))
            for out in state.excursions
        ),
        holes=tuple(map(_hole, state.holes)),
        looks=tuple(map(_look, state.looks)),
        taken_out=tuple(
            sent(TakenOutShape, _place(place), specimen=name) for name, place in state.taken_out
        ),
        versions=tuple(
            VersionShape(since=moment_of(since_ms), program=program)
            for since_ms, program in state.versions
        ),
        refused=tuple(map(_refused, found.refused)),
        notices=tuple(map(notice_shape, found.notices)),
        verdicts=tuple(map(_verdict, found.verdicts)),
    )


def _step(log: StepLog) -> StepShape:
    return sent(
        StepShape,
        log,
        setpoint_c=log.step.setpoint_c,
        tolerance_k=log.step.tolerance_k,
        dwell_asked_s=log.step.dwell_ms / 1_000,
        began=_at(log.began_ms),
        settled=_moment(log.settled_ms),
        done=_moment(log.done_ms),
    )


def _refused(refused: Refused) -> RefusedShape:
    what = {
        TakenOut: "taken out",
        ProgramEdited: "program edited",
        LookTaken: "a look",
        Ended: "the end",
        Abandoned: "the end",
    }[type(refused.mark)]
    return RefusedShape(time=moment_of(refused.mark.time_ms), what=what, why=refused.why.what)


def notice_shape(notice: Notice) -> NoticeShape:
    """A notice as it is sent."""
    return sent(NoticeShape, notice, alarming=notice.kind.alarming, since=_moment(notice.since_ms))


def _hole(hole: Hole) -> HoleShape:
    start, end = _at(hole.start_ms), _at(hole.end_ms)
    length_s = (hole.end_ms - hole.start_ms) / 1_000
    return HoleShape(step=hole.step, start=start, end=end, length_s=length_s)


def _look(look: LookAt) -> LookPlaceShape:
    placed = _place(look.place)
    return sent(
        LookPlaceShape,
        placed,
        time=moment_of(look.time_ms),
        specimen=look.specimen,
        finding=look.finding,
    )


def _place(place: Place) -> PlaceShape:
    return sent(PlaceShape, place, time=_at(place.time_ms), step_completed=place.completed)


def _verdict(found: SpecimenVerdict) -> SpecimenVerdictShape:
    return sent(
        SpecimenVerdictShape,
        found,
        sound=None if found.sound is None else _place(found.sound),
        failed=None if found.failed is None else _place(found.failed),
        steps=tuple(
            sent(StepVerdictShape, step, excursions_n=len(step.excursions)) for step in found.steps
        ),
    )


def _at(time_ms: float) -> datetime:
    """A moment found between two readings, to the nearest millisecond."""
    return moment_of(round(time_ms))


def _moment(time_ms: float | None) -> datetime | None:
    return None if time_ms is None else _at(time_ms)
