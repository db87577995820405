"""What a bare sensor sends, ohms or millivolts, turned into degrees Celsius. Pure.

::

    Platinum          pt100, pt1000         Ω    IEC 60751
    NtcBeta           ntc_beta              Ω    1/T = 1/T0 + ln(R/R0)/β
    NtcSteinhartHart  ntc_steinhart_hart    Ω    1/T = a polynomial of ln R
    TypeK             type_k                mV   ITS-90, with a cold junction

Every conversion is strictly monotone over the range for which it is given. A signal beyond
that range (a broken wire, a short circuit) gets the temperature at the range's end, so that
every reading has a finite one, and :meth:`Signal.outside` tells that it means nothing.
"""

from __future__ import annotations

import abc
import bisect
import enum
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from types import MappingProxyType
from typing import Any, ClassVar, TypeAlias

import numpy as np
import numpy.typing as npt

from collector.errors import SettingsError

Values: TypeAlias = npt.NDArray[np.float64]

ZERO_C_K = 273.15


class SignalKind(enum.StrEnum):
    """The sensors whose bare signal can be taken."""

    PT100 = "pt100"
    PT1000 = "pt1000"
    NTC_BETA = "ntc_beta"
    NTC_STEINHART_HART = "ntc_steinhart_hart"
    TYPE_K = "type_k"


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal(abc.ABC):
    """How one sensor's signal becomes °C.

    ``unit`` is what it sends, ``Ω`` or ``mV``; ``rising`` whether the signal grows with the
    temperature; ``lowest`` and ``highest`` the ends of the signal's range [unit].
    """

    unit: ClassVar[str]
    rising: ClassVar[bool]

    lowest: float = field(init=False, repr=False, compare=False)
    highest: float = field(init=False, repr=False, compare=False)

    @property
    @abc.abstractmethod
    def kind(self) -> SignalKind:
        """Which sensor this is."""

    @abc.abstractmethod
    def at(self, celsius: float) -> float:
        """The signal [unit] at a temperature [°C] within the range; the way back."""

    @abc.abstractmethod
    def _celsius(self, signal: Values) -> Values:
        """°C of signals that are within the range."""

    @abc.abstractmethod
    def _celsius_one(self, signal: float) -> float:
        """°C of one signal that is within the range."""

    def celsius(self, signal: Values) -> Values:
        """Temperatures [°C] of signals [unit]; at the range's end for those beyond it."""
        return self._celsius(np.clip(signal, self.lowest, self.highest))

    def celsius_one(self, signal: float) -> float:
        """Temperature [°C] of one signal [unit], as :meth:`celsius` within 1e-9 K, but faster."""
        return self._celsius_one(min(max(signal, self.lowest), self.highest))

    def outside(self, signal: Values) -> npt.NDArray[np.bool_]:
        """Which signals lie beyond the range, so that their temperature means nothing."""
        return (signal < self.lowest) | (signal > self.highest)

    def outside_one(self, signal: float) -> bool:
        """Whether one signal lies beyond the range."""
        return not self.lowest <= signal <= self.highest

    def _set_range(self, lowest_c: float, highest_c: float) -> None:
        ends = sorted((self.at(lowest_c), self.at(highest_c)))
        object.__setattr__(self, "lowest", ends[0])
        object.__setattr__(self, "highest", ends[1])


# -- platinum resistance ---------------------------------------------------------------------

#: IEC 60751: R(t) = R0 (1 + A t + B t² + C (t − 100) t³), the last term below 0 °C only.
IEC_60751_A = 3.9083e-3
IEC_60751_B = -5.775e-7
IEC_60751_C = -4.183e-12

#: The range of that equation [°C].
PLATINUM_RANGE_C = (-200.0, 850.0)

#: IEC 60751 tolerance classes: limit [K] = first + second · |t|.
PLATINUM_CLASSES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {"A": (0.15, 0.002), "B": (0.30, 0.005)}
)

#: Newton steps below 0 °C; the start is 2.4 K off at worst and the third step is below 1e-12 K.
_NEWTON_STEPS = 4


def platinum_tolerance_k(celsius: float, of_class: str) -> float:
    """How far a Pt sensor of IEC 60751 class ``A`` or ``B`` may be off at a temperature [± K]."""
    at_zero_k, per_k = PLATINUM_CLASSES[of_class]
    return at_zero_k + per_k * abs(celsius)


@dataclass(frozen=True, slots=True, kw_only=True)
class Platinum(Signal):
    """A platinum resistance thermometer by IEC 60751, −200 to 850 °C; 100 or 1000 Ω at 0 °C."""

    unit: ClassVar[str] = "Ω"
    rising: ClassVar[bool] = True

    nominal_ohm: float = 100.0

    def __post_init__(self) -> None:
        if self.nominal_ohm not in (100.0, 1000.0):
            raise SettingsError(
                f"a platinum sensor of {self.nominal_ohm:g} Ω is not known.",
                where="nominal_ohm",
                remedy="Use 100 (Pt100) or 1000 (Pt1000).",
            )
        self._set_range(*PLATINUM_RANGE_C)

    @property
    def kind(self) -> SignalKind:
        """Pt100 or Pt1000, by the resistance at 0 °C."""
        return SignalKind.PT100 if self.nominal_ohm == 100.0 else SignalKind.PT1000

    def at(self, celsius: float) -> float:
        """Resistance [Ω] at a temperature [°C]."""
        below = min(celsius, 0.0)
        return self.nominal_ohm * (
            1.0
            + celsius * (IEC_60751_A + celsius * IEC_60751_B)
            + IEC_60751_C * (below - 100.0) * below**3
        )

    def _celsius(self, signal: Values) -> Values:
        ratio = signal / self.nominal_ohm
        celsius: Values = _above_zero_c(ratio)
        cold = ratio < 1.0
        if cold.any():
            celsius[cold] = _below_zero_c(ratio[cold], celsius[cold])
        return celsius

    def _celsius_one(self, signal: float) -> float:
        ratio = signal / self.nominal_ohm
        celsius: float = _above_zero_c(ratio)
        return celsius if ratio >= 1.0 else _below_zero_c(ratio, celsius)


def _above_zero_c(ratio: Any) -> Any:
    """The quadratic of IEC 60751 solved for t; for a float or an array."""
    root = (IEC_60751_A**2 - 4.0 * IEC_60751_B * (1.0 - ratio)) ** 0.5
    return (root - IEC_60751_A) / (2.0 * IEC_60751_B)


def _below_zero_c(ratio: Any, start_c: Any) -> Any:
    """The quartic of IEC 60751 solved for t by Newton's method; for a float or an array."""
    a, b, c = IEC_60751_A, IEC_60751_B, IEC_60751_C
    t = start_c
    for _ in range(_NEWTON_STEPS):
        excess = 1.0 + t * (a + t * (b + t * c * (t - 100.0))) - ratio
        t = t - excess / (a + t * (2.0 * b + t * c * (4.0 * t - 300.0)))
    return t


# -- thermistors -----------------------------------------------------------------------------

#: What a bead thermistor stands [°C]; common practice, no source.
NTC_RANGE_C = (-60.0, 300.0)

#: The β that thermistors have [K]; makers list about 2,500 to 5,000. Common practice, no source.
BETA_RANGE_K = (500.0, 10_000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class NtcBeta(Signal):
    """A thermistor by its resistance at one temperature and its β [K], −60 to 300 °C.

    Good near the two temperatures between which β was taken, and off by up to a kelvin 25 K
    away from them; where the maker gives Steinhart-Hart coefficients, use those.
    """

    unit: ClassVar[str] = "Ω"
    rising: ClassVar[bool] = False

    nominal_ohm: float
    beta_k: float
    nominal_c: float = 25.0

    def __post_init__(self) -> None:
        _check_between("nominal_ohm", self.nominal_ohm, 1.0, 1e8, "the ohms at 25 °C, say 10000")
        _check_between("beta_k", self.beta_k, *BETA_RANGE_K, "the maker's β, such as 3977")
        _check_between("nominal_c", self.nominal_c, -50.0, 150.0, "25, unless the maker says else")
        self._set_range(*NTC_RANGE_C)

    @property
    def kind(self) -> SignalKind:
        """A thermistor given by β."""
        return SignalKind.NTC_BETA

    def at(self, celsius: float) -> float:
        """Resistance [Ω] at a temperature [°C]."""
        apart = 1.0 / (celsius + ZERO_C_K) - 1.0 / (self.nominal_c + ZERO_C_K)
        return self.nominal_ohm * math.exp(self.beta_k * apart)

    def _celsius(self, signal: Values) -> Values:
        nominal = 1.0 / (self.nominal_c + ZERO_C_K)
        return 1.0 / (nominal + np.log(signal / self.nominal_ohm) / self.beta_k) - ZERO_C_K

    def _celsius_one(self, signal: float) -> float:
        nominal = 1.0 / (self.nominal_c + ZERO_C_K)
        return 1.0 / (nominal + math.log(signal / self.nominal_ohm) / self.beta_k) - ZERO_C_K


@dataclass(frozen=True, slots=True, kw_only=True)
class NtcSteinhartHart(Signal):
    """A thermistor by Steinhart and Hart's equation, x = ln(R / ``reference_ohm``).

    Three ``coefficients`` A, B, C mean 1/T = A + B x + C x³ (then the reference is usually
    1 Ω); four mean 1/T = A + B x + C x² + D x³ (then it is usually the resistance at 25 °C).
    The range is ``lowest_c`` to ``highest_c``; raises ``SettingsError`` unless the resistance
    falls steadily all the way, and about as fast as an NTC's does.
    """

    unit: ClassVar[str] = "Ω"
    rising: ClassVar[bool] = False

    coefficients: tuple[float, ...]
    reference_ohm: float = 1.0
    lowest_c: float = NTC_RANGE_C[0]
    highest_c: float = NTC_RANGE_C[1]

    def __post_init__(self) -> None:
        if len(self.coefficients) not in (3, 4) or not all(map(math.isfinite, self.coefficients)):
            raise SettingsError(
                "Steinhart-Hart takes 3 or 4 coefficients.",
                where="coefficients",
                remedy="Give A, B, C of 1/T = A + B ln R + C (ln R)³, or A1, B1, C1, D1.",
            )
        _check_between("reference_ohm", self.reference_ohm, 1e-3, 1e8, "1, or the ohms at 25 °C")
        _check_between("lowest_c", self.lowest_c, -200.0, 500.0, "such as -40")
        _check_between("highest_c", self.highest_c, self.lowest_c, 500.0, "more than lowest_c")
        hot, cold = self._log_at(self.highest_c), self._log_at(self.lowest_c)
        if hot is None or cold is None or not self._falls_between(hot, cold):
            raise SettingsError(
                f"with these coefficients the resistance does not fall as an NTC's does"
                f" from {self.lowest_c:g} to {self.highest_c:g} °C.",
                where="coefficients",
                remedy="Check digits, order and reference_ohm, or give a smaller range.",
            )
        self._set_range(self.lowest_c, self.highest_c)

    @property
    def kind(self) -> SignalKind:
        """A thermistor given by Steinhart-Hart coefficients."""
        return SignalKind.NTC_STEINHART_HART

    @property
    def powers(self) -> tuple[float, float, float, float]:
        """Coefficients of x⁰, x¹, x² and x³."""
        if len(self.coefficients) == 3:
            a, b, d = self.coefficients
            return a, b, 0.0, d
        a, b, c, d = self.coefficients
        return a, b, c, d

    def at(self, celsius: float) -> float:
        """Resistance [Ω] at a temperature [°C] within the range."""
        found = self._log_at(celsius)
        if found is None:
            raise ValueError(f"{celsius} °C is outside the range of this thermistor")
        return self.reference_ohm * math.exp(found)

    def _log_at(self, celsius: float) -> float | None:
        """The one x at which the temperature is that and the resistance falls; None if none is."""
        a, b, c, d = self.powers
        roots = np.roots([d, c, b, a - 1.0 / (celsius + ZERO_C_K)])
        real = [float(root.real) for root in roots if abs(root.imag) < 1e-9 * (1 + abs(root))]
        falling = [x for x in real if b + x * (2.0 * c + x * 3.0 * d) > 0.0]
        return falling[0] if len(falling) == 1 else None

    def _falls_between(self, hot: float, cold: float) -> bool:
        """Whether β, the slope of x over 1/T, is an NTC's at every x between."""
        _, b, c, d = self.powers
        x = np.linspace(hot, cold, 1_001)
        per_x = b + x * (2.0 * c + x * 3.0 * d)
        low_k, high_k = BETA_RANGE_K
        return hot < cold and bool(np.all((per_x > 1.0 / high_k) & (per_x < 1.0 / low_k)))

    def _celsius(self, signal: Values) -> Values:
        a, b, c, d = self.powers
        x = np.log(signal / self.reference_ohm)
        return 1.0 / (a + x * (b + x * (c + x * d))) - ZERO_C_K

    def _celsius_one(self, signal: float) -> float:
        a, b, c, d = self.powers
        x = math.log(signal / self.reference_ohm)
        return 1.0 / (a + x * (b + x * (c + x * d))) - ZERO_C_K


def _check_between(key: str, value: float, low: float, high: float, example: str) -> None:
    if not low <= value <= high:
        raise SettingsError(f"{value:g} cannot be.", where=key, remedy=f"Give {example}.")


# -- type K ----------------------------------------------------------------------------------

#: The range of NIST's inverse of type K [°C]; below it the voltage hardly changes any more.
TYPE_K_RANGE_C = (-200, 1372)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypeK(Signal):
    """A type-K thermocouple by ITS-90, −200 to 1372 °C, terminals at ``cold_junction_c``.

    Give 0 °C when the sender's electronics have compensated to the ice point already. Each
    kelvin by which the terminals are warmer than said shows as a kelvin too little.
    """

    unit: ClassVar[str] = "mV"
    rising: ClassVar[bool] = True

    cold_junction_c: float

    def __post_init__(self) -> None:
        _check_between(
            "cold_junction_c", self.cold_junction_c, -40.0, 125.0, "the °C at the terminals"
        )
        self._set_range(*TYPE_K_RANGE_C)

    @property
    def kind(self) -> SignalKind:
        """A type-K thermocouple."""
        return SignalKind.TYPE_K

    def at(self, celsius: float) -> float:
        """Voltage at the terminals [mV] with the hot junction at a temperature [°C]."""
        return _type_k_mv(celsius) - _type_k_mv(self.cold_junction_c)

    def _celsius(self, signal: Values) -> Values:
        voltages, slopes = _type_k_arrays()
        total = signal + _type_k_mv(self.cold_junction_c)
        i = np.clip(np.searchsorted(voltages, total, side="right") - 1, 0, len(voltages) - 2)
        celsius: Values = (
            TYPE_K_RANGE_C[0]
            + i
            + _between(total - voltages[i], voltages[i + 1] - voltages[i], slopes[i], slopes[i + 1])
        )
        return celsius

    def _celsius_one(self, signal: float) -> float:
        voltages, slopes = _type_k_table()
        total = signal + _type_k_mv(self.cold_junction_c)
        i = min(max(bisect.bisect_right(voltages, total) - 1, 0), len(voltages) - 2)
        part: float = _between(
            total - voltages[i], voltages[i + 1] - voltages[i], slopes[i], slopes[i + 1]
        )
        return TYPE_K_RANGE_C[0] + i + part


def _between(past: Any, height: Any, slope: Any, next_slope: Any) -> Any:
    """Cubic Hermite between table rows 1 K apart: kelvins past the lower row.

    ``past`` and ``height`` [mV] from the lower row, slopes [K/mV] at both. Within 1e-7 K of
    the library's own inversion (Newton on the exact function), at a hundredth of its time.
    """
    x = past / height
    back = x - 1.0
    return x * x * (3.0 - 2.0 * x) + height * x * back * (back * slope + x * next_slope)


@cache
def _type_k_table() -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Per whole °C of the range: voltage [mV] and dT/dE [K/mV], from thermocouple-its90."""
    from thermocouple_its90 import TypeK as Its90

    degrees = range(TYPE_K_RANGE_C[0], TYPE_K_RANGE_C[1] + 1)
    return (
        tuple(Its90.emf(float(t)) for t in degrees),
        tuple(1.0 / Its90.seebeck(float(t)) for t in degrees),
    )


@cache
def _type_k_arrays() -> tuple[Values, Values]:
    voltages, slopes = _type_k_table()
    return np.array(voltages), np.array(slopes)


@cache
def _type_k_mv(celsius: float) -> float:
    """ITS-90 voltage of type K against the ice point [mV] (NIST SRD 60)."""
    from thermocouple_its90 import TypeK as Its90

    return Its90.emf(celsius)


# -- from settings ---------------------------------------------------------------------------

#: Which settings each kind takes; those in the second place may be left out.
PARAMETERS: Mapping[SignalKind, tuple[tuple[str, ...], tuple[str, ...]]] = MappingProxyType(
    {
        SignalKind.PT100: ((), ()),
        SignalKind.PT1000: ((), ()),
        SignalKind.NTC_BETA: (("nominal_ohm", "beta_k"), ("nominal_c",)),
        SignalKind.NTC_STEINHART_HART: (
            ("coefficients",),
            ("reference_ohm", "lowest_c", "highest_c"),
        ),
        SignalKind.TYPE_K: (("cold_junction_c",), ()),
    }
)


def signal_of(kind: SignalKind, parameters: Mapping[str, Any]) -> Signal:
    """The signal of that kind with parameters from settings: numbers, or a list of numbers.

    Raises ``SettingsError`` with the parameter's name in ``where`` for one that is missing,
    not known, of the wrong kind or out of range.
    """
    needed, optional = PARAMETERS[kind]
    for key in needed:
        if key not in parameters:
            raise SettingsError(f"{kind.value} needs {key}.", where=key, remedy=f"Add {key}.")
    for key, value in parameters.items():
        if key not in (*needed, *optional):
            known = ", ".join((*needed, *optional)) or "nothing else"
            raise SettingsError(
                f"{kind.value} takes no {key}.", where=key, remedy=f"It takes {known}."
            )
        _check_type(key, value)
    given = {k: tuple(v) if k == "coefficients" else float(v) for k, v in parameters.items()}
    return _build(kind, given)


def _build(kind: SignalKind, given: Mapping[str, Any]) -> Signal:
    match kind:
        case SignalKind.PT100:
            return Platinum(nominal_ohm=100.0)
        case SignalKind.PT1000:
            return Platinum(nominal_ohm=1000.0)
        case SignalKind.NTC_BETA:
            return NtcBeta(**given)
        case SignalKind.NTC_STEINHART_HART:
            return NtcSteinhartHart(**given)
        case SignalKind.TYPE_K:
            return TypeK(**given)


def _check_type(key: str, value: object) -> None:
    numbers = value if key == "coefficients" else [value]
    if not isinstance(numbers, list | tuple) or not all(
        type(number) in (int, float) for number in numbers
    ):
        wanted = "a list of numbers" if key == "coefficients" else "a number"
        raise SettingsError(f"{value!r} is not {wanted}.", where=key, remedy=f"Write {wanted}.")
