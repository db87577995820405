"""Ice and boiling water, against IAPWS-IF97, the standard atmosphere and PsychroLib."""

from __future__ import annotations

import math

import psychrolib  # type: ignore[import-untyped]
import pytest

from collector.errors import InvalidError
from collector.fixed_points import (
    air_pressure_hpa,
    boiling_c,
    boiling_point,
    correction_from,
    ice_point,
    saturation_k,
)


@pytest.mark.parametrize(
    ("pressure_mpa", "kelvins"), [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)]
)
def test_saturation_line_gives_the_verification_values(pressure_mpa: float, kelvins: float) -> None:
    # IAPWS R7-97(2012), table 36.
    assert saturation_k(pressure_mpa) == pytest.approx(kelvins, abs=5e-7)


@pytest.mark.parametrize(
    ("pressure_hpa", "celsius"),
    # Steam table, rounded as printed (from memory): 0.5, 0.7, 0.8, 0.9, 1.0, 1.01325 bar.
    [
        (500, 81.32),
        (700, 89.93),
        (800, 93.49),
        (900, 96.69),
        (1000, 99.61),
        (1013.25, 99.97),
    ],
)
def test_boiling_point_is_that_of_the_steam_table(pressure_hpa: float, celsius: float) -> None:
    assert boiling_c(pressure_hpa) == pytest.approx(celsius, abs=0.006)


@pytest.mark.parametrize("pressure_hpa", [600.0, 800.0, 950.0, 1013.25, 1050.0])
def test_boiling_point_is_that_of_psychrolib(pressure_hpa: float) -> None:
    # PsychroLib 2.5 (ASHRAE Handbook 2017 ch. 1 eq. 6): its pressure at our temperature.
    psychrolib.SetUnitSystem(psychrolib.SI)
    found_pa = psychrolib.GetSatVapPres(boiling_c(pressure_hpa))
    assert found_pa == pytest.approx(100 * pressure_hpa, rel=3e-4)


@pytest.mark.parametrize(
    ("height_m", "hpa"),
    # ISO 2533 / US standard atmosphere 1976 by geometric height (from memory).
    [(0, 1013.25), (500, 954.61), (1_000, 898.76), (2_000, 795.01), (5_000, 540.48)],
)
def test_standard_atmosphere(height_m: float, hpa: float) -> None:
    assert air_pressure_hpa(height_m) == pytest.approx(hpa, abs=0.01)


@pytest.mark.parametrize("height_m", [-100.0, 250.0, 1_500.0, 3_000.0])
def test_standard_atmosphere_of_psychrolib(height_m: float) -> None:
    # PsychroLib 2.5 GetStandardAtmPressure, the rounded formula of ASHRAE.
    psychrolib.SetUnitSystem(psychrolib.SI)
    found_pa = psychrolib.GetStandardAtmPressure(height_m)
    assert air_pressure_hpa(height_m) == pytest.approx(found_pa / 100, rel=3e-4)


def test_a_guided_calibration_in_a_town_at_500_m() -> None:
    ice = ice_point(0.4)
    boiling = boiling_point(97.6, height_m=500.0)
    assert ice.true_c == 0.0
    assert boiling.true_c == pytest.approx(98.32, abs=0.02)
    assert boiling.uncertainty_k > boiling_point(97.6, pressure_hpa=954.6).uncertainty_k
    correction = correction_from([boiling, ice], 1_000, "kettle and ice")
    assert correction.from_ms == 1_000
    assert correction.apply_one(0.4) == 0.0
    assert correction.apply_one(97.6) == pytest.approx(boiling.true_c, abs=1e-9)


def test_the_pressure_of_a_weather_report_is_brought_to_the_height() -> None:
    low = boiling_point(97.6, height_m=500.0, sea_level_hpa=990.0)
    at_place = boiling_point(97.6, pressure_hpa=954.61 * 990.0 / 1013.25)
    assert low.true_c == pytest.approx(at_place.true_c, abs=1e-3)
    assert (
        at_place.uncertainty_k < low.uncertainty_k < boiling_point(98, height_m=500.0).uncertainty_k
    )
    # Taking the report's figure as the one at the place would be 1.6 K too much.
    assert boiling_c(990.0) - low.true_c == pytest.approx(1.6, abs=0.1)


@pytest.mark.parametrize(
    ("given", "where"),
    [
        ({}, "pressure_hpa"),
        ({"pressure_hpa": 1000.0, "height_m": 100.0}, "pressure_hpa"),
        ({"pressure_hpa": 1.013}, "pressure_hpa"),
        ({"pressure_hpa": math.nan}, "pressure_hpa"),
        ({"height_m": 9_000.0}, "height_m"),
        ({"height_m": 100.0, "sea_level_hpa": 1.013}, "sea_level_hpa"),
        ({"height_m": 100.0, "sea_level_hpa": 0.0}, "sea_level_hpa"),
        ({"pressure_hpa": 1000.0, "sea_level_hpa": 1013.0}, "sea_level_hpa"),
    ],
)
def test_a_place_that_makes_no_sense_is_refused(given: dict[str, float], where: str) -> None:
    with pytest.raises(InvalidError) as caught:
        boiling_point(99.0, **given)
    assert caught.value.where == where


@pytest.mark.parametrize("read_c", [-16.0, 40.0, math.nan])
def test_a_sensor_that_was_not_in_the_ice_is_refused(read_c: float) -> None:
    with pytest.raises(InvalidError, match="too far off"):
        ice_point(read_c)
