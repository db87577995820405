"""How long the soak engine takes: a day at 1 Hz with two probes <= 300 ms, live <= 5 ms.

``make bench`` prints the medians.
"""

from __future__ import annotations

import numpy as np
from pytest_benchmark.fixture import BenchmarkFixture

from api.soak.engine import fold
from api.soak.events import ChamberReading, LookTaken, Started, Trace, in_order
from api.soak.program import Finding, Program, Step
from api.soak.state import Phase

SECONDS = 86_400
PLAN = Program(
    name="a day",
    steps=tuple(Step(setpoint_c=c, dwell_min=120) for c in range(50, 141, 10)),
)
STARTED = Started(0, tuple(f"A{i}" for i in range(10)), ("left", "right"))


def day() -> tuple[list[Trace], list[LookTaken]]:
    """Ten steps of a chamber with a lag of five minutes and noisy probes; 200 looks."""
    rng = np.random.default_rng(1)
    times = np.arange(SECONDS, dtype=np.int64) * 1_000
    within = np.arange(SECONDS) % 8_640
    setpoints = 50.0 + 10 * (np.arange(SECONDS) // 8_640)
    air = setpoints - np.where(setpoints == 50, 30, 10) * np.exp(-within / 300)
    traces = [
        Trace(times + offset, air + rng.normal(0, 0.3, SECONDS), name)
        for name, offset in (("left", 0), ("right", 300))
    ]
    moments = np.sort(rng.integers(1, SECONDS * 1_000, 200)).tolist()
    return traces, [LookTaken(m, f"A{i % 10}", Finding.SOUND) for i, m in enumerate(moments)]


def test_a_day_at_one_hertz_with_two_probes_and_200_looks(benchmark: BenchmarkFixture) -> None:
    traces, looks = day()

    def run() -> None:
        state = fold(PLAN, in_order(STARTED, traces, looks))
        assert state.phase is Phase.COOL_DOWN
        assert len(state.looks) == 200

    benchmark.pedantic(run, rounds=9)  # type: ignore[no-untyped-call]


def test_one_more_reading_of_each_probe(benchmark: BenchmarkFixture) -> None:
    traces, looks = day()
    state = fold(PLAN, in_order(STARTED, traces, looks))
    end = SECONDS * 1_000
    fresh = [ChamberReading(end, 140.0, "left"), ChamberReading(end + 300, 140.0, "right")]
    benchmark.pedantic(lambda: fold(PLAN, fresh, state), rounds=50)  # type: ignore[no-untyped-call]
