"""Ohms and millivolts to degrees, against the tables of the standards and makers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from thermocouple_its90 import TypeK as Its90

from collector.errors import SettingsError
from collector.signals import (
    NtcBeta,
    NtcSteinhartHart,
    Platinum,
    Signal,
    SignalKind,
    TypeK,
    platinum_tolerance_k,
    signal_of,
)

#: 10 kΩ, B25/85 3977, extended Steinhart-Hart coefficients of its maker (checks.md 5, from memory).
BEAD = NtcSteinhartHart(
    coefficients=(3.354016e-3, 2.569850e-4, 2.620131e-6, 6.383091e-8), reference_ohm=10_000.0
)

EVERY: tuple[Signal, ...] = (
    Platinum(),
    Platinum(nominal_ohm=1000.0),
    NtcBeta(nominal_ohm=10_000.0, beta_k=3977.0),
    NtcSteinhartHart(coefficients=(1.129148e-3, 2.34125e-4, 8.76741e-8)),
    BEAD,
    TypeK(cold_junction_c=0.0),
    TypeK(cold_junction_c=25.0),
)
every_signal = pytest.mark.parametrize("signal", EVERY, ids=repr)


def celsius(signal: Signal, *values: float) -> list[float]:
    found: list[float] = signal.celsius(np.array(values)).tolist()
    return found


# -- platinum --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_c", "ohm"),
    # IEC 60751 as printed by five makers (checks.md 5); the table has two digits, these four
    # follow from its equation.
    [
        (-200, 18.5201),
        (-160, 35.54),  # one maker misprints 35.34
        (-100, 60.2558),
        (-50, 80.3063),
        (0, 100.0),
        (10, 103.9025),
        (20, 107.7935),
        (25, 109.7347),
        (30, 111.6729),
        (50, 119.3971),
        (60, 123.2419),
        (80, 130.8968),
        (100, 138.5055),
        (150, 157.3251),
        (200, 175.8560),
        (400, 247.0920),
        (500, 280.9775),
    ],
)
def test_platinum_table(at_c: float, ohm: float) -> None:
    within = 0.005 if at_c == -160 else 5e-5
    assert Platinum().at(at_c) == pytest.approx(ohm, abs=within)
    assert Platinum(nominal_ohm=1000.0).at(at_c) == pytest.approx(10 * ohm, abs=10 * within)
    assert celsius(Platinum(), ohm) == pytest.approx([at_c], abs=within / 0.3)


def test_platinum_inverse_of_rounded_table_values() -> None:
    # checks.md 5.
    assert celsius(Platinum(), 119.40, 138.51) == pytest.approx([50.0075, 100.0119], abs=5e-5)


@pytest.mark.parametrize(
    ("at_c", "class_a_k", "class_b_k"), [(0, 0.15, 0.30), (60, 0.27, 0.60), (-100, 0.35, 0.80)]
)
def test_platinum_classes(at_c: float, class_a_k: float, class_b_k: float) -> None:
    # IEC 60751 classes (checks.md 5); the limit is the same on both sides of 0 °C.
    assert platinum_tolerance_k(at_c, "A") == pytest.approx(class_a_k, abs=1e-12)
    assert platinum_tolerance_k(at_c, "B") == pytest.approx(class_b_k, abs=1e-12)


# -- type K ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_c", "mv"),
    # NIST ITS-90, type K (checks.md 5); −150 and −200 read in the published table.
    [
        (-200, -5.8914),
        (-150, -4.913),
        (-100, -3.5536),
        (0, 0.0),
        (10, 0.3969),
        (20, 0.7981),
        (25, 1.0002),
        (30, 1.2033),
        (40, 1.6118),
        (50, 2.0231),
        (60, 2.4365),
        (80, 3.2666),
        (100, 4.0962),
        (120, 4.9199),
        (150, 6.1383),
        (200, 8.1385),
        (300, 12.2086),
        (500, 20.6443),
    ],
)
def test_type_k_table(at_c: float, mv: float) -> None:
    assert TypeK(cold_junction_c=0.0).at(at_c) == pytest.approx(mv, abs=0.0005)
    assert celsius(TypeK(cold_junction_c=0.0), mv) == pytest.approx([at_c], abs=0.04)


def test_the_cold_junction_counts() -> None:
    # Published worked example (checks.md 5): 124.31 °C, not 100 °C.
    assert celsius(TypeK(cold_junction_c=25.0), 4.096) == pytest.approx([124.31], abs=0.005)
    assert celsius(TypeK(cold_junction_c=0.0), 4.096) == pytest.approx([100.0], abs=0.01)


def test_type_k_follows_the_library_between_the_rows() -> None:
    at_c = np.arange(-199.9, 1372.0, 0.37)
    mv = np.array([Its90.emf(float(t)) for t in at_c])
    assert np.abs(TypeK(cold_junction_c=0.0).celsius(mv) - at_c).max() < 1e-6
    for t in at_c[::50].tolist():
        assert Its90.temperature(Its90.emf(t)) == pytest.approx(t, abs=1e-6)


# -- thermistors -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ohm", "at_c"),
    # Maker's table against its own coefficients (checks.md 5).
    [
        (19872.17, 9.9955),
        (12488.09, 19.9980),
        (10000.0, 25.0),
        (8058.97, 30.0015),
        (5329.87, 40.0030),
        (2489.95, 60.0037),
        (1256.9, 79.989),
    ],
)
def test_steinhart_hart_table(ohm: float, at_c: float) -> None:
    assert celsius(BEAD, ohm) == pytest.approx([at_c], abs=5e-4)


def test_beta_is_a_poor_guide_far_from_25_c() -> None:
    # Vishay BCcomponents 2322 640 sheet: 32.56 kΩ at 0 °C; plain β gives 33.90 (checks.md 5).
    plain = NtcBeta(nominal_ohm=10_000.0, beta_k=3977.0)
    assert BEAD.at(0.0) == pytest.approx(32_560, rel=1e-3)
    assert plain.at(0.0) == pytest.approx(33_900, abs=10)
    assert celsius(plain, 32_560.0)[0] == pytest.approx(0.8, abs=0.05)


def test_worked_example_of_a_maker() -> None:
    # Siemens Matsushita curve 1006 (checks.md 5): R5 from the ratio 2.2739 and 4.7 kΩ,
    # R7 by way of the slope of 4.4 %/K at 5 °C, β = α T².
    r5 = 2.2739 * 4_700.0
    assert r5 == pytest.approx(10_687.3, abs=0.05)
    sensor = NtcBeta(nominal_ohm=r5, beta_k=0.044 * 278.15**2, nominal_c=5.0)
    assert sensor.at(7.0) == pytest.approx(9_793.16, abs=0.05)


def test_three_coefficients_are_those_of_the_cube() -> None:
    three = NtcSteinhartHart(coefficients=(1.129148e-3, 2.34125e-4, 8.76741e-8))
    # Definition, written out.
    x = math.log(10_000.0)
    kelvins = 1.0 / (1.129148e-3 + 2.34125e-4 * x + 8.76741e-8 * x**3)
    assert celsius(three, 10_000.0) == pytest.approx([kelvins - 273.15], abs=1e-9)


# -- all of them -----------------------------------------------------------------------------


@every_signal
@given(share=st.floats(0.0, 1.0))
def test_there_and_back(signal: Signal, share: float) -> None:
    at = signal.lowest + share * (signal.highest - signal.lowest)
    (there,) = celsius(signal, at)
    assert signal.at(min(max(there, -200.0), 1372.0)) == pytest.approx(at, rel=1e-6, abs=1e-5)
    assert signal.celsius_one(at) == pytest.approx(there, abs=1e-9)


@every_signal
def test_conversion_is_monotone(signal: Signal) -> None:
    found = signal.celsius(np.linspace(signal.lowest, signal.highest, 20_001))
    steps = np.diff(found if signal.rising else -found)
    assert (steps > 0).all()


@every_signal
def test_a_broken_wire_has_a_temperature_and_is_told(signal: Signal) -> None:
    broken = np.array([-1e15, signal.lowest - 1.0, signal.highest + 1.0, 1e15])
    found = signal.celsius(broken)
    ends = signal.celsius(np.array([signal.lowest, signal.highest]))
    assert found.tolist() == [ends[0], ends[0], ends[1], ends[1]]
    assert signal.outside(broken).all()
    assert all(signal.outside_one(value) for value in broken.tolist())
    assert not signal.outside(np.array([signal.lowest, signal.highest])).any()
    assert [signal.celsius_one(value) for value in broken.tolist()] == pytest.approx(
        found.tolist(), abs=1e-9
    )


# -- from settings ---------------------------------------------------------------------------


def test_signals_from_settings() -> None:
    assert signal_of(SignalKind.PT100, {}) == Platinum()
    assert signal_of(SignalKind.PT1000, {}) == Platinum(nominal_ohm=1000.0)
    assert signal_of(SignalKind.NTC_BETA, {"nominal_ohm": 10_000, "beta_k": 3977}) == EVERY[2]
    assert (
        signal_of(
            SignalKind.NTC_STEINHART_HART,
            {"coefficients": list(BEAD.coefficients), "reference_ohm": 10_000},
        )
        == BEAD
    )
    assert signal_of(SignalKind.TYPE_K, {"cold_junction_c": 25}) == EVERY[-1]
    for signal in EVERY:
        assert signal.unit == ("mV" if signal.kind is SignalKind.TYPE_K else "Ω")
    assert {signal.kind for signal in EVERY} == set(SignalKind)


@pytest.mark.parametrize(
    ("kind", "parameters", "where"),
    [
        (SignalKind.PT100, {"nominal_ohm": 100}, "nominal_ohm"),
        (SignalKind.NTC_BETA, {"nominal_ohm": 10_000}, "beta_k"),
        (SignalKind.NTC_BETA, {"nominal_ohm": "10k", "beta_k": 3977}, "nominal_ohm"),
        (SignalKind.NTC_BETA, {"nominal_ohm": True, "beta_k": 3977}, "nominal_ohm"),
        (SignalKind.NTC_BETA, {"nominal_ohm": 10_000, "beta_k": 39}, "beta_k"),
        (SignalKind.NTC_BETA, {"nominal_ohm": math.nan, "beta_k": 3977}, "nominal_ohm"),
        (SignalKind.TYPE_K, {"cold_junction_c": 300}, "cold_junction_c"),
        (SignalKind.NTC_STEINHART_HART, {"coefficients": [1e-3, 2e-4]}, "coefficients"),
        (SignalKind.NTC_STEINHART_HART, {"coefficients": 1e-3}, "coefficients"),
        # The order turned round, and a resistance that rises.
        (SignalKind.NTC_STEINHART_HART, {"coefficients": [8.8e-8, 2.3e-4, 1.1e-3]}, "coefficients"),
        (
            SignalKind.NTC_STEINHART_HART,
            {"coefficients": [1.1e-3, -2.3e-4, -8.8e-8]},
            "coefficients",
        ),
    ],
)
def test_wrong_settings_are_told(kind: SignalKind, parameters: dict[str, Any], where: str) -> None:
    with pytest.raises(SettingsError) as caught:
        signal_of(kind, parameters)
    assert caught.value.where == where
    assert caught.value.remedy
