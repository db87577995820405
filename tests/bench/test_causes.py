"""How long the causes take: limit <= 0.3 s with 150 prints and 6 resins, ranking and plan <= 1 s.

``make bench`` prints the medians. scipy's first import is not part of them.
"""

from __future__ import annotations

from collections.abc import Callable

from pytest_benchmark.fixture import BenchmarkFixture

from api.causes import PrintRow, answer
from api.causes.next_prints import plan
from api.causes.ranking import rank
from tests.api.causes.logs import winter
from tests.bench.causes_ranking import RankingWorld

RESINS = ("Harbour Grey", "Kiln Amber", "Willow", "Fathom Clear", "Mixed", "Old stock")


def log() -> list[PrintRow]:
    return winter(150, seed=3, resins=RESINS)


def warmed(benchmark: BenchmarkFixture, run: Callable[[], object]) -> None:
    run()
    benchmark.pedantic(run, rounds=9)  # type: ignore[no-untyped-call]


def test_limit_of_150_prints_and_6_resins(benchmark: BenchmarkFixture) -> None:
    rows = log()
    warmed(benchmark, lambda: answer(rows))


def test_limit_of_2000_prints(benchmark: BenchmarkFixture) -> None:
    rows = winter(2_000, seed=3)
    warmed(benchmark, lambda: answer(rows))


def test_ranking_of_10_conditions(benchmark: BenchmarkFixture) -> None:
    rows = RankingWorld("bench", "vat temperature", -0.6, per_sd=False).log(1, 150)
    warmed(benchmark, lambda: rank(rows))


def test_plan_after_150_prints_and_6_resins(benchmark: BenchmarkFixture) -> None:
    rows = log()
    warmed(benchmark, lambda: plan(rows))
