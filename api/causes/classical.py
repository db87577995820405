"""The classical fit beside the answer: plain logistic regression on temperature alone. Pure.

For those who know it, and as the check against published tables. The answer does not rest on
it: it ignores resin, settings and failures that have nothing to do with temperature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from api.causes.firth import CHI2_95, chi2_tail, crossing
from api.causes.glm import BinomialFit, Runaway, fit_binomial, profile, runaways
from api.causes.proportions import Z_95
from api.causes.rows import Floats
from api.causes.words import degrees

#: Ratio of a degree Celsius to a degree Fahrenheit, and the offset of the latter.
F_PER_C, F_AT_0_C = 1.8, 32.0


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval; None where it is unbounded."""

    lo: float | None
    hi: float | None


@dataclass(frozen=True, slots=True)
class Coefficients:
    """``logit risk = intercept + slope * temperature`` in one unit of temperature.

    ``t50`` is the temperature of half risk, None where the curve is flat, with its delta,
    Fieller and profile-likelihood intervals; where Fieller's is unbounded (``fieller_g`` of 1
    or more) both its ends are None.
    """

    unit: str
    intercept: float
    intercept_error: float
    slope: float
    slope_error: float
    slope_profile: Interval
    t50: float | None
    t50_error: float | None
    t50_delta: Interval
    t50_fieller: Interval
    t50_profile: Interval


@dataclass(frozen=True, slots=True)
class RiskAt:
    """Risk (0 to 1) at a temperature [°C] with its 95 % interval.

    ``extrapolated`` when it lies outside the logged temperatures: the figure then rests on the
    shape of the curve alone, and ``note`` says so.
    """

    temperature_c: float
    risk: float
    lo: float
    hi: float
    extrapolated: bool
    note: str | None


@dataclass(frozen=True, slots=True)
class ClassicalFit:
    """A maximum-likelihood logistic fit on temperature alone, in both units."""

    prints_n: int
    coldest_c: float
    warmest_c: float
    celsius: Coefficients
    fahrenheit: Coefficients
    covariance_c: tuple[float, float, float]
    wald_p: float
    ratio_statistic: float
    ratio_p: float
    null_deviance: float
    null_df: int
    deviance: float
    df: int
    aic: float
    fieller_g: float | None

    def risk_at(self, temperature_c: float) -> RiskAt:
        """Risk at a temperature [°C], interval by Wald on the logit."""
        v00, v01, v11 = self.covariance_c
        t = temperature_c
        eta = self.celsius.intercept + self.celsius.slope * t
        half = Z_95 * math.sqrt(max(v00 + 2.0 * t * v01 + t * t * v11, 0.0))
        beyond = not self.coldest_c - 1e-9 <= t <= self.warmest_c + 1e-9
        return RiskAt(t, _expit(eta), _expit(eta - half), _expit(eta + half), beyond, self._note(t))

    def _note(self, temperature_c: float) -> str | None:
        gap, end = max(
            (self.coldest_c - temperature_c, "colder than the coldest"),
            (temperature_c - self.warmest_c, "warmer than the warmest"),
        )
        if gap <= 1e-9:
            return None
        return f"{gap:.1f} °C {end} print in the log: nothing was seen there, do not rely on it."


@dataclass(frozen=True, slots=True)
class SeparationNote:
    """Why plain logistic regression has no finite answer for this log."""

    sentence: str


def classical(
    temperature_c: Floats, failed_share: Floats, trials: Floats | None = None
) -> ClassicalFit | SeparationNote | None:
    """The classical fit of shares (n) on temperatures (n) [°C], each of ``trials`` (1 if left out).

    None where there is no spread of temperature or nothing to fit.
    """
    t, y = temperature_c, failed_share
    if len(t) < 3 or float(np.ptp(t)) < 1e-9:
        return None
    centre = float(t.mean())
    x = np.column_stack([np.ones(len(t)), t - centre])
    if any(state is not Runaway.FINITE for state in runaways(x, y)):
        return SeparationNote(_separation_sentence(t, y))
    fit = fit_binomial(x, y, trials)
    slope_p = math.erfc(abs(fit.coefficients[1] / fit.errors[1]) / math.sqrt(2.0))
    ratio = fit.null_deviance - fit.deviance
    celsius = _coefficients(fit, x, y, trials, centre)
    v01 = float(fit.covariance[0, 1] - centre * fit.covariance[1, 1])
    v11 = float(fit.covariance[1, 1])
    return ClassicalFit(
        prints_n=len(t),
        coldest_c=float(t.min()),
        warmest_c=float(t.max()),
        celsius=celsius,
        fahrenheit=_in_fahrenheit(celsius, v01),
        covariance_c=(celsius.intercept_error**2, v01, v11),
        wald_p=slope_p,
        ratio_statistic=ratio,
        ratio_p=chi2_tail(ratio),
        null_deviance=fit.null_deviance,
        null_df=len(t) - 1,
        deviance=fit.deviance,
        df=len(t) - 2,
        aic=fit.aic,
        fieller_g=None if _flat(fit) else Z_95**2 * v11 / celsius.slope**2,
    )


def _coefficients(
    fit: BinomialFit, x: Floats, y: Floats, trials: Floats | None, centre: float
) -> Coefficients:
    """Coefficients per °C, from a fit on temperatures less their mean ``centre`` [°C]."""
    (a, b), v = fit.coefficients.tolist(), fit.covariance
    spread = v[0, 0] - 2.0 * centre * v[0, 1] + centre**2 * v[1, 1]
    t50, error, delta, by_fieller, held = _half_risk(fit, x, y, trials, centre)
    return Coefficients(
        unit="°C",
        intercept=a - b * centre,
        intercept_error=math.sqrt(spread),
        slope=b,
        slope_error=math.sqrt(v[1, 1]),
        slope_profile=_interval(profile(x, y, 1, trials)),
        t50=t50,
        t50_error=error,
        t50_delta=delta,
        t50_fieller=by_fieller,
        t50_profile=held,
    )


def _half_risk(
    fit: BinomialFit, x: Floats, y: Floats, trials: Floats | None, centre: float
) -> tuple[float | None, float | None, Interval, Interval, Interval]:
    """Temperature of half risk, its delta error, and its delta, Fieller and profile intervals."""
    if _flat(fit):
        return None, None, _UNBOUNDED, _UNBOUNDED, _UNBOUNDED
    (a, b), v = fit.coefficients.tolist(), fit.covariance
    ratio = -a / b
    error = math.sqrt(v[0, 0] + 2.0 * ratio * v[0, 1] + ratio**2 * v[1, 1]) / abs(b)
    t50 = centre + ratio
    return (
        t50,
        error,
        Interval(t50 - Z_95 * error, t50 + Z_95 * error),
        _interval(fieller(a, b, v), centre),
        _interval(_t50_profile(fit, x[:, 1], y, trials), centre),
    )


def _flat(fit: BinomialFit) -> bool:
    """Whether temperature explains nothing but rounding."""
    return fit.null_deviance - fit.deviance < 1e-9


def fieller(a: float, b: float, covariance: Floats) -> tuple[float, float]:
    """95 % interval of -a/b by Fieller's theorem; (-inf, inf) where it is unbounded (g >= 1)."""
    v00, v01, v11 = float(covariance[0, 0]), float(covariance[0, 1]), float(covariance[1, 1])
    g = Z_95**2 * v11 / b**2
    if g >= 1.0:
        return -math.inf, math.inf
    # (a + b r)² = z² (v00 + 2 r v01 + r² v11), a quadratic in r.
    two, one, zero = b * b - Z_95**2 * v11, a * b - Z_95**2 * v01, a * a - Z_95**2 * v00
    root = math.sqrt(max(one * one - two * zero, 0.0))
    return (-one - root) / two, (-one + root) / two


def _t50_profile(
    fit: BinomialFit, t: Floats, y: Floats, trials: Floats | None
) -> tuple[float, float]:
    """95 % profile-likelihood interval of -a/b; (-inf, inf) where the slope is not significant.

    Far out the profile tends to that of a flat curve: it crosses only if that one is refused.
    """
    if fit.null_deviance - fit.deviance <= CHI2_95:
        return -math.inf, math.inf

    def excess(t50: float) -> float:
        held = fit_binomial((t - t50)[:, None], y, trials, start=fit.coefficients[1:])
        return held.deviance - fit.deviance - CHI2_95

    best = -float(fit.coefficients[0] / fit.coefficients[1])
    stride = float(np.ptp(t)) / 8.0
    return crossing(excess, best, -stride), crossing(excess, best, stride)


def _in_fahrenheit(c: Coefficients, v01: float) -> Coefficients:
    """The same fit with temperatures in °F."""

    def moved(interval: Interval) -> Interval:
        return Interval(
            *(None if e is None else _fahrenheit(e) for e in (interval.lo, interval.hi))
        )

    def steep(interval: Interval) -> Interval:
        return Interval(*(None if e is None else e / F_PER_C for e in (interval.lo, interval.hi)))

    shift = F_AT_0_C / F_PER_C
    spread = c.intercept_error**2 - 2.0 * shift * v01 + shift**2 * c.slope_error**2
    return Coefficients(
        unit="°F",
        intercept=c.intercept - c.slope * shift,
        intercept_error=math.sqrt(spread),
        slope=c.slope / F_PER_C,
        slope_error=c.slope_error / F_PER_C,
        slope_profile=steep(c.slope_profile),
        t50=None if c.t50 is None else _fahrenheit(c.t50),
        t50_error=None if c.t50_error is None else c.t50_error * F_PER_C,
        t50_delta=moved(c.t50_delta),
        t50_fieller=moved(c.t50_fieller),
        t50_profile=moved(c.t50_profile),
    )


def _separation_sentence(t: Floats, y: Floats) -> str:
    failed, good = t[y > 0.0], t[y < 1.0]
    if not len(failed):
        return "No print failed: plain logistic regression has no finite answer."
    if not len(good):
        return "Every print failed: plain logistic regression has no finite answer."
    if float(failed.max()) <= float(good.min()):
        edge = degrees(float(failed.max()))
        apart = f"all failures at {edge} or colder, all good prints not colder"
    else:
        edge = degrees(float(failed.min()))
        apart = f"all failures at {edge} or warmer, all good prints not warmer"
    return (
        f"Separation: {apart} than that. Plain logistic regression would make the curve"
        " infinitely steep, so its figures are not shown."
    )


_UNBOUNDED = Interval(None, None)


def _interval(ends: tuple[float, float], shift: float = 0.0) -> Interval:
    lo, hi = (end + shift if math.isfinite(end) else None for end in ends)
    return Interval(lo, hi)


def _fahrenheit(temperature_c: float) -> float:
    return temperature_c * F_PER_C + F_AT_0_C


def _expit(value: float) -> float:
    return 1.0 / (1.0 + math.exp(-min(max(value, -700.0), 700.0)))
