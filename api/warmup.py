"""First-order thermal lag: how a vat, a specimen or a chamber nears its final temperature. Pure.

A body that exchanges heat with one surrounding of constant temperature follows

    T(t) = A + B exp(-t / tau)

with the final temperature A [°C] and the time constant tau. :func:`fit` finds the three by
least squares and says how far the readings lie from the curve. Real bodies are often more
than one such body (an open mug loses heat in two ways): then the curve does not fit, tau and A
depend on the stretch looked at, and nothing may be forecast. ``refusal`` says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from collector.readings import Series

Floats = npt.NDArray[np.float64]

#: Fewest readings to fit three numbers to and still see whether the curve fits.
FEWEST_READINGS = 12
#: The curve fits when its residual is no more than this many times the readings' own noise...
NOISE_RATIO = 2.0
#: ... or no more than this [K], whichever is larger: common practice, no source.
RESIDUAL_FLOOR_K = 0.1
#: Shortest record in time constants from which a final temperature is taken.
SHORTEST_SPAN = 0.7
#: An autocorrelation of what the curve leaves that counts as none.
NEXT_TO_NONE = 0.05
#: No range of a forecast reaches further than this [s], a month.
FARTHEST_S = 30 * 86_400.0
#: The later readings begin after this share of them; a forecast's range holds their curve's too,
#: because a room that swings bends the curve without lying far off it.
LATER_FROM = 0.4


@dataclass(frozen=True, slots=True)
class Lag:
    """A fitted or assumed first-order approach; ``origin_ms`` is the t = 0 of the curve.

    ``residual_k`` is the root mean square distance of the readings from the curve,
    ``noise_k`` what the readings scatter by themselves (from their second differences).
    ``covariance`` is that of (final, amplitude, tau) [°C, K, s], wider where neighbouring
    readings lie off the curve together. ``later`` is the curve of the later readings alone.
    ``refusal`` says why the curve must not be used to look ahead; None where it may.
    """

    origin_ms: int
    final_c: float
    amplitude_k: float
    tau_s: float
    residual_k: float = 0.0
    noise_k: float = 0.0
    count: int = 0
    span_s: float = 0.0
    covariance: tuple[tuple[float, ...], ...] = ((0.0,) * 3,) * 3
    later: Lag | None = None
    refusal: str | None = None

    def at_c(self, time_ms: float) -> float:
        """The curve at a moment [°C]."""
        elapsed_s = (time_ms - self.origin_ms) / 1_000
        return self.final_c + self.amplitude_k * math.exp(-elapsed_s / self.tau_s)

    def within_s(self, distance_k: float) -> float:
        """Seconds after the origin until the curve is within a distance of its end [K]."""
        return max(self.tau_s * math.log(abs(self.amplitude_k) / distance_k), 0.0)

    def slower_than_s(self, rate_k_per_h: float) -> float:
        """Seconds after the origin until the curve changes by no more than a rate [K/h]."""
        return self.within_s(rate_k_per_h / 3_600 * self.tau_s)

    def reaches_s(self, target_c: float) -> float | None:
        """Seconds after the origin when the curve passes a temperature; None: never after it."""
        share = (target_c - self.final_c) / self.amplitude_k if self.amplitude_k else 0.0
        return -self.tau_s * math.log(share) if 0 < share <= 1 else None


@dataclass(frozen=True, slots=True)
class Forecast:
    """When a temperature will be reached: ``at_ms`` with a 95 % range, or ``refusal``.

    ``residual_k`` is how far the readings lie from the curve that was used.
    """

    target_c: float
    at_ms: int | None
    earliest_ms: int | None
    latest_ms: int | None
    residual_k: float
    refusal: str | None


def ramp_lag_k(rate_k_per_min: float, tau_s: float) -> float:
    """How far a body trails behind a steady ramp once it has settled into it [K]."""
    return rate_k_per_min / 60 * tau_s


def fit(series: Series, *, coldest_c: float = -40.0, hottest_c: float = 300.0) -> Lag:
    """Fit one exponential to all readings of a series; its first reading is the origin.

    For any tau the best A and B are a linear fit, so tau alone is searched, between a tenth
    of the mean spacing and 100 times the length of the record. The result carries a refusal
    when there are too few readings, when the curve does not fit them, when the record is too
    short to tell the final temperature, or when that lies outside ``coldest_c`` to
    ``hottest_c``, where nothing on this bench can be.
    """
    if len(series) < FEWEST_READINGS:
        count = f"{len(series)} reading{'' if len(series) == 1 else 's'}"
        reason = f"{count}; it takes {FEWEST_READINGS} to fit a curve"
        origin = int(series.times_ms[0]) if len(series) else 0
        return Lag(origin, math.nan, math.nan, math.nan, count=len(series), refusal=reason)
    lag = _fitted(series)
    first = int(LATER_FROM * len(series))
    later = None
    if len(series) - first >= FEWEST_READINGS:
        kept = slice(first, None)
        later = _fitted(
            Series(series.channel, series.times_ms[kept], series.values[kept], series.marks[kept])
        )
    return replace(lag, later=later, refusal=_refusal(lag, coldest_c, hottest_c))


def _fitted(series: Series) -> Lag:
    """The best curve of a series, whether or not it may be used."""
    times = (series.times_ms - series.times_ms[0]) / 1_000.0
    tau = _best_tau(times, series.values)
    final, amplitude, misfit = _linear(times, series.values, tau)
    off = series.values - final - amplitude * np.exp(-times / tau)
    return Lag(
        origin_ms=int(series.times_ms[0]),
        final_c=final,
        amplitude_k=amplitude,
        tau_s=tau,
        residual_k=math.sqrt(misfit / len(times)),
        noise_k=_noise(series.values),
        count=len(times),
        span_s=float(times[-1]),
        covariance=_covariance(times, amplitude, tau, misfit * _together(off)),
    )


def forecast(lag: Lag, target_c: float) -> Forecast:
    """When a fitted curve passes ``target_c``, with a 95 % range from the fit's covariance.

    The range reaches to where the curve of the later readings alone passes it. Refused with the
    fit itself, and where the curve ends on this side of the target.
    """
    after_s = None if lag.refusal else lag.reaches_s(target_c)
    if after_s is None:
        reason = lag.refusal or (
            f"on its way to {lag.final_c:.1f} °C it does not pass {target_c:.1f} °C"
        )
        return Forecast(target_c, None, None, None, lag.residual_k, reason)
    share = (target_c - lag.final_c) / lag.amplitude_k
    gradient = np.array(
        [
            lag.tau_s / (target_c - lag.final_c),
            lag.tau_s / lag.amplitude_k,
            -math.log(share),
        ]
    )
    spread_s = 1.96 * math.sqrt(max(gradient @ np.array(lag.covariance) @ gradient, 0.0))
    spread_s = min(spread_s, FARTHEST_S)
    at, earliest, latest = (
        lag.origin_ms + round(1_000 * seconds)
        for seconds in (after_s, after_s - spread_s, after_s + spread_s)
    )
    later_s = lag.later.reaches_s(target_c) if lag.later else None
    if lag.later and later_s is not None:
        later = lag.later.origin_ms + round(1_000 * min(later_s, FARTHEST_S))
        earliest, latest = min(earliest, later), max(latest, later)
    return Forecast(target_c, at, earliest, latest, lag.residual_k, None)


def _refusal(lag: Lag, coldest_c: float, hottest_c: float) -> str | None:
    allowed = max(NOISE_RATIO * lag.noise_k, RESIDUAL_FLOOR_K)
    if lag.residual_k > allowed:
        return (
            f"one exponential does not fit: its readings lie {lag.residual_k:.2f} K from the "
            f"curve and scatter by {lag.noise_k:.2f} K themselves"
        )
    if lag.span_s < SHORTEST_SPAN * lag.tau_s:
        return (
            f"{lag.span_s / 60:.0f} minutes of record are too few to tell where a curve with "
            f"a time constant of {lag.tau_s / 60:.0f} minutes ends"
        )
    if not coldest_c <= lag.final_c <= hottest_c:
        return f"the curve ends at {lag.final_c:.0f} °C, beyond anything here"
    return None


def _best_tau(times: Floats, values: Floats) -> float:
    """The tau [s] with the least sum of squares: a coarse search, then a fine one."""
    from scipy.optimize import minimize_scalar

    span = float(times[-1])
    grid = np.geomspace(span / len(times) / 10, 100 * span, 60)
    best = int(np.argmin([_linear(times, values, float(tau))[2] for tau in grid]))
    low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    found = minimize_scalar(
        lambda log_tau: _linear(times, values, math.exp(log_tau))[2],
        bounds=(math.log(low), math.log(high)),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return math.exp(float(found.x))


def _linear(times: Floats, values: Floats, tau: float) -> tuple[float, float, float]:
    """Final value, amplitude and sum of squares of the best curve with this tau."""
    shape = np.exp(-times / tau)
    mean_shape, mean_value = float(shape.mean()), float(values.mean())
    offsets = shape - mean_shape
    spread = float(offsets @ offsets)
    amplitude = float(offsets @ (values - mean_value)) / spread if spread > 0 else 0.0
    final = mean_value - amplitude * mean_shape
    misfit = values - final - amplitude * shape
    return final, amplitude, float(misfit @ misfit)


def _covariance(
    times: Floats, amplitude: float, tau: float, misfit: float
) -> tuple[tuple[float, ...], ...]:
    """Covariance of (final, amplitude, tau) by the linearised fit."""
    shape = np.exp(-times / tau)
    slopes = np.column_stack((np.ones_like(times), shape, amplitude * shape * times / tau**2))
    variance = misfit / (len(times) - 3)
    matrix = variance * np.linalg.pinv(slopes.T @ slopes)
    return tuple(tuple(row) for row in matrix.tolist())


def _together(off: Floats) -> float:
    """How many times more a fit may be off because neighbouring readings lie off together.

    One plus twice the sum of the autocorrelations of what is left of the curve, up to the first
    that is next to none (Geyer 1992, Statistical Science 7, 473-483, in the simplest form).
    """
    apart = off - off.mean()
    size = float(apart @ apart)
    times = 1.0
    for lag in range(1, len(off) // 2 if size > 0.0 else 0):
        shared = float(apart[:-lag] @ apart[lag:]) / size
        if shared <= NEXT_TO_NONE:
            break
        times += 2.0 * shared
    return times


def _noise(values: Floats) -> float:
    """Standard deviation of the readings about their own smooth course.

    From second differences, whose variance is six times that of independent noise.
    """
    seconds = np.diff(values, n=2)
    return float(np.sqrt(np.mean(seconds**2) / 6))
