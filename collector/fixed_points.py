"""Guided calibration at two temperatures that nature gives: melting ice and boiling water. Pure.

The ice point is 0 °C. Water boils where its saturation pressure equals the air's, so the
boiling point is asked for with the air pressure at the place, or with its height.

Boiling water and its steam scald. Whoever shows these steps also says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from collector.calibration import Correction
from collector.errors import InvalidError

#: ISO 2533 (ICAO standard atmosphere), lowest layer.
SEA_LEVEL_HPA = 1013.25
_SEA_LEVEL_K = 288.15
_LAPSE_K_M = 0.0065
_EARTH_RADIUS_M = 6_356_766.0
_EXPONENT: float = 9.80665 / (287.05287 * _LAPSE_K_M)

#: Heights for which a boiling point is worked out [m].
HEIGHT_RANGE_M = (-500.0, 5_000.0)

#: Air pressures for which a boiling point is worked out [hPa]; lower than on any inhabited height.
PRESSURE_RANGE_HPA = (500.0, 1_090.0)

#: How far a sensor may read from a fixed point before we doubt the point [K].
MOST_ERROR_K = 15.0

#: Ice water that is stirred and made from tap water; common practice, no source [± K].
ICE_UNCERTAINTY_K = 0.1

#: A household barometer, 2 hPa off [± K]; and weather of ±20 hPa about the standard [± K].
BAROMETER_UNCERTAINTY_K = 0.1
WEATHER_UNCERTAINTY_K = 0.6

#: Air 15 K warmer or colder than the standard between sea level and the place [± K per m].
COLUMN_UNCERTAINTY_K_M = 2e-4


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A pair for a correction: what the sensor read and what was true [°C], within ± K."""

    read_c: float
    true_c: float
    uncertainty_k: float


def ice_point(read_c: float) -> FixedPoint:
    """The pair of a sensor in stirred ice water; ``InvalidError`` when it is 15 K off."""
    return _checked(FixedPoint(read_c, 0.0, ICE_UNCERTAINTY_K), "ice water")


def boiling_point(
    read_c: float,
    *,
    pressure_hpa: float | None = None,
    height_m: float | None = None,
    sea_level_hpa: float | None = None,
) -> FixedPoint:
    """The pair of a sensor in boiling water.

    Give the air pressure at the place [hPa], or the height [m]. With the height, the pressure
    that weather reports give (reduced to sea level [hPa]) makes it nearly as good as a
    barometer; without it the standard atmosphere is taken, and the weather makes it ±0.6 K.

    Raises ``InvalidError`` when the place is given twice or not at all, is out of range, or
    the sensor is 15 K off.
    """
    if (pressure_hpa is None) == (height_m is None):
        raise InvalidError(
            "the boiling point needs either the air pressure or the height.",
            where="pressure_hpa",
            remedy="Give hPa as a barometer at the place shows it, or metres above sea level.",
        )
    if height_m is None:
        if sea_level_hpa is not None:
            raise InvalidError(
                "a pressure at sea level says nothing without the height.",
                where="sea_level_hpa",
                remedy="Give the height instead of the pressure at the place.",
            )
        assert pressure_hpa is not None
        return _boiling(read_c, pressure_hpa, BAROMETER_UNCERTAINTY_K)
    column_k = COLUMN_UNCERTAINTY_K_M * abs(height_m)
    if sea_level_hpa is None:
        return _boiling(read_c, air_pressure_hpa(height_m), WEATHER_UNCERTAINTY_K + column_k)
    at_place_hpa = air_pressure_hpa(height_m, sea_level_hpa=sea_level_hpa)
    return _boiling(read_c, at_place_hpa, BAROMETER_UNCERTAINTY_K + column_k)


def correction_from(points: Iterable[FixedPoint], from_ms: int, note: str = "") -> Correction:
    """The correction through one or more fixed points, valid from a time [ms since 1970 UTC]."""
    pairs = sorted((point.read_c, point.true_c) for point in points)
    return Correction(from_ms, tuple(pairs), note)


def air_pressure_hpa(height_m: float, *, sea_level_hpa: float = SEA_LEVEL_HPA) -> float:
    """Air pressure [hPa] at a height above sea level [m], −500 to 5,000 m (ISO 2533).

    With another pressure at sea level than the standard one the result is scaled by it. The
    day's temperature is left out: 15 K off the standard makes 3 hPa, 0.1 K, at 500 m.
    """
    low, high = HEIGHT_RANGE_M
    if not low <= height_m <= high:
        raise InvalidError(
            f"a height of {height_m:g} m cannot be used.",
            where="height_m",
            remedy=f"Give metres above sea level, {low:g} to {high:,.0f}.",
        )
    if not 900.0 <= sea_level_hpa <= 1_090.0:
        raise InvalidError(
            f"{sea_level_hpa:g} hPa is no air pressure at sea level.",
            where="sea_level_hpa",
            remedy="Give it in hPa, such as 1013.",
        )
    geopotential_m = _EARTH_RADIUS_M * height_m / (_EARTH_RADIUS_M + height_m)
    return sea_level_hpa * math.pow(1.0 - _LAPSE_K_M * geopotential_m / _SEA_LEVEL_K, _EXPONENT)


def boiling_c(pressure_hpa: float) -> float:
    """Temperature [°C] at which pure water boils under an air pressure [hPa], 500 to 1,090 hPa."""
    low, high = PRESSURE_RANGE_HPA
    if not low <= pressure_hpa <= high:
        raise InvalidError(
            f"{pressure_hpa:g} hPa is no air pressure that can be used.",
            where="pressure_hpa",
            remedy=f"Give it in hPa, {low:g} to {high:,.0f}; 1 bar is 1000.",
        )
    return saturation_k(pressure_hpa / 10_000.0) - 273.15


#: IAPWS R7-97(2012), industrial formulation 1997, table 34: the saturation line.
_N = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def saturation_k(pressure_mpa: float) -> float:
    """Temperature [K] at which water and steam are in balance at a pressure [MPa].

    IAPWS R7-97 section 8.2, the backward equation (31), 0.000611213 to 22.064 MPa.
    """
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = _N
    beta = math.sqrt(math.sqrt(pressure_mpa))
    e = beta * beta + n3 * beta + n6
    f = n1 * beta * beta + n4 * beta + n7
    g = n2 * beta * beta + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f * f - 4.0 * e * g))
    return (n10 + d - math.sqrt((n10 + d) * (n10 + d) - 4.0 * (n9 + n10 * d))) / 2.0


def _boiling(read_c: float, pressure_hpa: float, uncertainty_k: float) -> FixedPoint:
    return _checked(FixedPoint(read_c, boiling_c(pressure_hpa), uncertainty_k), "boiling water")


def _checked(point: FixedPoint, place: str) -> FixedPoint:
    # Written this way round so that NaN is refused as well.
    if not abs(point.read_c - point.true_c) <= MOST_ERROR_K:
        raise InvalidError(
            f"{point.read_c:g} °C in {place} at {point.true_c:.2f} °C is too far off.",
            where="read_c",
            remedy=f"Let the sensor stay in {place} until it is steady; if it still reads this,"
            " it is broken or its signal is set up wrongly.",
        )
    return point
