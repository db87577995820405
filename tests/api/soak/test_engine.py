"""Runs of the soak bench as a person would see them, and what may not happen in one."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from itertools import pairwise

import pytest

from api.soak.engine import fold
from api.soak.events import (
    Abandoned,
    ChamberReading,
    Ended,
    Event,
    LookTaken,
    ProgramEdited,
    Started,
    TakenOut,
)
from api.soak.looks_due import look_due
from api.soak.program import Finding, Program, Settle, SettleRule, Step
from api.soak.state import Phase, RunState
from collector.errors import InvalidError
from tests.recordings import recording

MIN = 60_000


def program(*setpoints_c: float, dwell_min: float = 60, **more: object) -> Program:
    steps = [Step(setpoint_c=c, tolerance_k=2, dwell_min=dwell_min) for c in setpoints_c]
    return Program.model_validate({"name": "bench", "steps": steps} | more)


def minutes(values: Sequence[float], begin: int = 0) -> list[Event]:
    """One reading a minute."""
    return [ChamberReading((begin + i) * MIN, v) for i, v in enumerate(values)]


def run(plan: Program, *parts: Sequence[Event] | Event) -> RunState:
    events: list[Event] = [Started(0, ("A1", "A2"))]
    for part in parts:
        events.extend(part if isinstance(part, Sequence) else [part])
    return fold(plan, events)


# --- the clock -----------------------------------------------------------------------------


def test_dwell_starts_at_the_crossing_and_ends_at_the_exact_moment() -> None:
    state = run(program(60, dwell_min=10), minutes([20, 40, 56, 60, *[60] * 20]))
    log = state.steps[0]
    assert log.settled_ms == pytest.approx(2.5 * MIN)
    assert log.done_ms == pytest.approx(12.5 * MIN)
    assert log.dwell_s == 600
    assert state.phase is Phase.COOL_DOWN
    # From 58 °C at the crossing to 60 °C half a minute later, then 60 °C.
    assert log.mean_c == pytest.approx((0.5 * 59 + 9.5 * 60) / 10)
    assert (log.lowest_c, log.highest_c, log.peak_c) == (60, 60, 60)


def test_an_excursion_stops_the_clock_and_is_listed_with_its_depth() -> None:
    door_open = [60] * 6 + [54, 54, 54] + [60] * 12
    state = run(program(60, dwell_min=15), minutes(door_open))
    (out,) = state.excursions
    # The band ends at 58 °C: a third of the minute on the way down and up.
    assert out.start_ms == pytest.approx((5 + 1 / 3) * MIN)
    assert out.end_ms == pytest.approx((8 + 2 / 3) * MIN)
    assert (out.depth_k, out.over_k, out.step) == (4, 0, 1)
    assert state.steps[0].done_ms == pytest.approx((15 + 10 / 3) * MIN)
    assert state.steps[0].lowest_c == 54


def test_no_dwell_across_a_hole_however_steady_it_looks() -> None:
    plan = program(60, dwell_min=30)
    state = run(plan, minutes([60] * 11), minutes([60] * 11, begin=40))
    assert state.steps[0].dwell_s == 20 * 60
    assert [(hole.start_ms, hole.end_ms) for hole in state.holes] == [(10 * MIN, 40 * MIN)]
    assert state.phase is Phase.DWELL
    wider = plan.model_copy(update={"gap_limit_s": 1_800.0})
    assert run(wider, minutes([60] * 11), minutes([60] * 11, begin=40)).phase is Phase.COOL_DOWN


def test_a_power_cut_leaves_a_hole_and_an_excursion_and_the_clock_goes_on() -> None:
    cold = [45.0, 52, 59]
    state = run(program(60, dwell_min=30), minutes([60] * 11), minutes([*cold, *[60] * 30], 70))
    (out,) = state.excursions
    assert (out.start_ms, out.under_k) == (70 * MIN, 13)
    log = state.steps[0]
    assert log.done_ms == pytest.approx((72 + 20 - 1 / 7) * MIN)


def test_steps_go_up_and_down() -> None:
    state = run(program(60, 40, dwell_min=5), minutes([60] * 6 + [50, 40, 40, 40, 40, 40, 40, 40]))
    up, down = state.steps
    assert up.done_ms == 5 * MIN
    assert down.settled_ms == pytest.approx(6.8 * MIN)
    assert down.done_ms == pytest.approx(11.8 * MIN)
    assert state.phase is Phase.COOL_DOWN


def test_bands_that_overlap_hand_over_at_once() -> None:
    state = run(program(60, 61, dwell_min=5), minutes([60] * 12))
    assert [log.done_ms for log in state.steps] == [5 * MIN, 10 * MIN]


def test_in_band_remaining_and_the_excursion_going_on() -> None:
    state = run(program(60, dwell_min=30), minutes([60] * 11))
    assert state.in_band
    assert state.log is not None
    assert state.log.remaining_s == 20 * 60
    assert state.excursion is None
    out = run(program(60, dwell_min=30), minutes([60] * 11 + [66, 67]))
    assert not out.in_band
    assert out.excursion is not None
    assert out.excursion.over_k == 5
    assert run(program(60), minutes([60] * 11 + [66, 60])).excursion is None


def test_a_late_approach_is_told() -> None:
    slow = Step(setpoint_c=60, longest_approach_min=10)
    state = run(Program(name="slow", steps=(slow,)), minutes([20] * 9))
    assert state.log is not None
    assert not state.log.approach_late(10 * MIN)
    assert state.log.approach_late(10 * MIN + 1)


# --- several probes ------------------------------------------------------------------------


def test_the_worst_probe_decides() -> None:
    readings: list[Event] = []
    for minute in range(31):
        readings.append(ChamberReading(minute * MIN, 60, "left"))
        readings.append(ChamberReading(minute * MIN, 57 + minute * 0.1, "right"))
    state = fold(program(60, dwell_min=15), [Started(0, (), ("left", "right")), *readings])
    assert state.steps[0].settled_ms == pytest.approx(10 * MIN)
    assert state.steps[0].done_ms == pytest.approx(25 * MIN)
    # 60 against 58 °C at the beginning of the dwell.
    assert state.steps[0].spread_k == pytest.approx(2)
    assert run(program(60), minutes([60] * 5)).steps[0].spread_k is None


def test_a_lost_probe_stops_the_clock_until_it_is_back() -> None:
    readings = [
        ChamberReading(minute * MIN, 60, probe)
        for minute in range(61)
        for probe in ("left", "right")
        if probe == "left" or not 10 < minute < 30
    ]
    state = fold(program(60), [Started(0, (), ("left", "right")), *readings])
    assert state.steps[0].dwell_s == 40 * 60
    assert [(hole.start_ms, hole.end_ms) for hole in state.holes] == [(10 * MIN, 30 * MIN)]
    lost = fold(program(60), [Started(0, (), ("left", "right")), *readings[:-70]])
    assert lost.last_readings_c == {"left": 60, "right": 60}


# --- what people do ------------------------------------------------------------------------


def test_a_look_between_readings_is_placed_at_its_own_moment() -> None:
    plan = program(60, dwell_min=30)
    look = LookTaken(10 * MIN + 15_000, "A1", Finding.SOUND)
    waiting = run(plan, minutes([60] * 11), look)
    assert (waiting.looks[0].place.dwell_s, waiting.looks[0].place.final) == (600, False)
    later = run(plan, minutes([60] * 11), look, minutes([60], 11))
    assert (later.looks[0].place.dwell_s, later.looks[0].place.final) == (615, True)


def test_a_look_belongs_to_the_step_done_until_the_chamber_is_hotter_than_its_band() -> None:
    plan = program(60, 80, dwell_min=10)
    early = LookTaken(12 * MIN, "A1", Finding.SOUND)
    late = LookTaken(16 * MIN, "A2", Finding.SOUND)
    state = run(plan, minutes([60] * 11 + [61, 62]), early, minutes([65, 70, 75, 80], 13), late)
    first, second = (look.place for look in state.looks)
    assert (first.step, first.completed, first.dwell_s) == (1, True, 600)
    assert (second.step, second.completed, second.peak_c) == (2, False, 80)


def due_ms(state: RunState) -> float | None:
    due = look_due(state)
    return None if due is None else due.due_ms


def test_looks_are_due_at_the_end_of_each_step_and_every_so_often() -> None:
    plan = program(60, 80, dwell_min=30, look_every_min=20)
    assert due_ms(run(plan, minutes([50] * 5))) is None
    dwelling = run(plan, minutes([60] * 5))
    assert due_ms(dwelling) == 20 * MIN
    looked = [LookTaken(19 * MIN, name, Finding.SOUND) for name in ("A1", "A2")]
    # Every 20 minutes would be at 39, the step ends at 30.
    assert due_ms(run(plan, minutes([60] * 20), looked)) == 30 * MIN
    overdue = run(plan, minutes([60] * 20), looked, minutes([60] * 15, 20))
    assert due_ms(overdue) == 30 * MIN
    after = [LookTaken(34 * MIN, name, Finding.SOUND) for name in ("A1", "A2")]
    assert due_ms(run(plan, minutes([60] * 35), after)) is None


def test_a_specimen_taken_out_gets_no_further_heat() -> None:
    state = run(
        program(60, dwell_min=60),
        minutes([60] * 11),
        TakenOut(10 * MIN, "A1"),
        minutes([60] * 20, 11),
        LookTaken(30 * MIN, "A1", Finding.WARPED),
        LookTaken(30 * MIN, "A2", Finding.SOUND),
    )
    out, inside = (look.place for look in state.looks)
    assert (out.dwell_s, inside.dwell_s) == (600, 1_800)
    assert state.inside == ("A2",)


def test_the_run_ends_after_cool_down_or_is_abandoned() -> None:
    plan, soak = program(60, dwell_min=10), minutes([60] * 12)
    assert run(plan, soak, Ended(12 * MIN)).phase is Phase.FINISHED
    early = run(plan, soak[:5], Ended(12 * MIN))
    assert (early.phase, early.reason) == (Phase.ABANDONED, "ended before the last step was done")
    stopped = run(plan, soak[:5], Abandoned(12 * MIN, "smell"))
    assert (stopped.phase, stopped.reason) == (Phase.ABANDONED, "smell")
    morning = run(plan, soak, Ended(12 * MIN), LookTaken(700 * MIN, "A1", Finding.SOUND))
    place = morning.looks[0].place
    assert (place.step, place.completed, place.final) == (1, True, True)


# --- an edited program ---------------------------------------------------------------------


def test_a_longer_dwell_goes_on_and_a_shorter_one_may_be_done() -> None:
    plan, readings = program(60, 80, dwell_min=30), minutes([60] * 21)
    longer = ProgramEdited(20 * MIN, program(60, 80, dwell_min=45))
    state = run(plan, readings, longer)
    assert state.log is not None
    assert (state.log.dwell_s, state.log.remaining_s) == (20 * 60, 25 * 60)
    shorter = run(plan, readings, ProgramEdited(20 * MIN, program(60, 80, dwell_min=15)))
    assert [log.done_ms for log in shorter.steps] == [20 * MIN, None]
    assert len(shorter.versions) == 2


def test_another_band_starts_the_dwell_again() -> None:
    state = run(
        program(60, dwell_min=30),
        minutes([60] * 21),
        ProgramEdited(20 * MIN, program(61, dwell_min=30)),
        minutes([60] * 5, 21),
    )
    assert state.log is not None
    assert (state.log.settled_ms, state.log.dwell_s) == (20 * MIN, 5 * 60)


def test_a_program_edited_before_anything_was_read_holds_from_the_beginning() -> None:
    plan, other = program(50), program(60)
    state = run(plan, ProgramEdited(90_000, other), minutes([60.0] * 2, 2))
    assert state.steps[0].began_ms == 0
    assert state.steps[0].step == other.steps[0]


def test_another_rule_for_settling_counts_nothing_from_before_it() -> None:
    """In the band for 20 min of the 30 asked for; then the specimen is asked for as well."""
    held = program(50, settle=Settle(hold_min=30))
    near = program(50, settle=Settle(rule=SettleRule.NEAR_FINAL, hold_min=30))
    told = [ChamberReading(n * MIN, 50.0) for n in range(61)]
    state = run(held, told[:21], ProgramEdited(20 * MIN, near), told[21:])
    assert state.steps[0].settled_ms == 50 * MIN


def test_a_look_that_waited_for_a_reading_has_all_the_heat_there_was_by_the_end() -> None:
    """Looked at after 95 s, of which the slower probe had told 60; it tells more by the end."""
    told: list[Event] = [
        ChamberReading(at * 1_000, 50.0, probe)
        for at, probe in ((0, "a"), (0, "b"), (60, "a"), (60, "b"), (95, "b"))
    ]
    look = LookTaken(96_000, "A", Finding.SOUND)
    later = ChamberReading(110_000, 50.0, "a")
    plan, started = program(50), Started(0, ("A",), ("a", "b"))
    state = fold(plan, [started, *told, look, later])
    assert state.looks[0].place.dwell_s == 60
    over = fold(plan, [Ended(115_000)], state)
    assert over.looks[0].place.dwell_s == over.steps[0].dwell_s == 95
    assert over.looks[0].place.final


def test_steps_may_be_added_after_the_last() -> None:
    state = run(
        program(60, dwell_min=10),
        minutes([60] * 13),
        ProgramEdited(12 * MIN, program(60, 61, dwell_min=10)),
        minutes([60] * 5, 13),
    )
    assert [log.dwell_s for log in state.steps] == [600, 300]


def test_a_step_that_was_begun_cannot_be_dropped_or_rewritten() -> None:
    plan, readings = program(60, 80, dwell_min=10), minutes([60] * 13)
    for wrong in (program(60, dwell_min=10), program(59, 80, dwell_min=10)):
        with pytest.raises(InvalidError, match="changes or drops a step"):
            run(plan, readings, ProgramEdited(12 * MIN, wrong))


# --- what may not happen -------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [
        Started(20 * MIN),
        ChamberReading(9 * MIN, 60),
        ChamberReading(10 * MIN, 60),
        ChamberReading(11 * MIN, float("nan")),
        ChamberReading(11 * MIN, 60, "attic"),
        LookTaken(9 * MIN, "A1", Finding.SOUND),
        LookTaken(11 * MIN, "B7", Finding.SOUND),
        TakenOut(11 * MIN, "B7"),
        Ended(9 * MIN),
    ],
)
def test_an_illegal_event_raises_and_changes_nothing(wrong: Event) -> None:
    plan = program(60)
    before = run(plan, minutes([60] * 11))
    again = run(plan, minutes([60] * 11))
    with pytest.raises(InvalidError) as refusal:
        fold(plan, [wrong], before)
    assert str(refusal.value)
    assert before == again


def test_nothing_may_happen_before_the_start() -> None:
    for early in (LookTaken(0, "A1", Finding.SOUND), ChamberReading(0, 20), Ended(0)):
        with pytest.raises(InvalidError, match="while the run is not started"):
            fold(program(60), [early])
    with pytest.raises(InvalidError, match="backwards"):
        fold(program(60), [Started(MIN, ("A1",)), LookTaken(0, "A1", Finding.SOUND)])


def test_no_readings_after_the_end() -> None:
    with pytest.raises(InvalidError, match="while the run is abandoned"):
        run(program(60), minutes([60] * 5), Ended(5 * MIN), minutes([60], 6))
    with pytest.raises(InvalidError, match="taken out before"):
        run(program(60), TakenOut(0, "A1"), TakenOut(1, "A1"))


# --- a real recording ----------------------------------------------------------------------


def loop_over(rows: list[tuple[float, float]], plan: Program) -> list[tuple[float, float, float]]:
    """(settled, done, minutes in band) per step by walking the file in hundredths of a second."""
    found, step, settled, dwell = [], 0, None, 0.0
    tick = 1 / 6_000
    for (t0, v0), (t1, v1) in pairwise(rows):
        for i in range(6_000):
            now = t0 + (t1 - t0) * (i + 0.5) * tick
            band = plan.steps[step]
            if abs(v0 + (v1 - v0) * (i + 0.5) * tick - band.setpoint_c) > band.tolerance_k:
                continue
            settled = now if settled is None else settled
            dwell += tick
            if dwell >= band.dwell_min - tick / 2:
                found.append((settled, now, dwell))
                step, settled, dwell = step + 1, None, 0.0
                if step == len(plan.steps):
                    return found
    return [*found, (settled or 0.0, 0.0, dwell)]


@pytest.mark.recordings
def test_a_cooling_mug_played_as_a_chamber_with_descending_steps() -> None:
    # mosaicData CoolingWater: 222 one-minute readings from 98.2 down to 25.8 °C.
    with recording("cooling_water.csv").open(newline="") as file:
        rows = [(float(row["time"]), float(row["temp"])) for row in csv.DictReader(file)]
    assert len(rows) == 222
    steps = [(70, 5, 5.0), (50, 5, 12.0), (35, 5, 100.0)]
    plan = Program(
        name="down",
        steps=tuple(Step(setpoint_c=c, tolerance_k=k, dwell_min=d) for c, k, d in steps),
    )
    state = run(plan, [ChamberReading(round(t * MIN), v) for t, v in rows])
    expected = loop_over(rows, plan)
    assert [log.dwell_ms / MIN for log in state.steps] == pytest.approx(
        [dwell for _, _, dwell in expected], abs=1e-3
    )
    for log, (settled, done, _) in zip(state.steps, expected, strict=True):
        assert log.settled_ms == pytest.approx(settled * MIN, abs=10)
        if log.done_ms is not None:
            assert log.done_ms == pytest.approx(done * MIN, abs=10)
    # 70 ± 5 °C from 75.2 °C at minute 11 on; 50 ± 5 °C from 55.0 °C at minute 35 on; 35 ± 5 °C
    # from 40.0 °C at minute 80 to 30.0 °C at minute 152, by looking into the file.
    assert state.steps[1].settled_ms == 35 * MIN
    assert state.steps[1].done_ms == 47 * MIN
    assert state.steps[2].dwell_ms == 72 * MIN
    assert state.phase is Phase.DWELL
