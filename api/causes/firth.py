"""Firth's penalised logistic regression: finite where plain logistic runs off. Pure.

Maximises ``sum w (y log p + (1-y) log(1-p)) + ½ log det X'WX`` by Newton steps on the score
``X'(w (y-p) + h (½-p))`` with ``h`` the hat values (Firth 1993, Biometrika 80, 27-38; Heinze
and Schemper 2002, Stat. Med. 21, 2409-2419). Tests and intervals are by penalised likelihood
ratio, the penalty taken from the full model in both fits.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from api.causes.rows import Floats

#: 95 % point of chi-square with one degree of freedom.
CHI2_95 = 3.841458820694124

_STEPS = 200
_LARGEST_STEP = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class FirthFit:
    """``coefficients`` and their ``covariance`` (X'WX)⁻¹ in the columns' units.

    ``loglik`` is the penalised log-likelihood; ``converged`` whether the score came to rest.
    """

    coefficients: Floats
    covariance: Floats
    loglik: float
    converged: bool

    @property
    def errors(self) -> Floats:
        """Standard errors of the coefficients."""
        return np.sqrt(np.diag(self.covariance))


@dataclass(frozen=True, slots=True)
class LikelihoodRatio:
    """A test of one coefficient against 0: ``statistic`` on one degree of freedom."""

    coefficient: float
    statistic: float

    @property
    def p(self) -> float:
        """Two-sided p of the statistic (chi-square, one degree of freedom)."""
        return chi2_tail(self.statistic)


def chi2_tail(statistic: float) -> float:
    """Upper tail of chi-square with one degree of freedom."""
    return math.erfc(math.sqrt(max(statistic, 0.0) / 2.0))


def fit(
    x: Floats,
    y: Floats,
    weight: Floats | None = None,
    *,
    fixed: int | None = None,
    at: float = 0.0,
) -> FirthFit:
    """Fit ``y`` (0 to 1, n) on ``x`` (n, p; the constant is a column too).

    With ``fixed`` that coefficient is held ``at`` a value while the penalty stays that of the
    full model. ``weight`` are prior weights (n), 1 where left out.
    """
    w = np.ones(len(y)) if weight is None else weight
    free = np.array([j for j in range(x.shape[1]) if j != fixed])
    beta = np.zeros(x.shape[1])
    if fixed is not None:
        beta[fixed] = at
    state = _State.at(x, y, w, beta)
    converged = False
    for _ in range(_STEPS):
        score = state.score[free]
        step = np.linalg.solve(state.information[np.ix_(free, free)], score)
        largest = float(np.abs(step).max(initial=0.0))
        if float(score @ step) < 1e-16 or largest < 1e-13:
            converged = True
            break
        step *= min(1.0, _LARGEST_STEP / largest)
        state, moved = _uphill(state, x, y, w, free, step)
        if not moved:
            converged = float(score @ step) < 1e-8
            break
    covariance = np.asarray(np.linalg.inv(state.information), dtype=np.float64)
    return FirthFit(state.beta, covariance, state.loglik, converged)


@dataclass(frozen=True, slots=True, eq=False)
class _State:
    """Everything that a Newton step needs at one ``beta``."""

    beta: Floats
    loglik: float
    score: Floats
    information: Floats

    @classmethod
    def at(cls, x: Floats, y: Floats, w: Floats, beta: Floats) -> _State:
        eta = np.clip(x @ beta, -35.0, 35.0)
        p = 1.0 / (1.0 + np.exp(-eta))
        spread = w * p * (1.0 - p)
        weighted = x * spread[:, None]
        information = x.T @ weighted
        sign, size = np.linalg.slogdet(information)
        if sign <= 0:
            return cls(beta, -math.inf, np.zeros(len(beta)), information)
        hat = np.einsum("ij,ji->i", weighted, np.linalg.solve(information, x.T))
        score = x.T @ (w * (y - p) + hat * (0.5 - p))
        loglik = float(w @ (y * eta - np.logaddexp(0.0, eta))) + 0.5 * float(size)
        return cls(beta, loglik, score, information)


def _uphill(
    state: _State, x: Floats, y: Floats, w: Floats, free: Floats, step: Floats
) -> tuple[_State, bool]:
    """The first of the halved steps that does not lower the likelihood, if there is one."""
    for _ in range(30):
        beta = state.beta.copy()
        beta[free] += step
        tried = _State.at(x, y, w, beta)
        if tried.loglik >= state.loglik - 1e-13 * abs(state.loglik):
            return tried, True
        step = step / 2.0
    return state, False


def likelihood_ratio(x: Floats, y: Floats, j: int, weight: Floats | None = None) -> LikelihoodRatio:
    """Penalised likelihood-ratio test of coefficient ``j`` against 0."""
    full = fit(x, y, weight)
    without = fit(x, y, weight, fixed=j)
    return LikelihoodRatio(
        float(full.coefficients[j]), 2.0 * max(full.loglik - without.loglik, 0.0)
    )


def profile_interval(
    x: Floats, y: Floats, j: int, weight: Floats | None = None
) -> tuple[float, float]:
    """95 % profile interval of coefficient ``j`` from the penalised likelihood."""
    full = fit(x, y, weight)
    best, error = float(full.coefficients[j]), float(full.errors[j])

    def excess(value: float) -> float:
        return 2.0 * (full.loglik - fit(x, y, weight, fixed=j, at=value).loglik) - CHI2_95

    return crossing(excess, best, -error), crossing(excess, best, error)


def crossing(excess: Callable[[float], float], start: float, stride: float) -> float:
    """Where ``excess`` first turns positive, going from ``start`` by growing strides.

    ±inf when it stays negative over sixty doublings.
    """
    from scipy.optimize import brentq

    inner, outer = start, start + stride
    for _ in range(60):
        if excess(outer) > 0.0:
            return float(brentq(excess, inner, outer, xtol=1e-12, rtol=1e-12))
        inner, outer = outer, outer + stride
        stride *= 2.0
    return math.copysign(math.inf, stride)
