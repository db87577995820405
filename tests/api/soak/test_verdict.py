"""What is known of a specimen: the interval between two looks, and no more."""

from __future__ import annotations

import pytest

from api.soak.engine import fold
from api.soak.events import ChamberReading, Event, LookTaken, Started
from api.soak.looks_due import look_due
from api.soak.program import Finding, Program, Step, steady_ramp
from api.soak.verdict import SpecimenVerdict, Verdict, overshot, verdict_on, verdicts

MIN = 60_000
SOUND, WARPED = Finding.SOUND, Finding.WARPED
HELD, GAVE_WAY, NOT_KNOWN = Verdict.HELD, Verdict.GAVE_WAY, Verdict.NOT_KNOWN
PLAN = Program(
    name="three",
    steps=tuple(Step(setpoint_c=c, tolerance_k=2, dwell_min=10) for c in (50, 60, 70)),
)
#: Dwells from 0 to 10, from 12.76 to 22.76 and from 25.7 to 35.7 minutes.
PROFILE = [50.0] * 13 + [60.5] * 13 + [71.0] * 15


def verdict(*looks: tuple[float, Finding], profile: list[float] = PROFILE) -> SpecimenVerdict:
    told: list[tuple[float, int, Event]] = [
        (i * MIN, 0, ChamberReading(i * MIN, v)) for i, v in enumerate(profile)
    ]
    told += [(t * MIN, 1, LookTaken(round(t * MIN), "A", finding)) for t, finding in looks]
    ordered = [event for _, _, event in sorted(told, key=lambda row: row[:2])]
    return verdict_on("A", fold(PLAN, [Started(0, ("A",)), *ordered]))


def steps(judged: SpecimenVerdict) -> list[Verdict]:
    return [step.verdict for step in judged.steps]


def test_gave_way_within_the_step_between_two_looks() -> None:
    judged = verdict((11, SOUND), (17, SOUND), (20, WARPED))
    assert steps(judged) == [HELD, GAVE_WAY]
    assert judged.sound is not None
    assert judged.failed is not None
    assert (judged.sound.time_ms, judged.failed.time_ms) == (17 * MIN, 20 * MIN)
    crossed = 12 + 8 / 10.5
    assert judged.sound.dwell_s / 60 == pytest.approx(17 - crossed)
    assert judged.failed.dwell_s / 60 == pytest.approx(20 - crossed)
    assert judged.survived_c == pytest.approx(50)
    assert judged.failed_c == pytest.approx(60.5, abs=0.1)
    assert judged.highest_step_held == 1


def test_found_failed_at_the_end_of_a_step_after_the_end_of_the_one_before() -> None:
    judged = verdict((11, SOUND), (24, WARPED))
    assert steps(judged) == [HELD, GAVE_WAY]


def test_a_step_without_a_look_gives_the_wider_interval() -> None:
    judged = verdict((11, SOUND), (30, WARPED))
    assert steps(judged) == [HELD, NOT_KNOWN, NOT_KNOWN]
    assert judged.survived_c == pytest.approx(50)
    assert judged.failed_c == pytest.approx(71, abs=0.2)


def test_a_look_before_the_dwell_was_done_does_not_hold_the_step() -> None:
    judged = verdict((9, SOUND), (24, WARPED))
    assert steps(judged) == [NOT_KNOWN, NOT_KNOWN]
    assert judged.survived_c is None


def test_survived_everything() -> None:
    judged = verdict((11, SOUND), (24, SOUND), (39, SOUND))
    assert steps(judged) == [HELD, HELD, HELD]
    assert judged.failed is None
    assert judged.failed_c is None
    assert judged.highest_step_held == 3
    assert judged.survived_c == pytest.approx(71, abs=0.1)


def test_never_looked_at_means_not_known() -> None:
    judged = verdict()
    assert steps(judged) == [NOT_KNOWN, NOT_KNOWN, NOT_KNOWN]
    assert (judged.sound, judged.failed, judged.survived_c) == (None, None, None)


def test_failed_at_the_first_look_of_all() -> None:
    assert steps(verdict((5, WARPED))) == [GAVE_WAY]
    assert steps(verdict((24, WARPED))) == [NOT_KNOWN, NOT_KNOWN]


def test_found_failed_on_the_hotter_way_to_the_next_step_is_not_blamed_on_either() -> None:
    profile = [50.0] * 13 + [55.0] * 3 + [60.0] * 12
    judged = verdict((9, SOUND), (15, WARPED), profile=profile)
    assert steps(judged) == [NOT_KNOWN, NOT_KNOWN]
    assert judged.failed is not None
    assert (judged.failed.step, judged.failed.completed) == (2, False)
    assert judged.failed.peak_c == 55
    # The second step settled later, at 60 °C; the specimen had not had that when it failed.
    assert judged.failed_c == 55


def test_sound_again_after_failing_stays_failed_and_colour_is_no_failure() -> None:
    judged = verdict((5, Finding.DISCOLOURED), (11, SOUND), (20, WARPED), (24, SOUND))
    assert steps(judged) == [HELD, GAVE_WAY]


def test_each_step_comes_with_what_the_chamber_really_did() -> None:
    profile = [50.0] * 13 + [60.0] * 3 + [66.0] * 2 + [60.0] * 10
    judged = verdict((11, SOUND), (27, SOUND), profile=profile)
    second = judged.steps[1]
    assert second.verdict is HELD
    assert second.in_band_min == pytest.approx(10)
    assert (second.lowest_c, second.highest_c) == (60, 66)
    (out,) = second.excursions
    assert out.over_k == 4


def test_what_was_not_recorded_is_told_with_the_step() -> None:
    told: list[Event] = [ChamberReading(i * MIN, 50) for i in range(30) if not 4 < i < 14]
    judged = verdict_on("A", fold(PLAN, [Started(0, ("A",)), *told]))
    assert judged.steps[0].unrecorded_min == 10
    assert judged.steps[0].in_band_min == pytest.approx(10)


def test_overshoot_beyond_the_next_band_marks_every_later_verdict() -> None:
    profile = [50.0] * 5 + [63.0] + [50.0] * 9 + [60.0] * 13 + [70.0] * 13
    judged = verdict((14, SOUND), (27, SOUND), (39, SOUND), profile=profile)
    assert [step.overshot_by for step in judged.steps] == [(), (1,), (1,)]
    told = [ChamberReading(i * MIN, v) for i, v in enumerate(profile)]
    state = fold(PLAN, [Started(0, ("A", "B")), *told])
    assert overshot(state) == (1,)
    assert [judged.specimen for judged in verdicts(state)] == ["A", "B"]


def test_going_down_is_not_overshooting() -> None:
    down = PLAN.model_copy(update={"steps": tuple(reversed(PLAN.steps))})
    told = [ChamberReading(i * MIN, 70) for i in range(15)]
    assert overshot(fold(down, [Started(0), *told])) == ()


def test_on_a_ramp_results_count_in_temperature_reached() -> None:
    ramp = steady_ramp("ramp", 100, rate_k_per_min=2, look_every_k=10, note="")
    climb = [ChamberReading(i * MIN, 20 + 2 * i) for i in range(30)]
    looks = [(16, SOUND), (21, SOUND), (26, WARPED)]
    events: list[Event] = [Started(0, ("A",))]
    for minute, reading in enumerate(climb):
        events.append(reading)
        events += [LookTaken(minute * MIN, "A", f) for at, f in looks if at == minute]
    judged = verdict_on("A", fold(ramp, events))
    assert (judged.survived_c, judged.failed_c) == (62, 72)
    early = fold(ramp, events[:4])
    # 20 °C at the start and 24 °C after two minutes: 10 K more than at the start in 3 minutes.
    due = look_due(early)
    assert due is not None
    assert due.due_ms == 5 * MIN
    assert not early.too_hot
    limited = ramp.model_copy(update={"stop_above_c": 70.0})
    assert fold(limited, events).too_hot
