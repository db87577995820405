"""How long the conditions of one print take, beside the same with pandas: <= 10 ms.

``make bench`` prints the medians.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from pytest_benchmark.fixture import BenchmarkFixture

from api.conditions import first_layers_value, summarise
from collector.readings import Series
from tests.api.test_conditions import by_pandas

HOURS = 9
TIMES_S = np.arange(0, HOURS * 3_600, 10)
VALUES_C = 21 + np.sin(TIMES_S / 5_000) + np.random.default_rng(5).normal(0, 0.05, len(TIMES_S))
NIGHT = Series(
    "vat-north", TIMES_S.astype(np.int64) * 1_000, VALUES_C, np.zeros(len(TIMES_S), np.uint8)
)
START_MS, END_MS = 1_800_000, (HOURS - 1) * 3_600_000


def test_one_print_of_a_night_every_ten_seconds(benchmark: BenchmarkFixture) -> None:
    def run() -> None:
        summary = summarise(NIGHT, START_MS, END_MS, gap_limit_ms=300_000, below=21, above=22)
        assert summary.coverage == 1
        assert first_layers_value(NIGHT, START_MS, START_MS + 1_440_000, gap_limit_ms=300_000).value

    benchmark.pedantic(run, rounds=50)  # type: ignore[no-untyped-call]


def test_the_same_in_pandas(benchmark: BenchmarkFixture) -> None:
    values = pd.Series(VALUES_C, index=TIMES_S.astype(float))
    benchmark.pedantic(  # type: ignore[no-untyped-call]
        lambda: by_pandas(values, START_MS / 1_000, END_MS / 1_000, 300, 21.0), rounds=20
    )
