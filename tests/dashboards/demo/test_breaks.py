"""The demo's break tests: the same every time, drawn from the truth, and none beyond its gauge."""

from __future__ import annotations

import math
import statistics

import pytest

from dashboards.demo.breaks import GAUGE_LIMIT_N, GAUGE_STEP_N, PlannedBreak, planned_breaks
from dashboards.demo.entries import entries
from dashboards.demo.physics import DAY_S, TRUTH
from dashboards.demo.winter import winter

NOW_S = 1_790_000_000.0


@pytest.fixture(scope="module")
def many() -> list[PlannedBreak]:
    soaks = winter(NOW_S).soaks
    return [p for seed in range(150) for p in planned_breaks(NOW_S, soaks, TRUTH, seed)]


def test_the_same_winter_breaks_the_same_pieces() -> None:
    assert winter(NOW_S).breaks == winter(NOW_S).breaks
    later = winter(NOW_S + DAY_S).breaks
    assert [p.time_s - DAY_S for p in later] == [p.time_s for p in winter(NOW_S).breaks]
    assert all(p.cured_s < p.time_s < NOW_S for p in winter(NOW_S).breaks)


def test_loads_are_what_a_gauge_can_show(many: list[PlannedBreak]) -> None:
    for piece in many:
        assert piece.load_n is None or 0 < piece.load_n < GAUGE_LIMIT_N
        assert piece.load_n is None or piece.load_n % GAUGE_STEP_N == 0


@pytest.mark.parametrize("resin", ["Harbour Grey", "Fathom Clear"])
def test_loads_follow_the_stated_truth(many: list[PlannedBreak], resin: str) -> None:
    median_n, scatter = TRUTH.breaking_n[resin]
    logs = [
        math.log(piece.load_n / median_n)
        for piece in many
        if piece.resin == resin and piece.soak is None and piece.load_n is not None
    ]
    assert abs(statistics.fmean(logs)) < 5 * scatter / math.sqrt(len(logs))
    assert statistics.stdev(logs) == pytest.approx(scatter, rel=0.15)


def test_the_share_that_holds_is_the_one_the_truth_implies(many: list[PlannedBreak]) -> None:
    own = [piece for piece in many if piece.resin == "Kiln Amber"]
    median_n, scatter = TRUTH.breaking_n["Kiln Amber"]
    limit_n = GAUGE_LIMIT_N - GAUGE_STEP_N / 2
    expected = 1 - statistics.NormalDist().cdf(math.log(limit_n / median_n) / scatter)
    held = sum(piece.load_n is None for piece in own) / len(own)
    assert held == pytest.approx(expected, abs=5 * math.sqrt(expected / len(own)))
    assert all(piece.load_n is None for piece in many if piece.resin == "Willow")


def test_a_piece_that_held_is_entered_without_a_load() -> None:
    bodies = [entry.body for entry in entries(winter(NOW_S)) if entry.path == "/api/breaks"]
    assert len(bodies) == len(winter(NOW_S).breaks) == 27
    for body in bodies:
        assert ("load" in body) == (body["outcome"] == "broke")
    assert sum(bool(body["soaked"]) for body in bodies) == 5
