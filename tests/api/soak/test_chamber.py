"""What all runs together say of the chamber."""

from __future__ import annotations

import math

import numpy as np
import pytest

from api.soak.chamber import chamber_check, error_sd_k, fastest_change_k_per_min
from api.soak.engine import fold
from api.soak.events import ChamberReading, Started
from api.soak.program import Program, Step
from api.soak.state import RunState

MIN = 60_000


def run(values: list[float], *setpoints: float) -> RunState:
    plan = Program(
        name="bench",
        steps=tuple(Step(setpoint_c=c, tolerance_k=3, dwell_min=10) for c in setpoints),
    )
    return fold(plan, [Started(0), *(ChamberReading(i * MIN, v) for i, v in enumerate(values))])


def test_one_line_a_setpoint_over_all_runs() -> None:
    first = run([20, 40, 60, 64, *[61.0] * 12, 70, *[80.5] * 14], 60, 80)
    second = run([20, 40, *[59.0] * 14], 60)
    sixty, eighty = chamber_check([first, second])
    assert (sixty.setpoint_c, sixty.steps, eighty.steps) == (60, 2, 1)
    logs = [first.steps[0], second.steps[0]]
    off = [log.mean_c - 60 for log in logs if log.mean_c is not None]
    assert sixty.off_k == pytest.approx(sum(off) / 2)
    assert sixty.off_sd_k == pytest.approx(abs(off[0] - off[1]) / math.sqrt(2))
    assert sixty.overshoot_k == 4
    assert eighty.off_sd_k is None
    # In band at 57 °C: 17/20 of the second minute, and 17/19 of it in the second run.
    assert sixty.settle_min == pytest.approx(1 + (17 / 20 + 17 / 19) / 2)
    assert error_sd_k([sixty, eighty]) == pytest.approx(sixty.off_sd_k)
    assert error_sd_k([eighty]) is None


def test_coming_down_is_no_overshoot_and_steps_not_done_do_not_count() -> None:
    down = run([*[80.0] * 11, 70, *[60.0] * 12, 59], 80, 60)
    assert [line.overshoot_k for line in chamber_check([down])] == [0, 0]
    assert chamber_check([run([60.0] * 5, 60)]) == ()


def test_fastest_change_is_averaged_over_five_minutes() -> None:
    times = np.arange(0, 60 * MIN, 30_000, dtype=np.int64)
    ramp = 20 + times / MIN * 1.5
    ramp[60] += 3  # one jumping reading in half an hour
    fastest = fastest_change_k_per_min(times, ramp, gap_limit_ms=MIN)
    assert fastest == pytest.approx(1.5 + 3 / 5)
    assert fastest_change_k_per_min(times, -ramp, gap_limit_ms=MIN) == pytest.approx(fastest)


def test_no_change_is_taken_across_a_hole() -> None:
    times = np.array([0, 1, 2, 3, 4, 30, 31, 32], dtype=np.int64) * MIN
    values = np.array([20, 20, 20, 20, 20, 90, 90, 90], dtype=np.float64)
    assert fastest_change_k_per_min(times, values, gap_limit_ms=2 * MIN) is None
    steady = fastest_change_k_per_min(times, values, gap_limit_ms=2 * MIN, over_min=2)
    assert steady == 0
