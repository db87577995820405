"""The risk model of question 1 and weighted draws from its posterior. Pure.

With T the vat temperature [°C] of a print and z its covariates, centred::

    risk = f + (1-f) expit(a - s (T - mean T) + z·g),      s > 0, 0 < f < 1
    a ~ N(-1.4, 1.5²)   s ~ half-normal(1 per °C)   f ~ Beta(1, 9)   g ~ N(0, 1) each

``f`` is the share of failures that temperature has nothing to do with. The draws come from
importance sampling with a multivariate t, refined twice (method, 1b), and further where the
method would give up: of 100 logs of 150 prints with three resins and two drifting settings it
gave no answer in 4, and now in none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from api.causes.rows import Floats, Log, usual_step

#: Effective draws below which the last step is repeated with more, and below which it is given up.
ENOUGH_DRAWS, FEWEST_DRAWS = 500.0, 400.0

_FIRST, _SECOND, _LAST, _MANY = 3_000, 3_000, 6_000, 40_000

#: Where even those are too few: turns of so many draws, each from what the last ones fit.
_TURNS, _REFINED = 4, 12_000
_DEGREES = 5.0
_START = (-1.4, math.log(0.25), -2.7)

#: Draws times prints worked on at once: eight megabytes a column.
_CHUNK = 1_000_000


@dataclass(frozen=True, slots=True, eq=False)
class RiskModel:
    """A log as the model sees it: centred temperatures [K], failed shares, covariates (n, k).

    The first ``resins_n`` covariates are the resins' 0/1 columns (none with one resin);
    ``resin_means`` are the shares of the resins in the log.
    """

    mean_c: float
    centred_k: Floats
    failed_share: Floats
    covariates: Floats
    resin_means: Floats

    @classmethod
    def of(cls, log: Log) -> RiskModel:
        """The model of a log: resins, changed settings per usual step, and order."""
        marks = log.resin_marks if len(log.resins) > 1 else np.empty((log.prints_n, 0))
        steps = [column / usual_step(column) for column in log.settings.values()]
        z = np.column_stack([marks, *steps, log.order])
        mean_c = float(log.temperature_c.mean())
        return cls(
            mean_c=mean_c,
            centred_k=log.temperature_c - mean_c,
            failed_share=log.failed_share,
            covariates=z - z.mean(axis=0),
            resin_means=marks.mean(axis=0),
        )

    @property
    def parameters_n(self) -> int:
        """a, log s, logit f and one per covariate."""
        return 3 + int(self.covariates.shape[1])

    def log_posterior(self, theta: Floats) -> Floats:
        """Log posterior density up to a constant, Jacobians included; ``theta`` (draws, p)."""
        rows = max(1, _CHUNK // max(len(self.centred_k), 1))
        parts = [self._loglik(theta[i : i + rows]) for i in range(0, len(theta), rows)]
        a, log_s, logit_f, g = theta[:, 0], theta[:, 1], theta[:, 2], theta[:, 3:]
        prior = (
            -0.5 * ((a + 1.4) / 1.5) ** 2
            - 0.5 * np.exp(2.0 * log_s)
            + log_s
            - np.logaddexp(0.0, -logit_f)
            - 9.0 * np.logaddexp(0.0, logit_f)
            - 0.5 * np.einsum("ij,ij->i", g, g)
        )
        return np.asarray(np.concatenate(parts) + prior)

    def _loglik(self, theta: Floats) -> Floats:
        eta = theta[:, 3:] @ self.covariates.T
        eta += theta[:, :1]
        eta -= np.exp(theta[:, 1:2]) * self.centred_k
        np.clip(eta, -40.0, 40.0, out=eta)
        odds = np.exp(-eta)
        expit = 1.0 / (1.0 + odds)
        f = _expit(theta[:, 2:3])
        risk = f + (1.0 - f) * expit
        # 1 - risk from its own factors: no digits lost where the risk is near 1.
        safe = (1.0 - f) * (odds * expit)
        y = self.failed_share
        if bool(np.all((y == 0.0) | (y == 1.0))):
            return np.asarray(np.log(np.where(y == 1.0, risk, safe)).sum(axis=1))
        return np.asarray(np.log(risk) @ y + np.log(safe) @ (1.0 - y))

    def gradient(self, theta: Floats) -> Floats:
        """Gradient of the log posterior at one ``theta`` (p)."""
        a, s, f, g = theta[0], math.exp(theta[1]), float(_expit(theta[2])), theta[3:]
        eta = np.clip(a - s * self.centred_k + self.covariates @ g, -40.0, 40.0)
        expit = _expit(eta)
        risk = f + (1.0 - f) * expit
        safe = (1.0 - f) * _expit(-eta)
        by_risk = self.failed_share / risk - (1.0 - self.failed_share) / safe
        by_eta = by_risk * (1.0 - f) * expit * _expit(-eta)
        by_f = float(by_risk @ _expit(-eta)) * f * (1.0 - f)
        return np.concatenate(
            [
                [
                    by_eta.sum() - (a + 1.4) / 1.5**2,
                    -s * float(by_eta @ self.centred_k) - s * s + 1.0,
                    by_f + (1.0 - f) - 9.0 * f,
                ],
                self.covariates.T @ by_eta - g,
            ]
        )


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Weighted draws: ``a``, ``s`` [1/°C], ``f`` of length m, ``g`` (m, k); weights sum to 1."""

    model: RiskModel
    a: Floats
    s: Floats
    f: Floats
    g: Floats
    weights: Floats

    @property
    def effective_n(self) -> float:
        """Effective number of draws, 1 / Σ w²."""
        return _effective(self.weights)

    def threshold_c(self, level: float, resin: int | None = None) -> Floats:
        """Temperature at which the risk is ``level`` [°C], per draw; +inf where it stays above.

        For a typical print of the log, or for the ``resin`` of that index.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            r = (level - self.f) / (1.0 - self.f)
            at = self.model.mean_c + (self.a - np.log(r / (1.0 - r)) + self._offset(resin)) / self.s
        return np.where(self.f >= level, np.inf, at)

    def risk(self, temperature_c: Floats, resin: int | None = None) -> Floats:
        """Risk at temperatures (t) [°C] per draw, shape (m, t)."""
        eta = (self.a + self._offset(resin))[:, None] - self.s[:, None] * (
            temperature_c - self.model.mean_c
        )
        return self.f[:, None] + (1.0 - self.f[:, None]) * _expit(np.clip(eta, -40.0, 40.0))

    def _offset(self, resin: int | None) -> Floats:
        """How far a resin's prints lie from the typical print, in logits."""
        if resin is None or not len(self.model.resin_means):
            return np.zeros_like(self.a)
        marks = self.g[:, : len(self.model.resin_means)]
        return marks[:, resin] - marks @ self.model.resin_means


def draw(model: RiskModel, seed: int) -> Draws | None:
    """Weighted draws from the posterior, the same for the same ``seed``; None if it cannot be."""
    rng = np.random.default_rng(seed)
    mode = _mode(model)
    values, vectors = np.linalg.eigh(_curvature(model, mode))
    root = 1.15 * vectors / np.sqrt(np.maximum(values, 0.15))
    theta, weights = _sample(model, rng, _FIRST, mode, root)
    for draws_n in (_SECOND, _LAST):
        centre, root = _fitted(theta, weights)
        theta, weights = _sample(model, rng, draws_n, centre, root)
    if _effective(weights) < ENOUGH_DRAWS:
        theta, weights = _sample(model, rng, _MANY, centre, root)
    if not _effective(weights) >= FEWEST_DRAWS:
        theta, weights = _refined(model, rng, theta, weights)
    if not _effective(weights) >= FEWEST_DRAWS:
        return None
    return Draws(
        model, theta[:, 0], np.exp(theta[:, 1]), _expit(theta[:, 2]), theta[:, 3:], weights
    )


def _refined(
    model: RiskModel, rng: np.random.Generator, theta: Floats, weights: Floats
) -> tuple[Floats, Floats]:
    """Draws from what the last ones fit, until enough of them count or four turns are over.

    With several resins and settings the first draws may be so few that what they fit is far
    off; the method would give up there.
    """
    for _ in range(_TURNS):
        theta, weights = _sample(model, rng, _REFINED, *_fitted(theta, weights))
        if _effective(weights) >= ENOUGH_DRAWS:
            break
    return theta, weights


def _effective(weights: Floats) -> float:
    """Effective number of draws of these weights, which sum to 1."""
    return float(1.0 / np.sum(weights**2))


def _mode(model: RiskModel) -> Floats:
    """The most probable parameters, by BFGS from the method's starting point."""
    from scipy.optimize import minimize

    start = np.concatenate([_START, np.zeros(model.parameters_n - 3)])

    def downhill(theta: Floats) -> Floats:
        return -model.gradient(np.clip(theta, -30.0, 30.0))

    def height(theta: Floats) -> float:
        bounded = np.clip(theta, -30.0, 30.0)
        return -float(model.log_posterior(bounded[None, :])[0])

    found = minimize(height, start, jac=downhill)
    return np.asarray(np.clip(found.x, -30.0, 30.0), dtype=np.float64)


def _curvature(model: RiskModel, mode: Floats, step: float = 0.02) -> Floats:
    """Hessian of minus the log posterior, from central differences of the gradient."""
    shifts = step * np.eye(len(mode))
    rows = [model.gradient(mode + shift) - model.gradient(mode - shift) for shift in shifts]
    hessian = -np.array(rows) / (2.0 * step)
    return (hessian + hessian.T) / 2.0


def _sample(
    model: RiskModel, rng: np.random.Generator, draws_n: int, centre: Floats, root: Floats
) -> tuple[Floats, Floats]:
    """Draws of a multivariate t around ``centre`` and their weights against the posterior."""
    normal = rng.standard_normal((draws_n, len(centre)))
    stretch = np.sqrt(_DEGREES / rng.chisquare(_DEGREES, draws_n))
    theta = centre + (normal @ root.T) * stretch[:, None]
    theta[:, 1:3] = np.clip(theta[:, 1:3], -30.0, 30.0)
    distance = np.einsum("ij,ij->i", normal, normal) * stretch**2
    proposal = -0.5 * (_DEGREES + len(centre)) * np.log1p(distance / _DEGREES)
    excess = model.log_posterior(theta) - proposal
    weights = np.exp(excess - excess.max())
    return theta, weights / weights.sum()


def _fitted(theta: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Mean and 1.1 times the Cholesky root of the covariance of weighted draws."""
    centre = weights @ theta
    apart = theta - centre
    covariance = (apart * weights[:, None]).T @ apart
    # A ridge far below any real spread: few effective draws can leave a direction without any.
    covariance += 1e-6 * np.eye(len(centre)) * max(1.0, float(np.trace(covariance)) / len(centre))
    return centre, np.asarray(1.1 * np.linalg.cholesky(covariance), dtype=np.float64)


def weighted_quantiles(values: Floats, weights: Floats, at: Floats) -> Floats:
    """Quantiles ``at`` (q) of weighted values (m), or of each column of (m, t): shape (q, t).

    The smallest value whose weights, summed from below, reach the quantile; ±inf are values.
    """
    table = values if values.ndim == 2 else values[:, None]
    order = np.argsort(table, axis=0)
    reached = np.cumsum(weights[order], axis=0)
    places = np.array([np.searchsorted(column, at) for column in reached.T]).T
    rows = np.minimum(places, len(table) - 1)
    quantiles = np.take_along_axis(np.take_along_axis(table, order, axis=0), rows, axis=0)
    return quantiles if values.ndim == 2 else quantiles[:, 0]


def _expit(value: Floats | float) -> Floats:
    """1 / (1 + e⁻ˣ) for |x| up to about 700."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.asarray(value))))
