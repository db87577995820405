"""Moisture of air against published tables, a reference library and a real recording."""

from __future__ import annotations

import csv
import math

import numpy as np
import psychrolib  # type: ignore[import-untyped]
import pytest

from api.psychrometrics import (
    absolute_humidity_g_m3,
    dew_point_c,
    frost_point_c,
    humidity_from_dew_point_pct,
    humidity_ratio,
    saturation_hpa,
    saturation_over_ice_hpa,
    vapour_hpa,
)
from tests.recordings import recording

psychrolib.SetUnitSystem(psychrolib.SI)

#: °C, hPa by the formula itself, hPa by IAPWS-95 (Wagner and Pruß).
SATURATION = [
    (5, 8.7174, 8.7253),
    (10, 12.2603, 12.2811),
    (15, 17.0167, 17.0568),
    (20, 23.3260, 23.3919),
    (25, 31.6006, 31.6982),
    (30, 42.3372, 42.4692),
    (40, 73.6746, 73.8511),
    (60, 199.9329, 199.4738),
    (80, 479.4885, 474.1578),
]

#: °C, %RH, dew point by Magnus, dew or frost point by PsychroLib, g/m³ by Magnus, g/m³ by
#: PsychroLib's vapour pressure over 461.5 T, humidity ratio by PsychroLib at 101.325 kPa.
MOISTURE = [
    (5, 90, 3.495, 3.498, 6.1118, 6.1172, 0.004858),
    (15, 30, -2.459, -2.141, 3.8388, 3.8474, 0.003156),
    (18, 65, 11.319, 11.330, 9.9609, 9.9861, 0.008347),
    (20, 40, 5.980, 6.004, 6.8965, 6.9150, 0.005796),
    (22, 45, 9.515, 9.534, 8.7129, 8.7374, 0.007392),
    (25, 50, 13.852, 13.864, 11.4828, 11.5164, 0.009881),
    (25, 100, 25.000, 25.000, 22.9656, 23.0327, 0.020081),
    (30, 70, 23.927, 23.928, 21.1826, 21.2448, 0.018795),
    (35, 20, 8.688, 8.707, 7.8935, 7.9147, 0.006986),
]


@pytest.mark.parametrize(("temperature", "magnus", "iapws"), SATURATION)
def test_saturation_pressure(temperature: float, magnus: float, iapws: float) -> None:
    # WMO Guide No. 8, Annex 4.B; the reference is IAPWS-95.
    assert saturation_hpa(temperature) == pytest.approx(magnus, abs=5e-5)
    tolerance = 4e-3 if temperature <= 60 else 12e-3
    assert saturation_hpa(temperature) == pytest.approx(iapws, rel=tolerance)


@pytest.mark.parametrize(
    ("temperature", "pascal"),
    [(-20, 103.24), (-5, 401.74), (5, 872.6), (25, 3169.7), (50, 12351.3)],
)
def test_saturation_in_the_ashrae_table(temperature: float, pascal: float) -> None:
    # ASHRAE Handbook Fundamentals 2017, ch. 1, table 3: over ice below 0 °C.
    ours = saturation_hpa if temperature >= 0 else saturation_over_ice_hpa
    assert ours(float(temperature)) * 100 == pytest.approx(pascal, rel=4e-3)


@pytest.mark.parametrize(("t", "rh", "magnus", "library", "grams", "grams_library", "w"), MOISTURE)
def test_dew_point_absolute_humidity_and_ratio(
    t: float, rh: float, magnus: float, library: float, grams: float, grams_library: float, w: float
) -> None:
    assert dew_point_c(t, rh) == pytest.approx(magnus, abs=6e-4)
    assert absolute_humidity_g_m3(t, rh) == pytest.approx(grams, rel=1e-4)
    assert absolute_humidity_g_m3(t, rh) == pytest.approx(grams_library, rel=1e-2)
    assert humidity_ratio(t, rh) == pytest.approx(w, rel=5e-3)
    # PsychroLib 2.5 (ASHRAE) gives the frost point below 0 °C and the dew point above.
    assert psychrolib.GetTDewPointFromRelHum(t, rh / 100) == pytest.approx(library, abs=6e-4)
    point = dew_point_c(t, rh) if library >= 0 else frost_point_c(t, rh)
    assert point == pytest.approx(library, abs=0.05)


def test_a_hot_chamber_lies_within_what_the_formula_is_good_for() -> None:
    # 60 °C, 10 %: Magnus 17.532 °C and 13.0035 g/m³, PsychroLib 17.453 °C and 12.9717 g/m³.
    assert dew_point_c(60.0, 10.0) == pytest.approx(17.532, abs=6e-4)
    assert dew_point_c(60.0, 10.0) == pytest.approx(17.453, abs=0.1)
    assert absolute_humidity_g_m3(60.0, 10.0) == pytest.approx(13.0035, rel=1e-4)
    assert absolute_humidity_g_m3(60.0, 10.0) == pytest.approx(12.9717, rel=1e-2)


@pytest.mark.parametrize(
    ("temperature", "ratio"), [(5.0, 0.005425), (25.0, 0.020173), (50.0, 0.086863)]
)
def test_humidity_ratio_at_saturation_in_the_ashrae_table(temperature: float, ratio: float) -> None:
    # ASHRAE Handbook Fundamentals 2017, ch. 1, table 2, at 101.325 kPa.
    assert humidity_ratio(temperature, 100.0) == pytest.approx(ratio, rel=1e-2)


def test_dew_point_and_frost_point_are_told_apart() -> None:
    # 15 °C, 30 %RH: 0.32 K apart.
    dew, frost = dew_point_c(15.0, 30.0), frost_point_c(15.0, 30.0)
    assert frost - dew == pytest.approx(0.32, abs=0.05)
    assert math.isnan(frost_point_c(25.0, 50.0))


@pytest.mark.parametrize("temperature", [-30.0, -0.1, 0.0, 12.3, 25.0, 60.0])
def test_saturated_air_is_at_its_dew_point(temperature: float) -> None:
    assert dew_point_c(temperature, 100.0) == pytest.approx(temperature, abs=1e-9)
    assert dew_point_c(temperature, 100.0) <= temperature
    assert dew_point_c(temperature, 101.5) == temperature


def test_published_points_of_a_sensor_maker() -> None:
    # Vaisala humidity conversion formulas (from memory): 40 °C, 50 % -> 27.59 °C and
    # 20 °C, 80 % -> 13.82 g/m³, with other coefficients than ours.
    assert dew_point_c(40.0, 50.0) == pytest.approx(27.59, abs=0.05)
    assert absolute_humidity_g_m3(20.0, 80.0) == pytest.approx(13.82, rel=1e-2)


def test_ashrae_example_one() -> None:
    # 40 °C dry, 20 °C wet at 101.325 kPa: W 0.0065, dew point 7 °C, RH 14 %. Half a per cent
    # of rounding in RH is 0.00023 in W.
    assert humidity_ratio(40.0, 14.0) == pytest.approx(0.0065, abs=2.3e-4)
    assert dew_point_c(40.0, 14.0) == pytest.approx(7, abs=0.5)


def test_humidity_and_dew_point_are_inverse() -> None:
    t = np.linspace(-30, 60, 50)
    rh = np.linspace(1, 100, 50)
    assert humidity_from_dew_point_pct(t, dew_point_c(t, rh)) == pytest.approx(rh, rel=1e-12)


def test_dry_and_impossible_air_has_no_dew_point() -> None:
    assert math.isnan(dew_point_c(20.0, 0.0))
    assert absolute_humidity_g_m3(20.0, 0.0) == 0
    assert math.isnan(vapour_hpa(20.0, -1.0))
    assert math.isnan(dew_point_c(math.nan, 50.0))
    column = dew_point_c(np.array([20.0, 20.0]), np.array([50.0, -3.0]))
    assert np.isnan(column).tolist() == [False, True]


@pytest.mark.recordings
def test_office_recording_against_its_own_humidity_ratio() -> None:
    # Candanedo and Feldheim (2016) give the ratio of each row by themselves.
    with recording("room_climate_office_1min.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2_665
    t = np.array([float(row["Temperature"]) for row in rows])
    rh = np.array([float(row["Humidity"]) for row in rows])
    published = np.array([float(row["HumidityRatio"]) for row in rows])
    ours = humidity_ratio(t, rh)
    assert ours == pytest.approx(published, rel=4e-3)
    library = [
        psychrolib.GetHumRatioFromRelHum(a, b / 100, 101_325) for a, b in zip(t, rh, strict=True)
    ]
    assert library == pytest.approx(published, rel=1e-4)
    assert ours == pytest.approx(np.array(library), rel=4e-3)
