"""The sums of question 1 against slow twins, written step by step from the method's text.

The twins turn logs by hand, search the penalised likelihood with a general optimiser and sum the
posterior over a grid, so they share neither code nor shortcuts with what they check.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import chi2

from api.causes import PrintRow
from api.causes.answer import link_of
from api.causes.curve import span_of
from api.causes.posterior import RiskModel, draw
from api.causes.rows import Floats, Log, log_of, seed_of
from tests.api.causes.logs import winter


def logged(seed: int) -> list[PrintRow]:
    """Sixty prints, three resins, an exposure that changes now and then."""
    rng = np.random.default_rng(seed)
    exposure = 2.0 + 0.1 * np.cumsum((rng.random(60) < 0.15) * rng.choice([-1, 1], 60))
    return [
        dataclasses.replace(row, settings={"normal_exposure_s": float(exposure[i])})
        for i, row in enumerate(winter(60, seed=seed, slope_per_c=-0.35))
    ]


def adjusters(rows: list[PrintRow], *, with_time: bool) -> Floats:
    """Resin dummies, the changed setting, and −1 … +1 by order if asked for."""
    names = sorted({row.resin for row in rows})
    columns = [[float(row.resin == name) for row in rows] for name in names[1:]]
    columns.append([row.settings["normal_exposure_s"] for row in rows])
    if with_time:
        columns.append([-1.0 + 2.0 * i / (len(rows) - 1) for i in range(len(rows))])
    return np.array(columns).T


def likelihood_ratio(x: Floats, y: Floats, others: Floats) -> tuple[float, float]:
    """Firth's p and coefficient of ``x``; the penalty is that of the full model in both fits."""
    design = np.column_stack([np.ones(len(x)), x - x.mean(), others - others.mean(axis=0)])

    def lost(beta: Floats) -> float:
        p = 1.0 / (1.0 + np.exp(-design @ beta))
        information = design.T @ (design * (p * (1.0 - p))[:, None])
        loglik = float(np.sum(y * np.log(p) + (1.0 - y) * np.log(1.0 - p)))
        return -loglik - 0.5 * float(np.linalg.slogdet(information)[1])

    def least(start: Floats, held: bool) -> tuple[float, Floats]:
        free = np.array([j for j in range(design.shape[1]) if not (held and j == 1)])

        def within(part: Floats) -> float:
            beta = np.zeros(design.shape[1])
            beta[free] = part
            return lost(beta)

        found = minimize(within, start[free], method="BFGS", options={"gtol": 1e-7})
        beta = np.zeros(design.shape[1])
        beta[free] = found.x
        return float(found.fun), beta

    start = np.zeros(design.shape[1])
    full, beta = least(start, held=False)
    without, _ = least(beta, held=True)
    return float(chi2.sf(2.0 * (without - full), 1)), float(beta[1])


def turned(x: Floats, y: Floats, others: Floats) -> float:
    """Share of the 2n rotations, forwards and reversed, that match at least as well."""
    design = np.column_stack([np.ones(len(x)), others])
    ex, ey = (c - design @ np.linalg.lstsq(design, c, rcond=None)[0] for c in (x, y))
    matches = [
        abs(float(np.corrcoef(ex, np.roll(side, k))[0, 1]))
        for side in (ey, ey[::-1])
        for k in range(len(x))
    ]
    return sum(match >= matches[0] - 1e-9 for match in matches) / len(matches)


@pytest.mark.parametrize("seed", range(6))
def test_the_link_test_is_the_one_of_the_text(seed: int) -> None:
    rows = logged(seed)
    found = link_of(log_of(rows))
    x = np.array([row.temperature_c for row in rows])
    y = np.array([row.failed_share for row in rows])
    for with_time, p_firth, p_shift in (
        (False, found.p_firth, found.p_shift),
        (True, found.p_firth_with_order, found.p_shift_with_order),
    ):
        others = adjusters(rows, with_time=with_time)
        p, coefficient = likelihood_ratio(x, y, others)
        assert p_firth == pytest.approx(p, abs=2e-5)
        assert p_shift == turned(x, y, others)
        if not with_time:
            assert found.coefficient == pytest.approx(coefficient, abs=2e-4)


def quadrature(log: Log, level: float) -> Floats:
    """2.5, 50 and 97.5 % of where the risk is ``level``: the posterior summed over a grid.

    For a log of one resin without changed settings: a, log s, logit f and the order's g.
    """
    axes = (
        np.linspace(-6.0, 4.0, 34),
        np.linspace(math.log(0.01), math.log(3.5), 40),
        np.linspace(-9.0, 1.5, 26),
        np.linspace(-3.4, 3.4, 22),
    )
    a, log_s, logit_f, g = (axis.ravel() for axis in np.meshgrid(*axes, indexing="ij"))
    s, f = np.exp(log_s), 1.0 / (1.0 + np.exp(-logit_f))
    mean_c = float(log.temperature_c.mean())
    density = -0.5 * ((a + 1.4) / 1.5) ** 2 - 0.5 * s**2 + log_s
    density = density + np.log(f) + 9.0 * np.log(1.0 - f) - 0.5 * g**2
    for t, y, order in zip(log.temperature_c, log.failed_share, log.order, strict=True):
        steep = 1.0 / (1.0 + np.exp(-(a - s * (t - mean_c) + g * order)))
        risk = f + (1.0 - f) * steep
        density = density + y * np.log(risk) + (1.0 - y) * np.log1p(-risk)
    weights = np.exp(density - density.max())
    with np.errstate(divide="ignore", invalid="ignore"):
        r = (level - f) / (1.0 - f)
        limit = np.where(f >= level, np.inf, mean_c + (a - np.log(r / (1.0 - r))) / s)
    order = np.argsort(limit)
    reached = np.cumsum(weights[order]) / weights.sum()
    return np.asarray(limit[order][np.searchsorted(reached, [0.025, 0.5, 0.975])])


@pytest.mark.parametrize(("seed", "slope"), [(3, -0.5), (11, -0.35), (8, -0.9)])
@pytest.mark.parametrize("level", [0.2, 0.3])
def test_the_limit_is_that_of_the_posterior_summed_over_a_grid(
    seed: int, slope: float, level: float
) -> None:
    log = log_of(winter(60, seed=seed, slope_per_c=slope, resins=("Willow",)))
    draws = draw(RiskModel.of(log), seed_of(log.rows))
    assert draws is not None
    assert draws.effective_n > 500
    ends = quadrature(log, level)
    drawn = draws.threshold_c(level)
    shares = [float(draws.weights[drawn <= end].sum()) for end in ends]
    # Three standard errors of these shares from 1,000 effective draws.
    assert [shares[0], shares[2]] == pytest.approx([0.025, 0.975], abs=0.015)
    assert shares[1] == pytest.approx(0.5, abs=0.05)
    lo, mid, hi = ends
    assert span_of(draws, level).mid_c == pytest.approx(mid, abs=0.03 * (hi - lo))
