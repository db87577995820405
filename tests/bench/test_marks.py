"""How long marking and converting one reading takes: run with ``make bench``."""

from __future__ import annotations

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from collector.calibration import Chain, Correction
from collector.quality import LIMITS, Watcher
from collector.readings import Mark, Role
from collector.signals import NtcBeta, Platinum, Signal, TypeK

NOON_MS = 1_767_268_800_000
READINGS_N = 1_000


def test_marking_a_thousand_readings(benchmark: BenchmarkFixture) -> None:
    rows = [(NOON_MS + 1_000 * i, 20.0 + i % 7 / 16) for i in range(READINGS_N)]

    def mark() -> set[Mark]:
        watcher = Watcher(LIMITS[Role.VAT_TEMPERATURE])
        return {watcher.marks(time_ms, value, time_ms + 50) for time_ms, value in rows}

    assert benchmark(mark) == {Mark.NONE}


@pytest.mark.parametrize(
    "signal",
    [Platinum(), NtcBeta(nominal_ohm=10_000.0, beta_k=3977.0), TypeK(cold_junction_c=25.0)],
    ids=lambda signal: signal.kind.value,
)
def test_converting_one_reading(benchmark: BenchmarkFixture, signal: Signal) -> None:
    chain = Chain(signal, (Correction(0, ((0.0, 0.3), (100.0, 99.6))),))
    found = benchmark(chain.apply_one, signal.at(50.0), NOON_MS)
    assert found == pytest.approx(49.95, abs=1e-6)
