"""Median failure temperatures of a few parts, and what may be said of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from api.soak.replicates import (
    Bracket,
    bracket_of,
    differences,
    highest_survived,
    median_failure,
    share_surviving,
)
from api.soak.verdict import SpecimenVerdict
from collector.errors import InvalidError

INF = math.inf


def brackets(*pairs: tuple[float, float], runs: int = 3) -> list[Bracket]:
    return [
        Bracket(f"part {i}", f"run {i % runs}", low, high) for i, (low, high) in enumerate(pairs)
    ]


KILN_AMBER = brackets((80, 90), (90, 100), (90, 100), (100, 110), (90, 100))
HARBOUR_GREY = brackets((50, 60), (60, 70), (50, 60), (60, 70), (60, 70))


def test_highest_step_that_all_survived_comes_with_its_bound() -> None:
    survived = highest_survived(KILN_AMBER)
    assert survived is not None
    assert survived.temperature_c == 80
    # 5 of 5 passed: at least 55 % of such parts would (0.05^(1/5)).
    assert survived.at_least_share == pytest.approx(0.5493, abs=5e-5)
    assert highest_survived(brackets((-INF, 50), (60, 70))) is None
    passed, known, share = share_surviving(KILN_AMBER, 90)
    assert (passed, known) == (4, 5)
    assert share == pytest.approx(0.3426, abs=5e-5)


def test_median_with_its_interval() -> None:
    answer = median_failure(KILN_AMBER)
    assert answer.refusal is None
    assert answer.median_c == pytest.approx(95, abs=1)
    assert answer.interval is not None
    assert answer.interval.low is not None
    assert answer.interval.high is not None
    assert 80 < answer.interval.low < 92
    assert 98 < answer.interval.high < 110
    assert (answer.parts, answer.runs, answer.failed, answer.one_run) == (5, 3, 5, False)


def test_one_run_is_wider_by_the_error_of_the_chamber() -> None:
    several = median_failure(KILN_AMBER)
    single = median_failure([Bracket(p.part, "one", p.low_c, p.high_c) for p in KILN_AMBER])
    assert single.one_run
    assert several.median_c is not None
    assert several.interval is not None
    assert several.interval.low is not None
    assert single.interval is not None
    half = several.median_c - several.interval.low
    assert single.interval.low == pytest.approx(
        several.median_c - math.hypot(half, 1.96 * 1.5), rel=1e-9
    )


def test_parts_that_survived_leave_the_upper_end_open_where_it_is() -> None:
    answer = median_failure(brackets((110, 120), (120, INF), (120, INF), (120, INF)))
    assert answer.interval is not None
    assert answer.interval.high is None
    assert answer.interval.low is not None


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ([(70.0, 80.0)], "failed between 70 and 80 °C, one part; no interval"),
        ([(70.0, 80.0), (80.0, 90.0)], "failed between 70 and 90 °C, two parts; no interval"),
        ([(-INF, 50.0)], "failed at or below 50 °C, one part; no interval"),
        ([(70.0, 80.0), (120.0, INF)], "failed above 70 °C, two parts; no interval"),
        ([(120.0, INF)] * 4, "all 4 survived: above 120.0 °C"),
        ([(120.0, INF)], "the one part survived: above 120.0 °C"),
        ([], "no part was tested"),
    ],
)
def test_refusals(parts: list[tuple[float, float]], reason: str) -> None:
    answer = median_failure(brackets(*parts))
    assert answer.refusal == reason
    assert (answer.median_c, answer.interval) == (None, None)


def test_two_resins_far_apart_are_told_apart() -> None:
    (found,) = differences({"Harbour Grey": HARBOUR_GREY, "Kiln Amber": KILN_AMBER})
    assert (found.first, found.second) == ("Harbour Grey", "Kiln Amber")
    assert found.difference_k == pytest.approx(33, abs=2)
    assert found.flagged
    assert found.p_holm < 0.01
    assert not found.interval.holds(0)


def test_the_same_results_are_not_told_apart() -> None:
    (found,) = differences({"a": KILN_AMBER, "b": KILN_AMBER})
    assert found.difference_k == pytest.approx(0, abs=1e-9)
    assert found.p_holm == pytest.approx(1)
    assert not found.flagged


def test_three_resins_share_the_level_by_holm() -> None:
    willow = brackets((60, 70), (60, 70), (70, 80))
    three = {"grey": HARBOUR_GREY, "amber": KILN_AMBER, "willow": willow}
    found = differences(three)
    assert len(found) == 3
    alone = differences({"grey": HARBOUR_GREY, "willow": willow})
    together = next(d for d in found if {d.first, d.second} == {"grey", "willow"})
    assert together.p_holm >= alone[0].p_holm


def test_single_runs_of_their_own_need_a_larger_difference() -> None:
    def in_run(name: str, *pairs: tuple[float, float]) -> list[Bracket]:
        return [Bracket(str(i), name, low, high) for i, (low, high) in enumerate(pairs)]

    cooler = [(70.0, 72.0), (72.0, 74.0), (70.0, 72.0), (72.0, 74.0)]
    hotter = [(low + 5, high + 5) for low, high in cooler]
    (own,) = differences({"a": in_run("one", *cooler), "b": in_run("two", *hotter)})
    (common,) = differences({"a": in_run("one", *cooler), "b": in_run("one", *hotter)})
    wider = differences(
        {"a": in_run("one", *cooler), "b": in_run("two", *hotter)}, chamber_sd_k=3.0
    )
    assert common.flagged
    assert own.interval.low is not None
    assert common.interval.low is not None
    assert own.interval.low < common.interval.low
    assert not wider[0].flagged


def test_too_few_parts_are_not_compared() -> None:
    assert differences({"a": KILN_AMBER, "b": KILN_AMBER[:2]}) == ()
    survivors = brackets((120, INF), (120, INF), (120, INF))
    assert differences({"a": survivors, "b": survivors}) == ()
    (found,) = differences({"a": HARBOUR_GREY, "b": survivors})
    assert found.flagged
    assert found.interval.high is None


def test_a_part_fails_hotter_than_what_it_survived() -> None:
    with pytest.raises(InvalidError, match="survived 90 °C and failed at 80 °C"):
        Bracket("A1", "one", 90, 80)


def test_brackets_from_verdicts() -> None:
    def judged(survived: float | None, failed: float | None) -> SpecimenVerdict:
        return SpecimenVerdict("A1", None, None, survived, failed, ())

    assert bracket_of(judged(50.2, 60.1), "r1") == Bracket("A1", "r1", 50.2, 60.1)
    assert bracket_of(judged(None, 60.1), "r1") == Bracket("A1", "r1", -INF, 60.1)
    assert bracket_of(judged(70.0, None), "r1") == Bracket("A1", "r1", 70.0, INF)
    assert bracket_of(judged(None, None), "r1") is None
    assert bracket_of(judged(70.0, 60.0), "r1") is None


def stepped(values: np.ndarray[tuple[int], np.dtype[np.float64]], step: float) -> list[Bracket]:
    """Parts with these true failure temperatures, looked at after steps from 40 to 140 °C."""
    found = []
    for i, value in enumerate(values.tolist()):
        k = math.ceil((value - 40) / step)
        low, high = (40 + step * (k - 1), 40 + step * k) if k > 0 else (-INF, 40.0)
        found.append(Bracket(str(i), str(i % 3), low, high))
    return found


@pytest.mark.parametrize(("parts", "spread", "flagged"), [(3, 2.0, 0.80), (5, 4.0, 0.80)])
def test_acceptance_cells_in_short(parts: int, spread: float, flagged: float) -> None:
    """Own simulations, 120 logs a cell; the full table is in ``tests/bench``."""
    rng = np.random.default_rng(74)
    logs, covered, between, false, told = 120, 0, 0, 0, 0
    for _ in range(logs):
        a, b, c = (stepped(rng.normal(median, spread, parts), 5.0) for median in (82.3, 82.3, 92.3))
        interval = median_failure(a).interval
        assert interval is not None
        covered += interval.holds(82.3)
        (same,) = differences({"a": a, "b": b})
        (apart,) = differences({"a": a, "c": c})
        between += same.interval.holds(0)
        false += same.flagged
        told += apart.flagged
    assert covered / logs >= 0.92
    assert between / logs >= 0.93
    assert false / logs <= 0.07
    assert told / logs >= flagged
