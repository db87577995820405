"""When a run will be done: the way into each band, the dwells, and what is left on the way."""

from __future__ import annotations

import math

import numpy as np
import pytest

from api.soak.engine import fold
from api.soak.events import ChamberReading, Ended, Started, Trace, in_order
from api.soak.finishing import (
    approach_min,
    estimated_min,
    left_min,
    pace_k_per_min,
    settling_min,
)
from api.soak.program import READY_MADE, Program, Settle, SettleRule, Step
from api.soak.state import RunState

START = 1_767_225_600_000
MIN_MS = 60_000
TAU_S = 600.0
UP_AND_ON = Program(
    name="up and on",
    steps=(
        Step(setpoint_c=50, tolerance_k=2, dwell_min=30),
        Step(setpoint_c=62.5, tolerance_k=2, dwell_min=20),
    ),
)


def lagging(until_min: float, *, asked: Program = UP_AND_ON) -> RunState:
    """A run in a chamber of 600 s that is set to each next step the moment one is done.

    T(t) = S - (S - T0) exp(-t/tau) from 20 degrees, read every 15 s.
    """
    times = np.arange(0, until_min * MIN_MS + 1, 15_000)
    first = approach_min(asked.steps[0], 20.0, tau_s=TAU_S) * MIN_MS
    turn = first + asked.steps[0].dwell_ms
    at_turn = 50 - 30 * math.exp(-turn / 1_000 / TAU_S)
    values = np.where(
        times <= turn,
        50 - 30 * np.exp(-times / 1_000 / TAU_S),
        62.5 - (62.5 - at_turn) * np.exp(-(times - turn) / 1_000 / TAU_S),
    )
    trace = Trace(START + times.astype(np.int64), values)
    return fold(asked, in_order(Started(START), [trace]))


def test_a_lagging_chamber_nears_its_setpoint_exponentially() -> None:
    """T(t) = 60 - 40 exp(-t/tau): with tau 10 min, 58 °C is reached after 10 ln 20 minutes."""
    step = Step(setpoint_c=60, tolerance_k=2)
    assert approach_min(step, 20, tau_s=600) == pytest.approx(10 * math.log(20))
    slow = Step(setpoint_c=60, tolerance_k=2, ramp_limit_k_per_min=1)
    assert approach_min(slow, 20, tau_s=600) == pytest.approx(38)
    assert approach_min(step, 59, tau_s=600) == 0


def test_estimated_length_counts_the_way_into_each_band() -> None:
    program = Program(
        name="up and down",
        steps=(
            Step(setpoint_c=60, tolerance_k=2, dwell_min=60, ramp_limit_k_per_min=2),
            Step(setpoint_c=40, tolerance_k=5, dwell_min=30),
        ),
    )
    # 20 -> 58 °C at 2 K/min: 19 min; 60 -> 45 °C at the default 1 K/min: 15 min.
    assert estimated_min(program, from_c=20) == pytest.approx(19 + 60 + 15 + 30)
    assert approach_min(program.steps[0], 61) == 0
    ramp = READY_MADE[-1]
    assert estimated_min(ramp, from_c=20) == pytest.approx((148 - 20) / 2 + 1)


def test_settling_takes_at_least_what_its_rule_asks_for() -> None:
    assert settling_min(Settle(hold_min=5), 12) == 17
    slow = Settle(rule=SettleRule.SLOW_CHANGE, over_min=60)
    assert (settling_min(slow, 12), settling_min(slow, 75)) == (60, 75)
    held = UP_AND_ON.model_copy(update={"settle": Settle(hold_min=5)})
    assert estimated_min(held) == pytest.approx(estimated_min(UP_AND_ON) + 10)


def test_the_estimate_is_what_the_engine_counts_in_such_a_chamber() -> None:
    whole = estimated_min(UP_AND_ON, 20.0, tau_s=TAU_S)
    done_ms = lagging(200).steps[-1].done_ms
    assert done_ms is not None
    # Where the chamber is when a step is done it is taken to have been all along its dwell.
    assert (done_ms - START) / MIN_MS == pytest.approx(whole, abs=0.5)
    for minute in (5, 20, 40, 60, 75):
        now_ms = START + minute * MIN_MS
        left = left_min(lagging(minute), now_ms, tau_s=TAU_S)
        assert left is not None
        assert now_ms + left * MIN_MS == pytest.approx(done_ms, abs=MIN_MS)


def test_a_way_that_is_known_better_goes_first() -> None:
    state, now_ms = lagging(5), START + 5 * MIN_MS
    left = left_min(state, now_ms, tau_s=TAU_S, arrives_ms=now_ms + 40 * MIN_MS)
    second = approach_min(UP_AND_ON.steps[1], 50, tau_s=TAU_S)
    assert left == pytest.approx(40 + 30 + second + 20)
    assert left_min(state, now_ms, tau_s=TAU_S, arrives_ms=now_ms - 1) == pytest.approx(
        30 + second + 20
    )


def test_a_running_clock_runs_on_between_readings_but_not_across_a_gap() -> None:
    state = lagging(40)
    at_reading = left_min(state, START + 40 * MIN_MS)
    assert at_reading is not None
    assert left_min(state, START + 42 * MIN_MS) == pytest.approx(at_reading - 2)
    # Six minutes without a reading are a gap: nothing was counted in them.
    assert left_min(state, START + 46 * MIN_MS) == pytest.approx(at_reading)


def test_out_of_band_the_way_back_is_counted() -> None:
    state = lagging(40)
    out = fold(
        state.program,
        [ChamberReading(START + 40 * MIN_MS + 15_000, 43.0)],
        state,
    )
    log = out.log
    assert log is not None
    second = approach_min(UP_AND_ON.steps[1], 50)
    left = left_min(out, START + 40 * MIN_MS + 15_000)
    assert left == pytest.approx((48 - 43) / 1.0 + log.remaining_s / 60 + second + 20)


def test_nothing_is_left_of_a_run_that_is_done_or_over() -> None:
    assert left_min(RunState(UP_AND_ON), START) is None
    assert left_min(lagging(200), START + 200 * MIN_MS) is None
    over = fold(UP_AND_ON, [Ended(START + 41 * MIN_MS)], lagging(40))
    assert left_min(over, START + 41 * MIN_MS) is None


def test_before_the_first_reading_a_chamber_is_taken_to_be_as_warm_as_a_room() -> None:
    state = fold(UP_AND_ON, [Started(START)])
    assert left_min(state, START) == pytest.approx(estimated_min(UP_AND_ON, 20.0))


@pytest.mark.parametrize(
    ("minutes", "values", "pace"),
    [
        ([0.0], [20.0], None),
        ([0.0, 2.0], [20.0, 24.0], None),
        ([0.0, 4.0], [20.0, 28.0], 2.0),
        ([0.0, 10.0, 12.0, 15.0], [90.0, 20.0, 25.0, 30.0], 2.0),
        ([0.0, 5.0], [60.0, 50.0], -2.0),
    ],
)
def test_the_present_pace_is_that_of_the_last_five_minutes(
    minutes: list[float], values: list[float], pace: float | None
) -> None:
    times = np.array([round(minute * MIN_MS) for minute in minutes], np.int64)
    found = pace_k_per_min(times, np.array(values))
    assert found == (None if pace is None else pytest.approx(pace))
