"""Break loads: published stress examples, and groups with parts that held the gauge's limit."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from api.strength import (
    Bar,
    Break,
    Holding,
    force_for_stress_n,
    median_load,
    newtons,
    outer_strain,
    ratios,
    standard_deflection_mm,
    stress,
)
from collector.errors import InvalidError


def bending(span: float, width: float, thickness: float) -> Bar:
    return Bar(Holding.THREE_POINT, span, width, thickness)


def broken(*loads: float) -> list[Break]:
    return [Break(f"part {i}", load, True) for i, load in enumerate(loads)]


def held(*loads: float) -> list[Break]:
    return [Break(f"held {i}", load, False) for i, load in enumerate(loads)]


# --- stress --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("bar", "stress_mpa", "force_n"),
    [
        (bending(64, 10, 4), 1.80, 3.0000),
        (bending(64, 10, 4), 0.45, 0.7500),
        (bending(64, 10, 4), 8.00, 13.3333),
        (bending(100, 12.7, 3.2), 1.82, 1.5779),
    ],
)
def test_force_for_a_stress_flatwise(bar: Bar, stress_mpa: float, force_n: float) -> None:
    # F = 2 stress b h² / (3 L) with the stresses of ISO 75-2 and ASTM D648 (catalogue entries).
    assert force_for_stress_n(stress_mpa, bar) == pytest.approx(force_n, abs=1e-4)
    assert stress(force_n, bar).stress_mpa == pytest.approx(stress_mpa, abs=1e-4)


def test_flexural_stress_of_a_solved_problem() -> None:
    # 3FL/(2bh²), Callister exercise: 300 N, L 44, b 11, h 5.3 mm -> 64.08 MPa.
    assert stress(300, bending(44, 11, 5.3)).stress_mpa == pytest.approx(64.0797, abs=1e-3)


@pytest.mark.parametrize(("thickness", "expected"), [(3.8, 0.3593), (4.0, 0.3413), (4.2, 0.3251)])
def test_standard_deflection(thickness: float, expected: float) -> None:
    # ISO 75: L² 0.2 % / (600 h) with L 64 mm (formula from memory).
    assert standard_deflection_mm(bending(64, 10, thickness)) == pytest.approx(expected, abs=1e-4)


def test_outer_strain() -> None:
    # ISO 178: 6 s h / L² at s 0.34, h 4, L 64 mm.
    assert outer_strain(0.34, bending(64, 10, 4)) == pytest.approx(0.00199219, abs=1e-8)


def test_cantilever_and_compression() -> None:
    cantilever = Bar(Holding.CANTILEVER, 50, 10, 4)
    # Bending moment F L over the section modulus b h² / 6.
    assert stress(10, cantilever).stress_mpa == pytest.approx(10 * 50 / (10 * 16 / 6))
    assert stress(10, Bar(Holding.COMPRESSION, 50, 10, 4)).stress_mpa == pytest.approx(0.25)


def test_a_short_span_is_only_rough() -> None:
    assert stress(10, bending(64, 10, 4)).note == ""
    assert "5.0 times the thickness" in stress(10, bending(20, 10, 4)).note


def test_units_of_load() -> None:
    assert newtons(1, "kgf") == 9.80665
    assert newtons(1, "lbf") == 4.4482216152605
    # 0.45359237 kg under 9.80665 m/s², in exact arithmetic.
    assert Fraction("4.4482216152605") == Fraction("0.45359237") * Fraction("9.80665")
    assert newtons(2.5, "N") == 2.5
    with pytest.raises(InvalidError, match="no unit of load stone"):
        newtons(1, "stone")


@pytest.mark.parametrize("wrong", [0, -1, math.inf, math.nan])
def test_lengths_and_loads_are_real(wrong: float) -> None:
    with pytest.raises(InvalidError):
        bending(64, wrong, 4)
    with pytest.raises(InvalidError):
        Break("A1", wrong, True)


# --- groups --------------------------------------------------------------------------------


def test_without_held_parts_it_is_the_t_interval_on_log_loads() -> None:
    loads = [102.0, 95, 118, 88, 109]
    answer = median_load(broken(*loads))
    logs = np.log(loads)
    low, high = stats.t.interval(0.95, 4, logs.mean(), stats.sem(logs))
    assert answer.median_n == pytest.approx(math.exp(logs.mean()), rel=0.01)
    assert answer.interval_n is not None
    assert answer.interval_n.low == pytest.approx(math.exp(low), rel=0.01)
    assert answer.interval_n.high == pytest.approx(math.exp(high), rel=0.01)


def test_held_parts_are_stronger_than_the_limit_not_equal_to_it() -> None:
    loads = [102.0, 95, 118]
    censored = median_load(broken(*loads) + held(120, 120))
    naive = median_load(broken(*loads, 120, 120))
    dropped = median_load(broken(*loads))
    assert censored.median_n is not None
    assert naive.median_n is not None
    assert dropped.median_n is not None
    assert censored.median_n > naive.median_n > dropped.median_n
    # scipy.stats.CensoredData on the logs, by its own optimiser.
    data: stats.CensoredData = stats.CensoredData(
        uncensored=np.log(loads), right=np.log([120.0, 120.0])
    )
    assert censored.median_n == pytest.approx(math.exp(stats.norm.fit(data)[0]), rel=0.01)


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        (held(50, 50, 50), "3 of 3 held the gauge's limit; take a stronger gauge or a thinner bar"),
        (broken(40) + held(50, 50), "2 of 3 held the gauge's limit"),
        (broken(40, 42), "2 parts; it takes 3, 2 of them broken"),
        (broken(40), "1 part; it takes 3, 2 of them broken"),
        ([], "0 parts; it takes 3"),
    ],
)
def test_refusals(parts: list[Break], reason: str) -> None:
    answer = median_load(parts)
    assert (answer.median_n, answer.interval_n) == (None, None)
    assert answer.refusal is not None
    assert answer.refusal.startswith(reason)
    assert ratios({"a": parts, "b": broken(60, 62, 64)}) == ()


def test_held_parts_come_with_the_least_share_of_such_parts() -> None:
    assert median_load(held(50, 50, 50)).held_share == pytest.approx(0.05 ** (1 / 3))


def test_a_ratio_is_told_as_times_the_load() -> None:
    grey, amber = broken(98, 102, 100, 96, 104), broken(128, 133, 131, 126, 132)
    (found,) = ratios({"Harbour Grey": grey, "Kiln Amber": amber})
    assert found.ratio == pytest.approx(1.30, abs=0.02)
    assert found.flagged
    assert found.interval.low is not None
    assert found.interval.high is not None
    assert 1.2 < found.interval.low < 1.3 < found.interval.high < 1.4
    (back,) = ratios({"Kiln Amber": amber, "Harbour Grey": grey})
    assert back.ratio == pytest.approx(1 / found.ratio, rel=1e-6)


def test_three_against_three_that_are_not_told_apart_say_how_little_they_show() -> None:
    (found,) = ratios({"a": broken(90, 105, 118), "b": broken(100, 125, 140)})
    assert not found.flagged
    assert "three parts against three show only large differences" in found.note


def group(
    rng: np.random.Generator, median: float, scatter: float, parts: int, limit: float
) -> list[Break]:
    loads = median * np.exp(rng.normal(0, scatter, parts))
    return [Break(str(i), min(x, limit), x <= limit) for i, x in enumerate(loads.tolist())]


@pytest.mark.parametrize(
    ("parts", "limit", "told"), [(3, math.inf, 0.18), (5, math.inf, 0.58), (8, 112.0, 0.0)]
)
def test_acceptance_cells_in_short(parts: int, limit: float, told: float) -> None:
    """Own simulations, 150 logs a cell at 15 % scatter; in full in ``tests/bench``."""
    rng = np.random.default_rng(51)
    logs, covered, false, found = 150, 0, 0, 0
    for _ in range(logs):
        a, b, c = (group(rng, median, 0.15, parts, limit) for median in (100, 100, 130))
        same, apart = ratios({"a": a, "b": b}), ratios({"a": a, "c": c})
        covered += not same or same[0].interval.holds(1.0)
        false += bool(same and same[0].flagged)
        found += bool(apart and apart[0].flagged)
    assert covered / logs >= 0.90
    assert false / logs <= 0.10
    assert found / logs >= told
