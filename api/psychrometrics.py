"""Moisture of air from its temperature and relative humidity. Pure.

=====================  =======================================================  =======
word                   meaning                                                  unit
=====================  =======================================================  =======
relative humidity      vapour pressure over saturation pressure over water      %RH
saturation pressure    of water vapour, over liquid water or over ice           hPa
dew point              where the air would be saturated over liquid water       °C
frost point            where it would be saturated over ice; above the dew      °C
                       point, and meaningful below 0 °C only
absolute humidity      mass of vapour in a volume of moist air                  g/m³
humidity ratio         mass of vapour on a mass of dry air                      kg/kg
=====================  =======================================================  =======

Formulas: WMO Guide No. 8, Annex 4.B (Magnus form), without the enhancement factor. Over water
within 0.3 % of IAPWS-95 from 0 to 35 °C; in a chamber at 60 to 80 °C it reads 0.2 to 1.1 %
high. Every function takes a number or an array. Relative humidity is always over water, also
below 0 °C, as sensors report it; below zero it has no meaning and gives NaN.
"""

from __future__ import annotations

from typing import Any, TypeVar, overload

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: One number or an array of them.
Value = TypeVar("Value", float, Floats)

#: Magnus coefficients: pressure at 0 °C [hPa], factor, offset [°C] over water (WMO No. 8).
_WATER = (6.112, 17.62, 243.12)
#: The same over ice, -65 to 0 °C (WMO No. 8, from memory).
_ICE = (6.112, 22.46, 272.62)

#: 100 over the gas constant of water vapour, 461.5 J/(kg K): g/m³ from hPa and K.
_GRAMS = 216.679
#: Molar mass of water over that of dry air (ASHRAE Handbook Fundamentals 2017, ch. 1).
_MASS_RATIO = 0.621945
STANDARD_PRESSURE_HPA = 1013.25
ZERO_K = 273.15


def saturation_hpa(temperature_c: Value) -> Value:
    """Saturation pressure over liquid water [hPa], -45 to 60 °C (WMO No. 8, Annex 4.B)."""
    return _magnus(temperature_c, _WATER)


def saturation_over_ice_hpa(temperature_c: Value) -> Value:
    """Saturation pressure over ice [hPa], -65 to 0 °C (WMO No. 8, Annex 4.B)."""
    return _magnus(temperature_c, _ICE)


def vapour_hpa(temperature_c: Value, humidity_pct: Value) -> Value:
    """Vapour pressure [hPa] of air at a temperature [°C] and relative humidity [%RH]."""
    share: Any = np.where(np.asarray(humidity_pct) >= 0, humidity_pct, np.nan) / 100
    return _like(temperature_c, saturation_hpa(temperature_c) * share)


def dew_point_c(temperature_c: Value, humidity_pct: Value) -> Value:
    """Dew point over liquid water [°C]; never above the air, NaN for perfectly dry air."""
    point = _magnus_back(vapour_hpa(temperature_c, humidity_pct), _WATER)
    return _like(temperature_c, np.minimum(point, temperature_c))


def frost_point_c(temperature_c: Value, humidity_pct: Value) -> Value:
    """Frost point [°C]: where rime forms; NaN where it would lie above 0 °C, there is none."""
    point = _magnus_back(vapour_hpa(temperature_c, humidity_pct), _ICE)
    return _like(temperature_c, np.where(point <= 0, point, np.nan))


def humidity_from_dew_point_pct(temperature_c: Value, dew_point_c: Value) -> Value:
    """Relative humidity [%RH] of air whose dew point over water is known [°C]."""
    return _like(temperature_c, 100 * saturation_hpa(dew_point_c) / saturation_hpa(temperature_c))


def absolute_humidity_g_m3(temperature_c: Value, humidity_pct: Value) -> Value:
    """Mass of vapour in a cubic metre of the air [g/m³], as an ideal gas (WMO No. 8)."""
    pressure = vapour_hpa(temperature_c, humidity_pct)
    return _like(temperature_c, _GRAMS * pressure / (temperature_c + ZERO_K))


def humidity_ratio(
    temperature_c: Value, humidity_pct: Value, pressure_hpa: float = STANDARD_PRESSURE_HPA
) -> Value:
    """Vapour on dry air [kg/kg] at an air pressure [hPa] (ASHRAE Fundamentals 2017, ch. 1)."""
    vapour = vapour_hpa(temperature_c, humidity_pct)
    return _like(temperature_c, _MASS_RATIO * vapour / (pressure_hpa - vapour))


def _magnus(temperature_c: Value, coefficients: tuple[float, float, float]) -> Value:
    at_zero, factor, offset = coefficients
    return _like(temperature_c, at_zero * np.exp(factor * temperature_c / (offset + temperature_c)))


def _magnus_back(pressure_hpa: Value, coefficients: tuple[float, float, float]) -> Value:
    """The temperature [°C] at which a pressure saturates: the exact inverse of `_magnus`."""
    at_zero, factor, offset = coefficients
    wet: Any = np.where(np.asarray(pressure_hpa) > 0, pressure_hpa, np.nan)
    power = np.log(wet / at_zero)
    return _like(pressure_hpa, offset * power / (factor - power))


@overload
def _like(example: float, result: Any) -> float: ...
@overload
def _like(example: Floats, result: Any) -> Floats: ...
def _like(example: float | Floats, result: Any) -> float | Floats:
    """A plain number where a number was given, an array where an array was."""
    return np.asarray(result) if isinstance(example, np.ndarray) else float(result)
