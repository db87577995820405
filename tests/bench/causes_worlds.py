"""Seeded print rooms with a known truth, for the acceptance of the causes (question 1).

Every world makes logs of prints in start order over one year to two: vat
temperatures follow a season (spread about 3 °C), and the risk of a typical print is 1 in 5 at
19 °C unless the world has no link at all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.causes import PrintRow

Floats = npt.NDArray[np.float64]
DAY_MS = 86_400_000
LIMIT_C, LIMIT_RISK = 19.0, 0.20
RESINS = ("Harbour Grey", "Kiln Amber", "Willow")


@dataclass(frozen=True)
class Season:
    """Prints of one log before anything is drawn: vat temperature [°C], resin, settings, offset.

    ``offset`` is what resin and settings add to the logit of failure, mean 0 over the log.
    """

    temperature_c: Floats
    resin_of: npt.NDArray[np.int64]
    settings: Mapping[str, Floats]
    offset: Floats

    def rows(self, failed_share: Floats) -> list[PrintRow]:
        """One print a day with these outcomes."""
        return [
            PrintRow(
                id=f"print-{i}",
                start_ms=i * DAY_MS,
                temperature_c=float(self.temperature_c[i]),
                failed_share=float(failed_share[i]),
                resin=RESINS[self.resin_of[i]],
                settings={name: float(column[i]) for name, column in self.settings.items()},
            )
            for i in range(len(failed_share))
        ]


Room = Callable[[np.random.Generator, int], Season]
Risk = Callable[[Floats], Floats]
Outcome = Callable[[np.random.Generator, Floats], Floats]


def expit(x: Floats | float) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.asarray(x))))


def logit(p: float) -> float:
    return math.log(p / (1.0 - p))


def smooth_noise(rng: np.random.Generator, n: int, spread: float, memory: float) -> Floats:
    """First-order autoregressive noise with a standard deviation of ``spread``."""
    steps = rng.normal(0.0, spread * math.sqrt(1.0 - memory**2), n)
    value, values = rng.normal(0.0, spread), np.empty(n)
    for i, step in enumerate(steps):
        value = memory * value + step
        values[i] = value
    return values


def vat_c(rng: np.random.Generator, n: int) -> Floats:
    """Vat temperatures over one season to two, any part first: spread about 3 °C."""
    turn = 2.0 * np.pi * (rng.random() + rng.uniform(1.0, 2.0) * np.arange(n) / n)
    return np.asarray(20.3 + 3.0 * np.sin(turn) + smooth_noise(rng, n, 2.2, 0.3))


# --- rooms: who prints what, and with which settings --------------------------------------


def part_of_a_year(rng: np.random.Generator, n: int) -> Season:
    """One resin, no setting changed, and only a third to two thirds of a season."""
    turn = 2.0 * np.pi * (rng.random() + rng.uniform(0.33, 0.67) * np.arange(n) / n)
    temperature_c = 20.3 + 3.0 * np.sin(turn) + smooth_noise(rng, n, 2.2, 0.3)
    return Season(temperature_c, np.zeros(n, dtype=np.int64), {}, np.zeros(n))


def one_resin(rng: np.random.Generator, n: int) -> Season:
    """One resin, no setting ever changed."""
    return Season(vat_c(rng, n), np.zeros(n, dtype=np.int64), {}, np.zeros(n))


def three_resins(rng: np.random.Generator, n: int) -> Season:
    """Three resins in no order, two settings that drift, each with an effect of its own."""
    resin_of = rng.integers(3, size=n)
    exposure = 2.0 + 0.1 * np.cumsum((rng.random(n) < 0.12) * rng.choice([-1, 1], n))
    lift = 60.0 + 5.0 * np.cumsum((rng.random(n) < 0.08) * rng.choice([-1, 1], n))
    return _with_effects(rng, vat_c(rng, n), resin_of, exposure, lift)


def resins_by_season(rng: np.random.Generator, n: int) -> Season:
    """Resins and settings follow the season: one resin for winter, longer exposure when cold."""
    temperature_c = vat_c(rng, n)
    slow = np.convolve(np.pad(temperature_c, 5, mode="edge"), np.full(11, 1 / 11), "valid")
    third = np.searchsorted(np.quantile(slow, [1 / 3, 2 / 3]), slow)
    resin_of = np.where(rng.random(n) < 0.6, third, rng.integers(3, size=n)).astype(np.int64)
    exposure = 2.0 + 0.1 * np.round((20.3 - slow) / 2.0 + rng.normal(0.0, 0.4, n))
    lift = 60.0 + 5.0 * np.cumsum((rng.random(n) < 0.08) * rng.choice([-1, 1], n))
    return _with_effects(rng, temperature_c, resin_of, exposure, lift)


def _with_effects(
    rng: np.random.Generator,
    temperature_c: Floats,
    resin_of: npt.NDArray[np.int64],
    exposure: Floats,
    lift: Floats,
) -> Season:
    offset = rng.normal(0.0, 0.5, 3)[resin_of]
    offset = offset + rng.normal(0.0, 0.2) * (exposure - 2.0) / 0.1
    offset = offset + rng.normal(0.0, 0.2) * (lift - 60.0) / 5.0
    settings = {"normal_exposure_s": exposure, "lift_speed_mm_min": lift}
    return Season(temperature_c, resin_of, settings, offset - offset.mean())


# --- risks at 0 offset; the offset moves the logit of what the temperature does -----------


@dataclass(frozen=True)
class Logistic:
    """``floor`` + logistic with a slope per °C: 1 in 5 at 19 °C."""

    slope: float
    floor: float = 0.0

    def __call__(self, temperature_c: Floats, offset: Floats) -> Floats:
        at = logit((LIMIT_RISK - self.floor) / (1.0 - self.floor))
        steep = expit(at + self.slope * (temperature_c - LIMIT_C) + offset)
        return np.asarray(self.floor + (1.0 - self.floor) * steep)

    def limit_c(self, level: float) -> float:
        """Where a typical print's risk is ``level`` [°C]."""
        r = (level - self.floor) / (1.0 - self.floor)
        at = logit((LIMIT_RISK - self.floor) / (1.0 - self.floor))
        return LIMIT_C + (logit(r) - at) / self.slope


@dataclass(frozen=True)
class Step:
    """One risk below 19 °C, another above."""

    below: float
    above: float

    def __call__(self, temperature_c: Floats, offset: Floats) -> Floats:
        step = np.where(temperature_c < LIMIT_C, logit(self.below), logit(self.above))
        return expit(step + offset)

    def limit_c(self, level: float) -> float:
        return LIMIT_C


@dataclass(frozen=True)
class Upturn:
    """Logistic -0.5 per °C on the cold side, and a rise from 26 °C on."""

    def __call__(self, temperature_c: Floats, offset: Floats) -> Floats:
        cold = expit(logit(LIMIT_RISK) - 0.5 * (temperature_c - LIMIT_C) + offset)
        warm = 0.6 * expit(2.0 * (temperature_c - 26.0) - 1.0)
        return np.asarray(1.0 - (1.0 - cold) * (1.0 - warm))

    def limit_c(self, level: float) -> float:
        return LIMIT_C


@dataclass(frozen=True)
class Flat:
    """The same risk at every temperature."""

    risk: float

    def __call__(self, temperature_c: Floats, offset: Floats) -> Floats:
        return expit(logit(self.risk) + offset)

    def limit_c(self, level: float) -> float:
        """-inf: safe everywhere; +inf: safe nowhere."""
        return -math.inf if self.risk < level else math.inf


Curve = Logistic | Step | Upturn | Flat


# --- outcomes ------------------------------------------------------------------------------


def one_part(rng: np.random.Generator, risk: Floats) -> Floats:
    """One part a plate: failed or good."""
    return np.asarray(rng.random(len(risk)) < risk, dtype=np.float64)


def bad_spells(rng: np.random.Generator, risk: Floats) -> Floats:
    """The same mean risk, but failures come in spells of about six prints."""
    bad, state = np.empty(len(risk), dtype=bool), bool(rng.random() < 0.25)
    for i, u in enumerate(rng.random(len(risk))):
        state = bool(u >= 1 / 6) if state else bool(u < 1 / 18)
        bad[i] = state
    return one_part(rng, np.where(bad, np.minimum(2.8 * risk, 0.9), 0.4 * risk))


@dataclass(frozen=True)
class Plates:
    """Two to eight parts a plate, their outcomes correlated (beta-binomial); the share counts."""

    correlation: float

    def __call__(self, rng: np.random.Generator, risk: Floats) -> Floats:
        parts = rng.integers(2, 9, len(risk))
        if self.correlation > 0.0:
            size = (1.0 - self.correlation) / self.correlation
            inner = np.clip(risk, 1e-6, 1.0 - 1e-6)
            risk = np.clip(rng.beta(inner * size, (1.0 - inner) * size), 0.0, 1.0)
        return np.asarray(rng.binomial(parts, risk) / parts)


@dataclass(frozen=True)
class World:
    """A print room with a known truth."""

    name: str
    room: Room
    curve: Curve
    outcome: Outcome = one_part

    def log(self, seed: int, prints_n: int) -> list[PrintRow]:
        """The log of one seed, the same every time."""
        rng = np.random.default_rng([seed, prints_n])
        season = self.room(rng, prints_n)
        risk = self.curve(season.temperature_c, season.offset)
        return season.rows(self.outcome(rng, risk))
