"""The physics of the invented cellar, with every true number in one place. Pure.

The vats, the room and the radiator are first-order lags, so that every temperature has a
closed form and can be asked for at any moment, in any order: a :class:`Swing` (sinusoid)
stays a swing behind a lag, and a :class:`Pulse` (something switched on and off) answers with
two exponentials. Only the heat chamber, which has a thermostat, is stepped through time.

Times are seconds since 1970 UTC, temperatures °C, differences K.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from dashboards.demo.dice import GOLDEN, mixed

Floats = npt.NDArray[np.float64]

HOUR_S = 3_600.0
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Swing:
    """A sinusoid ``height_k * cos(2π (t - crest_s) / period_s)``; it crests at ``crest_s``."""

    height_k: float
    period_s: float
    crest_s: float


@dataclass(frozen=True, slots=True)
class Pulse:
    """Something that drives a temperature by ``height_k`` from ``start_s`` until ``end_s``."""

    start_s: float
    end_s: float
    height_k: float


@dataclass(frozen=True, slots=True)
class Chamber:
    """The true heat chamber: a first-order lag under a thermostat that runs a little over.

    ``reach_k`` is how far above the room full power would take it in the end; the thermostat
    feels the air ``feeler_lag_s`` late (so it overshoots) and reads ``offset_k`` too high (so
    the specimens stay that much below the dial).
    """

    lag_s: float = 900.0
    reach_k: float = 110.0
    feeler_lag_s: float = 60.0
    offset_k: float = 0.8
    duty_per_k: float = 0.2
    duty_per_k_s: float = 0.0003


@dataclass(frozen=True, slots=True)
class Truth:
    """What was really put in, for comparison with what the program concludes.

    ``risk`` of a failed part against the vat temperature of the first layers is
    ``floor + (1 - floor) * expit(-slope_per_k * (T - midpoint_c))``. With the chance
    ``together`` a plate stands or falls as one; otherwise each part falls for itself.
    ``failing_c`` gives per resin the median and the spread of the temperature at which a
    specimen gives way [°C, K], ``breaking_n`` the median load at which a bar breaks and how its
    logarithm scatters [N, 1]; one that softened in the chamber bears ``softened_times`` as much.
    """

    floor: float = 0.06
    slope_per_k: float = 0.8
    midpoint_c: float = 19.0
    together: float = 0.8

    vat_lag_s: float = 4_500.0
    lamp_rise_k: float = 3.0
    radiator_lag_s: float = 2_400.0
    radiator_rise_k: float = 4.5
    north_k: float = -0.7
    south_k: float = 0.4

    noise_vat_k: float = 0.05
    noise_room_k: float = 0.08
    noise_humidity_pct: float = 0.4
    noise_chamber_k: float = 0.12
    noise_power_w: float = 0.9
    lost_share: float = 0.015

    chamber: Chamber = Chamber()
    failing_c: Mapping[str, tuple[float, float]] = field(
        default_factory=lambda: {
            "Harbour Grey": (66.0, 3.0),
            "Kiln Amber": (97.0, 4.0),
            "Willow": (58.0, 3.0),
            "Fathom Clear": (62.0, 3.0),
        }
    )
    breaking_n: Mapping[str, tuple[float, float]] = field(
        default_factory=lambda: {
            "Harbour Grey": (112.0, 0.09),
            "Kiln Amber": (146.0, 0.12),
            "Willow": (420.0, 0.10),
            "Fathom Clear": (84.0, 0.12),
        }
    )
    softened_times: float = 0.75

    def risk(self, vat_c: float) -> float:
        """Chance of a failed part at this vat temperature [°C] in the first layers, 0 to 1."""
        return self.floor + (1.0 - self.floor) / (1.0 + math.exp(self._logit(vat_c)))

    def limit_c(self, level: float) -> float:
        """Vat temperature [°C] at which the risk is ``level`` (floor < level < 1)."""
        share = (level - self.floor) / (1.0 - self.floor)
        return self.midpoint_c - math.log(share / (1.0 - share)) / self.slope_per_k

    def _logit(self, vat_c: float) -> float:
        return min(700.0, self.slope_per_k * (vat_c - self.midpoint_c))


TRUTH = Truth()


def toward(temperature_c: float, drive_c: float, seconds: float, lag_s: float) -> float:
    """A first-order lag after ``seconds`` under a constant drive (exact; any step length)."""
    return drive_c + (temperature_c - drive_c) * math.exp(-seconds / lag_s)


def swing(form: Swing, times_s: Floats) -> Floats:
    """The swing itself [K] at each time."""
    return form.height_k * np.cos(2.0 * np.pi * (times_s - form.crest_s) / form.period_s)


def behind(form: Swing, lag_s: float) -> Swing:
    """The swing as it arrives behind a first-order lag: flatter and later (steady state)."""
    turn = 2.0 * math.pi * lag_s / form.period_s
    return replace(
        form,
        height_k=form.height_k / math.hypot(1.0, turn),
        crest_s=form.crest_s + math.atan(turn) * form.period_s / (2.0 * math.pi),
    )


def pulse_behind(form: Pulse, times_s: Floats, *lags_s: float) -> Floats:
    """Answer [K] to a pulse behind one lag, or behind two different lags in a row."""
    on = _step_behind(times_s - form.start_s, lags_s)
    off = _step_behind(times_s - form.end_s, lags_s)
    return form.height_k * (on - off)


def _step_behind(since_s: Floats, lags_s: Sequence[float]) -> Floats:
    """Unit step behind one or two lags; 0 before the step (Laplace, partial fractions)."""
    after = np.maximum(since_s, 0.0)
    if len(lags_s) == 1:
        return -np.expm1(-after / lags_s[0])
    first, second = lags_s
    return 1.0 - (first * np.exp(-after / first) - second * np.exp(-after / second)) / (
        first - second
    )


@dataclass(frozen=True, slots=True)
class Vat:
    """A resin vat without a heater: ``offset_k`` from the room, warmed by ``lamps`` only."""

    offset_k: float
    lamps: tuple[Pulse, ...] = ()


@dataclass(frozen=True, slots=True)
class Cellar:
    """The true cellar at any moment: room, humidity and vats, all in closed form."""

    truth: Truth
    mean_c: float
    swings: tuple[Swing, ...]
    radiators: tuple[Pulse, ...]
    dew_mean_c: float
    dew_swings: tuple[Swing, ...]
    vats: dict[str, Vat]

    def room_c(self, times_s: Floats) -> Floats:
        """True room temperature [°C]."""
        total = np.full(len(times_s), self.mean_c)
        for form in self.swings:
            total += swing(form, times_s)
        return total + self._pulses(self.radiators, times_s, self.truth.radiator_lag_s)

    def humidity_pct(self, times_s: Floats) -> Floats:
        """True relative humidity [%RH]: the dew point wanders, the room warms and cools."""
        dew_c = np.full(len(times_s), self.dew_mean_c)
        for form in self.dew_swings:
            dew_c += swing(form, times_s)
        pressure = saturation_pressure_hpa(dew_c) / saturation_pressure_hpa(self.room_c(times_s))
        return np.clip(100.0 * pressure, 5.0, 99.0)

    def vat_c(self, machine: str, times_s: Floats) -> Floats:
        """True resin temperature [°C] in the vat of a machine."""
        truth, vat = self.truth, self.vats[machine]
        total = np.full(len(times_s), self.mean_c + vat.offset_k)
        for form in self.swings:
            total += swing(behind(form, truth.vat_lag_s), times_s)
        total += self._pulses(self.radiators, times_s, truth.radiator_lag_s, truth.vat_lag_s)
        return total + self._pulses(vat.lamps, times_s, truth.vat_lag_s)

    @staticmethod
    def _pulses(pulses: Sequence[Pulse], times_s: Floats, *lags_s: float) -> Floats:
        """Sum of the answers; a pulse a day past its end is below 1e-7 K and left out."""
        total = np.zeros(len(times_s))
        for form in pulses:
            near = (times_s > form.start_s) & (times_s < form.end_s + DAY_S)
            if near.any():
                total[near] += pulse_behind(form, times_s[near], *lags_s)
        return total


def saturation_pressure_hpa(temperature_c: Floats) -> Floats:
    """Saturation pressure over water [hPa], Magnus form (WMO No. 8: 6.112, 17.62, 243.12)."""
    return 6.112 * np.exp(17.62 * temperature_c / (243.12 + temperature_c))


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a soak as its operator runs it: dial [°C], band [±K] and dwell [s]."""

    setpoint_c: float
    tolerance_k: float
    dwell_s: float


@dataclass(frozen=True, slots=True)
class ChamberRun:
    """The chamber through a run: air temperature every ``grid_s``, and when steps were over.

    ``ends_s`` are the moments the operator turned the dial on, one per step; the last one is
    when the heater was switched off.
    """

    start_s: float
    grid_s: float
    temperatures_c: Floats
    ends_s: tuple[float, ...]

    def at(self, times_s: Floats) -> Floats:
        """Chamber temperature [°C], straight between grid points; flat outside the run."""
        grid = self.start_s + self.grid_s * np.arange(len(self.temperatures_c))
        return np.interp(times_s, grid, self.temperatures_c)


#: The operator turns the dial this long after the dwell was complete.
OPERATOR_SLACK_S = 240.0
#: The operator's own idea of "in band" is this much narrower than the program's.
OPERATOR_CAUTION_K = 0.5


def run_chamber(
    steps: Sequence[Step],
    start_s: float,
    room_c: float,
    *,
    chamber: Chamber = TRUTH.chamber,
    grid_s: float = 5.0,
    cooling_s: float = 2.0 * HOUR_S,
) -> ChamberRun:
    """Step the chamber through a program from a cold start; each step ends after its dwell.

    The thermostat is proportional and integral on what its feeler reads; the operator counts
    the time within the band and turns the dial ``OPERATOR_SLACK_S`` after it is enough.
    """
    air_c = feeler_c = room_c
    integral = 0.0
    track, ends = [air_c], []
    for step in steps:
        in_band_s = 0.0
        while in_band_s < step.dwell_s + OPERATOR_SLACK_S:
            error_k = step.setpoint_c - feeler_c - chamber.offset_k
            integral = min(1.0, max(0.0, integral + chamber.duty_per_k_s * error_k * grid_s))
            duty = min(1.0, max(0.0, chamber.duty_per_k * error_k + integral))
            air_c = toward(air_c, room_c + chamber.reach_k * duty, grid_s, chamber.lag_s)
            feeler_c = toward(feeler_c, air_c, grid_s, chamber.feeler_lag_s)
            track.append(air_c)
            if abs(air_c - step.setpoint_c) <= step.tolerance_k - OPERATOR_CAUTION_K:
                in_band_s += grid_s
            if len(track) * grid_s > 3.0 * DAY_S:
                raise ValueError(f"the chamber never holds {step.setpoint_c} °C")
        ends.append(start_s + (len(track) - 1) * grid_s)
    for _ in range(int(cooling_s / grid_s)):
        air_c = toward(air_c, room_c, grid_s, chamber.lag_s)
        track.append(air_c)
    return ChamberRun(start_s, grid_s, np.array(track), tuple(ends))


@dataclass(frozen=True, slots=True)
class PowerDraw:
    """What a printer draws [W]: off, standing by, and printing with its lamp on or off."""

    off_w: float = 0.6
    standby_w: float = 9.0
    moving_w: float = 36.0
    lamp_w: float = 54.0


def mean_power_w(draw: PowerDraw, exposure_s: float, layer_s: float) -> float:
    """Mean draw while printing [W]: the lamp burns for ``exposure_s`` of each ``layer_s``."""
    return draw.moving_w + draw.lamp_w * exposure_s / layer_s


def scatter(seed: int, salt: int, times_s: Floats) -> Floats:
    """Standard normal noise that belongs to a moment: same seed, salt and second, same noise.

    The moment is the counter of a splitmix64 generator (see ``dice``) under Box-Muller, so
    that history may be made newest first and live readings agree with it.
    """
    radius = np.sqrt(-2.0 * np.log(chance(seed, 2 * salt, times_s)))
    angle = 2.0 * np.pi * chance(seed, 2 * salt + 1, times_s)
    return np.asarray(radius * np.cos(angle), dtype=np.float64)


def chance(seed: int, salt: int, times_s: Floats) -> Floats:
    """Uniform numbers in (0, 1] that belong to a moment, like :func:`scatter`."""
    start = mixed((seed * 1_000_003 + salt * 7_919 + 1) % 2**64)
    word = times_s.astype(np.int64).astype(np.uint64) * np.uint64(GOLDEN)
    word = _mix(word + np.uint64(start))
    return ((word >> np.uint64(11)).astype(np.float64) + 1.0) / float(2**53)


def _mix(word: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """``dice.mixed`` over arrays."""
    word = (word ^ (word >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    word = (word ^ (word >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return np.asarray(word ^ (word >> np.uint64(31)), dtype=np.uint64)


def quantised(values: Floats, step: float) -> Floats:
    """Values as a sensor with this resolution sends them, rounded to the nearest step."""
    return np.asarray(np.round(np.round(values / step) * step, 6), dtype=np.float64)
