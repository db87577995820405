"""Firth's penalised logistic regression: finite where plain logistic runs off. Pure.

Maximises ``sum w (y log p + (1-y) log(1-p)) + ½ log det X'WX`` by Newton steps on the score
``X'(w (y-p) + h (½-p))`` with ``h`` the hat values (Firth 1993, Biometrika 80, 27-38; Heinze
and Schemper 2002, Stat. Med. 21, 2409-2419). Tests and intervals are by penalised likelihood
ratio, the penalty taken from the full model in both fits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.causes.rows import Floats, Ints

Mask = npt.NDArray[np.bool_]
Rows = Ints | Mask

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
    start: Floats | None = None,
) -> FirthFit:
    """Fit ``y`` (0 to 1, n) on ``x`` (n, p; the constant is a column too).

    With ``fixed`` that coefficient is held ``at`` a value while the penalty stays that of the
    full model. ``weight`` are prior weights (n), 1 where left out; ``start`` are coefficients
    to begin from.
    """
    w = np.ones(len(y)) if weight is None else weight
    beta = np.zeros((1, x.shape[1])) if start is None else start[None, :].copy()
    free = np.ones(beta.shape, dtype=bool)
    if fixed is not None:
        free[:, fixed], beta[:, fixed] = False, at
    found, converged = _climb(x[None], y, w, free, beta)
    covariance = np.asarray(np.linalg.inv(found.information[0]), dtype=np.float64)
    return FirthFit(found.beta[0], covariance, float(found.loglik[0]), bool(converged[0]))


def likelihood_ratio(x: Floats, y: Floats, j: int, weight: Floats | None = None) -> LikelihoodRatio:
    """Penalised likelihood-ratio test of coefficient ``j`` against 0."""
    w = np.ones(len(y)) if weight is None else weight
    return _ratios(x[None], y, j, w)[0]


def likelihood_ratios(designs: Sequence[Floats], y: Floats, j: int) -> list[LikelihoodRatio]:
    """The same test for many designs (n, p) of one outcome, those of equal width at once."""
    places: dict[int, list[int]] = {}
    for place, design in enumerate(designs):
        places.setdefault(design.shape[1], []).append(place)
    found: dict[int, LikelihoodRatio] = {}
    for alike in places.values():
        together = np.stack([designs[place] for place in alike])
        found |= zip(alike, _ratios(together, y, j, np.ones(len(y))), strict=True)
    return [found[place] for place in range(len(designs))]


def _ratios(x: Floats, y: Floats, j: int, w: Floats) -> list[LikelihoodRatio]:
    """Tests of coefficient ``j`` in each of ``x`` (m, n, p)."""
    free = np.ones((len(x), x.shape[2]), dtype=bool)
    full, _ = _climb(x, y, w, free, np.zeros(free.shape))
    free[:, j] = False
    without, _ = _climb(x, y, w, free, np.where(free, full.beta, 0.0))
    gained = 2.0 * np.maximum(full.loglik - without.loglik, 0.0)
    return [
        LikelihoodRatio(*pair)
        for pair in zip(full.beta[:, j].tolist(), gained.tolist(), strict=True)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class _States:
    """Everything that a Newton step needs, for m fits at their ``beta`` (m, p)."""

    beta: Floats
    loglik: Floats
    score: Floats
    information: Floats

    @classmethod
    def at(cls, x: Floats, y: Floats, w: Floats, beta: Floats) -> _States:
        eta = np.clip((x @ beta[:, :, None])[:, :, 0], -35.0, 35.0)
        p = 1.0 / (1.0 + np.exp(-eta))
        turned = np.swapaxes(x, 1, 2)
        weighted = x * (w * p * (1.0 - p))[:, :, None]
        information = turned @ weighted
        sign, size = np.linalg.slogdet(information)
        sound = sign > 0
        solvable = np.where(sound[:, None, None], information, np.eye(x.shape[2]))
        hat = np.einsum("mip,mpi->mi", weighted, np.linalg.solve(solvable, turned))
        score = (turned @ (w * (y - p) + hat * (0.5 - p))[:, :, None])[:, :, 0]
        loglik = (y * eta - np.logaddexp(0.0, eta)) @ w + 0.5 * size
        return cls(
            beta,
            np.where(sound, loglik, -np.inf),
            np.where(sound[:, None], score, 0.0),
            information,
        )

    def of(self, rows: Rows) -> _States:
        """Some of the fits."""
        columns = (self.beta, self.loglik, self.score, self.information)
        return _States(*(column[rows] for column in columns))

    def put(self, rows: Rows, others: _States) -> None:
        """Put other states in the place of some."""
        self.beta[rows], self.loglik[rows] = others.beta, others.loglik
        self.score[rows], self.information[rows] = others.score, others.information

    def steps(self, free: Mask) -> tuple[Floats, Floats]:
        """Newton steps of the ``free`` coefficients, and how much they promise."""
        score = np.where(free, self.score, 0.0)
        held = ~(free[:, :, None] & free[:, None, :])
        information = np.where(held, np.eye(free.shape[1]), self.information)
        steps = np.linalg.solve(information, score[:, :, None])[:, :, 0]
        return steps, np.einsum("mp,mp->m", score, steps)


def _climb(x: Floats, y: Floats, w: Floats, free: Mask, beta: Floats) -> tuple[_States, Mask]:
    """Climb from ``beta`` (m, p) in each ``x`` (m, n, p), and whether the score came to rest."""
    states = _States.at(x, y, w, beta)
    converged = np.zeros(len(x), dtype=bool)
    going = np.arange(len(x))
    for _ in range(_STEPS):
        here = states.of(going)
        steps, promise = here.steps(free[going])
        largest = np.abs(steps).max(axis=1, initial=0.0)
        rest = (promise < 1e-16) | (largest < 1e-13)
        converged[going[rest]] = True
        if rest.all():
            break
        going, here, promise = going[~rest], here.of(~rest), promise[~rest]
        steps = steps[~rest] * np.minimum(1.0, _LARGEST_STEP / largest[~rest])[:, None]
        moved = _uphill(here, x[going], y, w, steps)
        states.put(going, here)
        converged[going[~moved & (promise < 1e-8)]] = True
        going = going[moved]
        if not len(going):
            break
    return states, converged


def _uphill(here: _States, x: Floats, y: Floats, w: Floats, steps: Floats) -> Mask:
    """Take for each fit the first of the halved steps that is not downhill; which did move."""
    waiting = np.arange(len(x))
    for _ in range(30):
        tried = _States.at(x[waiting], y, w, here.beta[waiting] + steps[waiting])
        before = here.loglik[waiting]
        with np.errstate(invalid="ignore"):
            better = tried.loglik >= before - 1e-13 * np.abs(before)
        here.put(waiting[better], tried.of(better))
        waiting = waiting[~better]
        if not len(waiting):
            break
        steps[waiting] /= 2.0
    moved = np.ones(len(x), dtype=bool)
    moved[waiting] = False
    return moved


def profile_interval(
    x: Floats, y: Floats, j: int, weight: Floats | None = None
) -> tuple[float, float]:
    """95 % profile interval of coefficient ``j`` from the penalised likelihood."""
    full = fit(x, y, weight)
    best, error = float(full.coefficients[j]), float(full.errors[j])

    def excess(value: float) -> float:
        # The root of the ratio is nearly a straight line in the coefficient: few steps find it.
        # Each fit begins at the full one: what it finds must not depend on the one before it.
        held = fit(x, y, weight, fixed=j, at=value, start=full.coefficients)
        return math.sqrt(max(2.0 * (full.loglik - held.loglik), 0.0)) - math.sqrt(CHI2_95)

    return crossing(excess, best, -2.0 * error), crossing(excess, best, 2.0 * error)


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
