"""A soak run in words: each sentence is true of the state it is said of."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from api.notices import NoticeKind, notices
from api.soak.engine import fold
from api.soak.events import ChamberReading, Ended, Event, LookTaken, Mark, Started, TakenOut
from api.soak.program import Finding, Program, Settle, Step
from api.soak.state import RunState
from api.soak.verdict import verdict_on
from dashboards import soak_words

MIN = 60_000
TWO_STEPS = Program(
    name="two",
    steps=(Step(setpoint_c=50, dwell_min=10.5), Step(setpoint_c=62.5, dwell_min=10)),
)


def state(values: Sequence[float], *marks: Mark, plan: Program = TWO_STEPS) -> RunState:
    """A reading a minute, with marks in their places, of pieces A, B and C."""
    told: list[tuple[int, int, Event]] = [
        (minute * MIN, 0, ChamberReading(minute * MIN, value))
        for minute, value in enumerate(values)
    ]
    told += [(mark.time_ms, 1, mark) for mark in marks]
    ordered = [event for _, _, event in sorted(told, key=lambda row: row[:2])]
    return fold(plan, [Started(0, ("A", "B", "C")), *ordered])


def seen(minute: float, specimen: str, finding: Finding = Finding.SOUND) -> LookTaken:
    return LookTaken(round(minute * MIN), specimen, finding)


@pytest.mark.parametrize(
    ("setpoint_c", "said"), [(60, "60 °C"), (62.5, "62.5 °C"), (-5, "−5 °C"), (121.25, "121.25 °C")]
)
def test_a_setpoint_is_said_as_it_was_typed(setpoint_c: float, said: str) -> None:
    assert soak_words.setpoint(setpoint_c) == said
    assert soak_words.band(Step(setpoint_c=setpoint_c)) == f"{said} ± 2 K"


def test_a_step_is_said_with_all_that_it_asks_for() -> None:
    step = Step(setpoint_c=70, dwell_min=90, ramp_limit_k_per_min=1.5, longest_approach_min=40)
    assert soak_words.step_asked(step) == (
        "70 °C ± 2 K for 1 h 30 min, changing by at most 1.5 K/min on the way there, there within "
        "40 min"
    )
    assert soak_words.step_asked(TWO_STEPS.steps[0]) == "50 °C ± 2 K for 10.5 min"


def test_the_terms_of_a_program_leave_nothing_out() -> None:
    program = TWO_STEPS.model_copy(
        update={
            "look_every_min": 15,
            "look_every_k": 5,
            "stop_above_c": 95,
            "cool_down_to_c": 40,
            "gap_limit_s": 90,
        }
    )
    said = " ".join(soak_words.terms(program))
    for part in (
        "once the chamber is in its band",
        "a look every 5 K",
        "end of each dwell, and every 15 min in it",
        "stop above 95 °C; nothing here switches the heater off",
        "once every piece has given way",
        "Not to be opened above 40 °C",
        "More than 1.5 min without a reading is a gap",
    ):
        assert part in said, part
    quiet = program.model_copy(update={"stop_when_all_gave_way": False})
    assert "given way" not in " ".join(soak_words.terms(quiet))


def test_the_dwell_counted_and_the_dwell_to_go_make_up_the_whole() -> None:
    run = state([50.0] * 5)
    assert soak_words.dwell_clock(run) == "0:04"
    # 10.5 less 4 minutes: rounded up, as the clock is rounded down.
    assert soak_words.next_thing(run, 4 * MIN) == "Wait: 7 min of dwell to go."


def test_in_the_band_but_not_settled_is_not_called_out_of_the_band() -> None:
    held = TWO_STEPS.model_copy(update={"settle": Settle(hold_min=5)})
    run = state([50.0] * 3, plan=held)
    assert soak_words.clock_words(run, 2 * MIN) == (
        "The clock has not started: the chamber is in the band, the step not settled yet."
    )
    assert soak_words.next_thing(run, 2 * MIN) == "Wait until the step has settled at 50 °C ± 2 K."
    away = state([40.0] * 3, plan=held)
    assert "not in the band yet" in soak_words.clock_words(away, 2 * MIN)
    assert soak_words.next_thing(away, 2 * MIN) == "Set the chamber to 50 °C and wait."


def test_only_the_pieces_that_are_left_are_asked_for() -> None:
    values = [50.0] * 13
    every = state(values)
    assert soak_words.next_thing(every, 12 * MIN).startswith("Look at every specimen now")
    marks = (seen(3, "A", Finding.CRACKED), TakenOut(4 * MIN, "B"))
    assert soak_words.next_thing(state(values, *marks[:1]), 12 * MIN).startswith(
        "Look at the 2 specimens that are left now"
    )
    one = state(values, *marks)
    assert soak_words.next_thing(one, 12 * MIN).startswith("Look at the specimen that is left now")
    (due,) = [each for each in notices(one, 12 * MIN) if each.kind is NoticeKind.LOOK_DUE]
    assert due.said == "Look at the specimen that is left: step 1 is done."


def test_a_run_that_is_over_says_that_nothing_was_switched_off() -> None:
    over = state([50.0] * 3, Ended(2 * MIN + 1))
    assert "See that the heater is off" in soak_words.next_thing(over, 3 * MIN)


def test_a_failure_after_an_excursion_says_how_hot_it_had_been() -> None:
    values = [50.0, 50, 50, 56.2, 50, *[50.0] * 10]
    before = verdict_on("A", state(values, seen(2, "A", Finding.SAGGED)))
    assert soak_words.temperatures(before) == "In temperature: up to 50.0 °C."
    after = verdict_on("A", state(values, seen(5, "A", Finding.SAGGED)))
    said = soak_words.temperatures(after)
    assert said.startswith("In temperature: up to 5")
    assert said.endswith("The chamber had been as hot as 56.2 °C by then.")


def test_several_probes_are_named_and_the_specimen_is_told_apart() -> None:
    assert soak_words.chamber_now(state([50.0])) == "50.0 °C"
    assert soak_words.specimen_now(state([50.0])) == ""
    started = Started(0, ("A",), ("left", "right"), "inside")
    told = [ChamberReading(0, value, probe) for probe, value in (("left", 50.0), ("right", 49.4))]
    run = fold(TWO_STEPS, [started, *told])
    assert soak_words.chamber_now(run) == "left 50.0 °C, right 49.4 °C"
    assert soak_words.specimen_now(run) == "no reading yet"
    run = fold(TWO_STEPS, [ChamberReading(1, 41.0, "inside")], run)
    assert soak_words.specimen_now(run) == "41.0 °C"


def test_a_hole_is_told_from_when_to_when() -> None:
    run = fold(
        TWO_STEPS,
        [Started(0), ChamberReading(0, 50.0), ChamberReading(12 * MIN, 50.0)],
    )
    (hole,) = run.holes
    said = soak_words.hole(hole)
    assert said.endswith("nothing recorded for 12 min; that did not count")
    assert said[2] == ":"
