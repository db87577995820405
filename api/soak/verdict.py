"""What each specimen of a run stood, and in which interval it gave way. Pure.

All that is known of a specimen is what its looks found. It gave way after the last look that
found it sound and not after the first that found it failed: a half-open interval (sound,
failed] in time, in the steps of the program and in measured temperature. A step is *held*
when a look after its dwell was done found the specimen sound; it is where the specimen *gave
way* when both ends of the interval lie in that step; otherwise the record cannot say, and the
verdict is *not known*. A specimen found sound again after it failed stays failed.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass

from api.soak.state import Excursion, LookAt, Place, RunState, StepLog


class Verdict(enum.StrEnum):
    """What is known of one specimen in one step."""

    HELD = "held"
    GAVE_WAY = "gave_way"
    NOT_KNOWN = "not_known"


@dataclass(frozen=True, slots=True)
class StepVerdict:
    """One specimen in one step, with what the chamber really did.

    Temperatures [°C] and ``in_band_min`` are the step's own, over its dwell; ``excursions``
    those of the step; of ``unrecorded_min`` in it nothing is known. ``overshot_by`` lists
    earlier steps in which the chamber was already hotter than the band of the step after
    them: they may have decided this verdict.
    """

    step: int
    setpoint_c: float
    verdict: Verdict
    mean_c: float | None
    lowest_c: float | None
    highest_c: float | None
    in_band_min: float
    excursions: tuple[Excursion, ...]
    unrecorded_min: float
    overshot_by: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SpecimenVerdict:
    """All that is known of one specimen after a run, finished or not.

    It gave way in (``sound``, ``failed``]: ``sound`` is the heat it had had when last found
    sound (None: never looked at before), ``failed`` when first found failed (None: it never
    was). ``survived_c`` is the measured mean of the hottest step it held, ``failed_c`` that
    of the step it was found failed in, up to that look, or the hottest reading by then where
    that step had not settled; None where there is none. On a ramp both
    are the hottest reading by that look. ``steps`` are those begun, up
    to the failure.
    """

    specimen: str
    sound: Place | None
    failed: Place | None
    survived_c: float | None
    failed_c: float | None
    steps: tuple[StepVerdict, ...]

    @property
    def highest_step_held(self) -> int | None:
        """Number of the last step known to have been held."""
        held = [step.step for step in self.steps if step.verdict is Verdict.HELD]
        return max(held, default=None)


def verdicts(state: RunState) -> tuple[SpecimenVerdict, ...]:
    """The verdict on every specimen of a run, in the order they were put in."""
    return tuple(verdict_on(name, state) for name in state.specimens)


def verdict_on(specimen: str, state: RunState) -> SpecimenVerdict:
    """The verdict on one specimen from its looks and the steps as they were measured."""
    sound, failed = _interval(look for look in state.looks if look.specimen == specimen)
    first = _first_open(sound)
    last = len(state.steps) if failed is None else failed.step
    if failed is not None:
        first = min(first, last)
    steps = tuple(
        _step_verdict(log, _verdict(log.number, first, last, failed is not None), state)
        for log in state.steps[:last]
    )
    means = [
        step.mean_c for step in steps if step.verdict is Verdict.HELD and step.mean_c is not None
    ]
    ramp = state.program.look_every_k is not None
    return SpecimenVerdict(
        specimen=specimen,
        sound=sound,
        failed=failed,
        survived_c=_reached(sound) if ramp else max(means, default=None),
        failed_c=_reached(failed) if ramp else _failed_c(failed),
        steps=steps,
    )


def _interval(looks: Iterable[LookAt]) -> tuple[Place | None, Place | None]:
    """Places of the last look found sound and of the first found failed."""
    sound = None
    for look in looks:
        if look.finding.gave_way:
            return sound, look.place
        sound = look.place
    return sound, None


def _first_open(sound: Place | None) -> int:
    """Number of the first step that is not known to have been held."""
    if sound is None:
        return 1
    return sound.step + 1 if sound.completed else sound.step


def _verdict(number: int, first: int, last: int, failed: bool) -> Verdict:
    if number < first:
        return Verdict.HELD
    return Verdict.GAVE_WAY if failed and first == last else Verdict.NOT_KNOWN


def _step_verdict(log: StepLog, verdict: Verdict, state: RunState) -> StepVerdict:
    return StepVerdict(
        step=log.number,
        setpoint_c=log.step.setpoint_c,
        verdict=verdict,
        mean_c=log.mean_c,
        lowest_c=log.lowest_c,
        highest_c=log.highest_c,
        in_band_min=log.dwell_ms / 60_000,
        excursions=tuple(out for out in state.excursions if out.step == log.number),
        unrecorded_min=sum(
            (hole.end_ms - hole.start_ms) / 60_000
            for hole in state.holes
            if hole.step == log.number
        ),
        overshot_by=tuple(n for n in overshot(state) if n < log.number),
    )


def overshot(state: RunState) -> tuple[int, ...]:
    """Steps in which the chamber was hotter than the band of the (hotter) step after them."""
    return tuple(
        log.number
        for log, after in zip(state.steps, state.program.steps[1:], strict=False)
        if log.peak_c is not None
        and after.setpoint_c > log.step.setpoint_c
        and log.peak_c > after.high_c
    )


def _failed_c(failed: Place | None) -> float | None:
    if failed is None:
        return None
    return failed.peak_c if failed.mean_c is None else failed.mean_c


def _reached(place: Place | None) -> float | None:
    """On a ramp: the hottest the specimen had seen by a look."""
    return None if place is None else place.peak_c
