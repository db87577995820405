"""Plain binomial regression by maximum likelihood: logit, probit or complementary log-log. Pure.

Iteratively reweighted least squares (McCullagh and Nelder 1989, Generalized Linear Models,
2.5), with deviance, profile intervals, and separation named where no finite fit exists.
"""

from __future__ import annotations

import enum
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from api.causes.firth import CHI2_95, crossing
from api.causes.rows import Floats

_STEPS = 100
_EDGE = 1e-12

#: The largest step of a row's linear sum, or half of its size where that is more.
_LARGEST_STEP = 5.0


class LinkFunction(enum.StrEnum):
    """How the share depends on the linear sum."""

    LOGIT = "logit"
    PROBIT = "probit"
    CLOGLOG = "cloglog"


class Runaway(enum.StrEnum):
    """Where maximum likelihood puts a coefficient."""

    FINITE = "finite"
    PLUS_INFINITY = "plus infinity"
    MINUS_INFINITY = "minus infinity"


@dataclass(frozen=True, slots=True, eq=False)
class BinomialFit:
    """``coefficients`` with ``covariance``, ``deviance`` and ``null_deviance`` (constant only).

    ``aic`` is 2 x parameters - 2 x log-likelihood, the binomial coefficients of grouped rows
    included where the counts are whole.
    """

    coefficients: Floats
    covariance: Floats
    deviance: float
    null_deviance: float
    aic: float
    converged: bool

    @property
    def errors(self) -> Floats:
        """Standard errors of the coefficients."""
        return np.sqrt(np.diag(self.covariance))


def fit_binomial(
    x: Floats,
    y: Floats,
    trials: Floats | None = None,
    *,
    link: LinkFunction = LinkFunction.LOGIT,
    offset: Floats | None = None,
    start: Floats | None = None,
) -> BinomialFit:
    """Fit shares ``y`` (n) of ``trials`` (n, 1 where left out) on ``x`` (n, p, constant included).

    Finite fits only: ask :func:`runaways` first where the two outcomes may not overlap.
    ``start`` are coefficients to begin from where they fit better than the usual first step.
    """
    m = np.ones(len(y)) if trials is None else trials
    shift = np.zeros(len(y)) if offset is None else offset

    def deviance_at(beta: Floats) -> float:
        return _deviance(x @ beta + shift, y, m, link)

    usual = _linear((m * y + 0.5) / (m + 1.0), link)
    beta, information = _weighted_step(x, y, m, usual, shift, link)
    if start is not None and not deviance_at(beta) <= deviance_at(start):
        beta = start
    deviance = deviance_at(beta)
    converged = False
    for _ in range(_STEPS):
        eta, before = x @ beta + shift, deviance
        target, information = _weighted_step(x, y, m, eta, shift, link)
        most = max(_LARGEST_STEP, float(np.abs(eta).max(initial=0.0)) / 2.0)
        beta, deviance = _downhill(x, beta, target, most, before, deviance_at)
        if abs(before - deviance) < 1e-13 * (abs(deviance) + 0.1):
            converged = True
            break
    mu = _mean_and_slope(x @ beta + shift, link)[0]
    mean = float(m @ y / m.sum())
    return BinomialFit(
        coefficients=beta,
        covariance=np.asarray(np.linalg.inv(information), dtype=np.float64),
        deviance=deviance,
        null_deviance=deviance_of(np.full(len(y), mean), y, m),
        aic=2.0 * len(beta) - 2.0 * _loglik(mu, y, m),
        converged=converged,
    )


def _weighted_step(
    x: Floats, y: Floats, m: Floats, eta: Floats, shift: Floats, link: LinkFunction
) -> tuple[Floats, Floats]:
    """Coefficients of the weighted least squares at ``eta``, and their information matrix."""
    mu, slope = _mean_and_slope(eta, link)
    weight = m * slope**2 / (mu * (1.0 - mu))
    information = x.T @ (x * weight[:, None])
    # A ridge at rounding's width: far out on a profile all weights can vanish.
    ridge = 1e-14 * float(np.trace(information)) + 1e-200
    target = x.T @ (weight * (eta - shift + (y - mu) / slope))
    beta = np.linalg.solve(information + ridge * np.eye(x.shape[1]), target)
    return np.asarray(beta, dtype=np.float64), information


def _downhill(
    x: Floats,
    beta: Floats,
    target: Floats,
    most: float,
    deviance: float,
    deviance_at: Callable[[Floats], float],
) -> tuple[Floats, float]:
    """The first halved step from ``beta`` towards ``target`` that does not raise the deviance.

    No step moves a row's linear sum by more than ``most``: where shares are next to 0 or 1 the
    weights vanish, and a whole step would land far beyond the answer.
    """
    reach = float(np.abs(x @ (target - beta)).max(initial=0.0))
    step = (target - beta) * min(1.0, most / reach) if reach > 0.0 else target - beta
    for halving in range(40):
        tried = beta + step * 0.5**halving
        found = deviance_at(tried)
        if found <= deviance:
            return tried, found
    return beta, deviance


def _linear(mu: Floats, link: LinkFunction) -> Floats:
    """The linear sum that gives a share."""
    if link is LinkFunction.LOGIT:
        return np.asarray(np.log(mu / (1.0 - mu)))
    if link is LinkFunction.CLOGLOG:
        return np.asarray(np.log(-np.log1p(-mu)))
    from scipy.special import ndtri

    return np.asarray(ndtri(mu))


def _mean_and_slope(eta: Floats, link: LinkFunction) -> tuple[Floats, Floats]:
    """The share and its derivative by the linear sum, kept off 0 and 1 by rounding's width."""
    if link is LinkFunction.LOGIT:
        mu = 1.0 / (1.0 + np.exp(-np.clip(eta, -35.0, 35.0)))
        slope = mu * (1.0 - mu)
    elif link is LinkFunction.CLOGLOG:
        steep = np.exp(np.clip(eta, -35.0, 3.5))
        mu, slope = -np.expm1(-steep), steep * np.exp(-steep)
    else:
        from scipy.special import ndtr

        mu = np.asarray(ndtr(eta))
        slope = np.exp(-0.5 * np.clip(eta, -8.0, 8.0) ** 2) / math.sqrt(2.0 * math.pi)
    return np.clip(mu, _EDGE, 1.0 - _EDGE), np.maximum(slope, _EDGE)


def _deviance(eta: Floats, y: Floats, trials: Floats, link: LinkFunction) -> float:
    """:func:`deviance_of` at linear sums; for the logit without losing the far tails."""
    if link is not LinkFunction.LOGIT:
        return deviance_of(_mean_and_slope(eta, link)[0], y, trials)
    with np.errstate(divide="ignore", invalid="ignore"):
        failed = np.where(y > 0.0, y * np.log(y), 0.0)
        good = np.where(y < 1.0, (1.0 - y) * np.log1p(-y), 0.0)
    return 2.0 * float(trials @ (failed + good - y * eta + np.logaddexp(0.0, eta)))


def deviance_of(mu: Floats, y: Floats, trials: Floats) -> float:
    """Twice the log-likelihood that the shares ``mu`` lack against ``y`` itself."""
    with np.errstate(divide="ignore", invalid="ignore"):
        failed = np.where(y > 0.0, y * np.log(y / mu), 0.0)
        good = np.where(y < 1.0, (1.0 - y) * np.log((1.0 - y) / (1.0 - mu)), 0.0)
    return 2.0 * float(trials @ (failed + good))


def _loglik(mu: Floats, y: Floats, trials: Floats) -> float:
    """Binomial log-likelihood; its coefficients only where all counts are whole."""
    loglik = float(trials @ (y * np.log(mu) + (1.0 - y) * np.log(1.0 - mu)))
    failed = trials * y
    if np.allclose(failed, np.round(failed), atol=1e-9) and np.allclose(trials, np.round(trials)):
        loglik += sum(
            math.log(math.comb(round(m), round(k)))
            for m, k in zip(trials.tolist(), failed.tolist(), strict=True)
        )
    return loglik


def profile(x: Floats, y: Floats, j: int, trials: Floats | None = None) -> tuple[float, float]:
    """95 % profile-likelihood interval of coefficient ``j`` of a logit fit."""
    full = fit_binomial(x, y, trials)
    others, near = np.delete(x, j, axis=1), np.delete(full.coefficients, j)

    def excess(value: float) -> float:
        held = fit_binomial(others, y, trials, offset=value * x[:, j], start=near)
        return held.deviance - full.deviance - CHI2_95

    best, error = float(full.coefficients[j]), float(full.errors[j])
    return crossing(excess, best, -error), crossing(excess, best, error)


def runaways(x: Floats, y: Floats) -> tuple[Runaway, ...]:
    """For each coefficient, whether maximum likelihood leaves it finite.

    Looks for a direction along which no row is predicted worse, by linear programming (Konis
    2007, Linear programming algorithms for detecting separated data, ch. 4).
    """
    from scipy.optimize import linprog

    size = np.abs(x).max(axis=0)
    scaled = x / np.where(size > 0, size, 1.0)
    failed, good = scaled[y > 0.0], scaled[y < 1.0]
    gains = np.vstack([failed, -good])
    found = linprog(-gains.sum(axis=0), A_ub=-gains, b_ub=np.zeros(len(gains)), bounds=(-1, 1))
    assert found.x is not None  # 0 is always a solution and the bounds are finite
    direction = np.where(np.abs(found.x) > 1e-7, found.x, 0.0)
    names = {0.0: Runaway.FINITE, 1.0: Runaway.PLUS_INFINITY, -1.0: Runaway.MINUS_INFINITY}
    return tuple(names[float(sign)] for sign in np.sign(direction))
